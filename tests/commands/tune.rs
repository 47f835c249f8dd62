//! Tuning as its users run it: a simulated day, compared, tuned, and the new profile read back.

use std::path::{Path, PathBuf};

use assert_cmd::Command;
use predicates::prelude::*;
use predicates::str::contains;
use tempfile::TempDir;
use weighlight::product::read_product;

use crate::weighlight;

/// A day whose densities are 1.2 % too heavy, its pairs, and the profile its table was made with.
struct Tuning {
    folder: TempDir,
}

/// The day's classes weigh 921 and 1060 kg/m³; with a fault of 1.2 % the table has them 1.2 % heavier.
const PROFILE: &str = r#"format = "weighlight-product/1"
name = "day"
base = "lean"

[piece]
min_height_mm = 1.0
min_area_cm2 = 4.0
split_touching = true

[[class]]
name = "fat"
lab = { l = [62, 100], a = [-20, 16], b = [-10, 40] }
density_kg_m3 = 932.052
depth = "through"

[[class]]
name = "lean"
density_kg_m3 = 1072.72

[weight]
scale = 1.0
offset_g = 0.0
density_u_rel = 0.005
"#;

impl Tuning {
    fn new() -> Self {
        let it = Self {
            folder: tempfile::tempdir().unwrap(),
        };
        weighlight()
            .args(["simulate", "day", "--seed", "7", "--pieces", "800"])
            .args(["--fault", "density=0.012", "--out"])
            .arg(it.path("day"))
            .assert()
            .success();
        std::fs::write(it.path("day.toml"), PROFILE).unwrap();
        for pairs in ["pairs.csv", "pairs.parquet"] {
            weighlight()
                .arg("compare")
                .args([it.path("day/pieces.csv"), it.path("day/weighings.csv")])
                .args([
                    "--time", "time", "--mass", "mass_g", "--unit", "g", "--pairs",
                ])
                .arg(it.path(pairs))
                .assert()
                .success();
        }
        it
    }

    fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    fn tune(&self, pairs: &str, out: &Path) -> Command {
        let mut command = weighlight();
        command
            .arg("tune")
            .args([self.path("day/pieces.csv"), self.path(pairs)])
            .arg("--product")
            .arg(self.path("day.toml"))
            .arg("--out")
            .arg(out);
        command
    }
}

#[test]
fn a_day_is_compared_and_its_profile_tuned() {
    let it = Tuning::new();
    it.tune("pairs.csv", &it.path("tuned"))
        .assert()
        .success()
        .stdout(contains("scale fitted to").and(contains("on pieces the fit did not see")))
        .stdout(contains("not legal for trade"));
    let product = read_product(&it.path("tuned/day-2026-03-04.toml")).unwrap();
    assert!(
        (product.weight.scale - 1.0 / 1.012).abs() < 0.001,
        "{product:?}"
    );
    let fit = product.fit.unwrap();
    assert!(fit.rms_unseen_g < 0.8 * fit.rms_before_g);
    // The hash is that of the file.
    let bytes = std::fs::read(it.path("pairs.csv")).unwrap();
    let hash = blake3::hash(&bytes).to_hex().to_string();
    assert!(
        fit.inputs.iter().any(|input| input.ends_with(&hash)),
        "{:?}",
        fit.inputs
    );
    // What is there is kept.
    it.tune("pairs.csv", &it.path("tuned"))
        .assert()
        .code(1)
        .stderr(contains("there is a profile already"));
    // Parquet pairs give the same profile.
    it.tune("pairs.parquet", &it.path("other.toml"))
        .assert()
        .success();
    let other = read_product(&it.path("other.toml")).unwrap();
    assert_eq!(other.weight, product.weight);
}

#[test]
fn results_for_programs_hold_the_values() {
    let it = Tuning::new();
    let output = it
        .tune("pairs.csv", &it.path("new.toml"))
        .args(["--fit", "densities", "--format", "json"])
        .output()
        .unwrap();
    let result: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    assert_eq!(result["format"], "weighlight-tune/1");
    for (index, kg_m3) in [(0, 921.0), (1, 1060.0)] {
        let after = &result["result"]["values"][index]["after"];
        let [low, high] = ["low", "high"].map(|key| after[key].as_f64().unwrap());
        assert!(low < kg_m3 && kg_m3 < high, "{after}");
    }
    it.tune("pairs.csv", &it.path("third.toml"))
        .args(["--fit", "densities", "--format", "csv"])
        .assert()
        .success()
        .stdout(predicates::str::starts_with(
            "name,unit,before,after,low,high\ndensity of fat,kg/m³,932.05",
        ));
}

#[test]
fn what_is_wrong_is_said() {
    let it = Tuning::new();
    let out = it.path("new.toml");
    for (arguments, code, words) in [
        (vec!["--fit", "all"], 2, "expected scale, scale-offset"),
        (vec!["--density", "fat=9"], 2, "such as fat=880..960"),
        (vec!["--density", "skin=900..1000"], 1, "no class \"skin\""),
        (vec!["--fit", "depth:fat"], 1, "goes all the way through"),
        (vec!["--to", "2020-01-01T00:00:00Z"], 1, "0 usable pairs"),
        (
            vec!["--density", "lean=1070..1090", "--fit", "densities"],
            1,
            "outside 1070",
        ),
    ] {
        it.tune("pairs.csv", &out)
            .args(arguments)
            .assert()
            .code(code)
            .stderr(contains(words));
    }
    it.tune("none.csv", &out)
        .assert()
        .code(1)
        .stderr(contains("none.csv"));
    assert!(!out.exists(), "nothing is written where nothing was fitted");
    // A scale that the target check has found is not tuned away.
    let report = r#"{"format": "weighlight-drift/1", "weight_effect": {"relative": 0.012, "relative_u": 0.0002}}"#;
    std::fs::write(it.path("check.json"), report).unwrap();
    it.tune("pairs.csv", &out)
        .arg("--last-check")
        .arg(it.path("check.json"))
        .assert()
        .code(1)
        .stderr(contains("the scanner's scales").and(contains("make a new calibration")));
}
