//! The commands on the sample scans of a target, and what `simulate target` writes.

use std::path::{Path, PathBuf};

use assert_cmd::Command;
use predicates::prelude::*;
use predicates::str::contains;
use weighlight::calibration::read_calibration;

fn weighlight() -> Command {
    let mut command = Command::cargo_bin("weighlight").unwrap();
    command.current_dir(env!("CARGO_MANIFEST_DIR"));
    command
}

const PLATE: &str = "calibration/targets/plate-420x260.toml";

fn sample(day: &str) -> PathBuf {
    Path::new("calibration/target-checks").join(day)
}

#[test]
fn the_sample_checks_say_what_their_readme_says() {
    let drift = |day: &str| {
        let mut command = weighlight();
        command.arg("drift").arg(sample(day));
        command.args(["--target", PLATE, "--calibrations", "calibration"]);
        command
    };
    drift("2026-03-04")
        .assert()
        .code(0)
        .stdout(contains("harbour-1: in tolerance").and(contains("8 patches")));
    drift("2026-03-18")
        .args(["--effect-on", "sample-scans"])
        .args(["--product", "sample-scans/products/belly-strips.toml"])
        .args(["--price-per-kg", "4.2", "--tonnes-per-day", "12"])
        .assert()
        .code(3)
        .stdout(
            contains("weight     +0.31 ± 0.02 %")
                .and(contains("8 pieces measured again"))
                .and(contains(" a day")),
        );
    drift("2026-03-18")
        .args(["--effect-on", "sample-scans"])
        .assert()
        .code(2)
        .stderr(contains("--product"));
}

#[test]
fn a_calibration_takes_colours_along_when_asked() {
    let folder = tempfile::tempdir().unwrap();
    let out = folder.path().join("new.toml");
    weighlight()
        .arg("calibrate")
        .args([sample("2026-03-18")])
        .args(["--target", PLATE, "--scanner", "harbour-1", "--colour"])
        .args([
            "--baseline",
            "calibration/scanners/harbour-1/2026-03-01.toml",
        ])
        .args(["--valid-from", "2026-03-18T06:00:00Z", "--out"])
        .arg(&out)
        .assert()
        .success();
    let new = read_calibration(&out).unwrap();
    assert!((new.errors.along_scale - 1.0011).abs() < 5e-5);
    let colour = new.colour.unwrap();
    // The simulated camera's mixing undone, as the calibration file of the scanner states it.
    assert!((colour.matrix[0][0] - 1.076).abs() < 0.03 && colour.flat_field[0].len() == 17);
    assert!((new.registration.dx_mm - 0.3).abs() < 0.03);
    assert!((new.registration.dy_mm + 0.6).abs() < 0.03);
}

#[test]
fn a_target_can_be_simulated_and_only_where_it_belongs() {
    let folder = tempfile::tempdir().unwrap();
    let out = folder.path().join("made");
    weighlight()
        .args(["simulate", "target", "--target", PLATE, "--seed", "3"])
        .args(["--yaw-deg", "90", "--error", "roll_mrad=3.5", "--out"])
        .arg(&out)
        .assert()
        .success()
        .stdout(contains("frustum plate 420 x 260 in 1 frame"));
    let truth = std::fs::read_to_string(out.join("truth.csv")).unwrap();
    assert!(truth.contains("roll_mrad,3.5\n") && truth.contains("yaw_mrad,1570."));
    // The calibration is the one from before.
    let scanners = out.join("calibration/scanners/harbour-1/2026-01-01.toml");
    assert!((read_calibration(&scanners).unwrap().errors.roll_mrad - 0.6).abs() < 1e-12);
    assert!(!out.join("products").exists());

    let elsewhere = folder.path().join("lobes");
    let failing = |arguments: &[&str], code: i32, says: &str| {
        weighlight()
            .arg("simulate")
            .args(arguments)
            .args(["--seed", "1", "--out"])
            .arg(&elsewhere)
            .assert()
            .code(code)
            .stderr(contains(says));
    };
    failing(&["lobes", "--yaw-deg", "3"], 1, "only the scenario target");
    failing(&["target"], 1, "no target is given");
    failing(
        &["lobes", "--error", "rol_mrad=1"],
        2,
        "there is no error rol_mrad",
    );
    failing(&["lobes", "--error", "across_scale=2"], 2, "0.9 to 1.1");
}
