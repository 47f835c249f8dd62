//! What a summary says, against the rows it was made from and against SciPy.

use std::fs;
use std::process::Output;

use serde_json::Value;
use weighlight::stats::clopper_pearson;
use weighlight::tables::{PieceRecord, read_pieces};

use crate::archive::{Archive, ended, program};

#[test]
fn shares_have_the_limits_that_scipy_gives() {
    // Source: scipy.stats.binomtest, see tests/reference/scipy/README.md.
    let mut reader = csv::Reader::from_path("tests/reference/scipy/intervals.csv").unwrap();
    let mut seen = 0;
    for row in reader.deserialize() {
        let (hits, trials, confidence, low, high): (u64, u64, f64, f64, f64) = row.unwrap();
        let found = clopper_pearson(hits, trials, confidence).unwrap();
        for (found, expected) in found.into_iter().zip([low, high]) {
            assert!(
                (found - expected).abs() <= 1e-9 * expected.max(1e-3),
                "{hits} of {trials} at {confidence}: {found}, expected {expected}"
            );
        }
        seen += 1;
    }
    assert_eq!(seen, 42);
}

fn summary(archive: &Archive, arguments: &[&str]) -> Output {
    program()
        .current_dir(archive.path("."))
        .arg("summary")
        .args(arguments)
        .output()
        .unwrap()
}

fn pieces(archive: &Archive, run: &str) -> Vec<PieceRecord> {
    let names = archive.result(run).into_keys();
    let tables = names.filter(|name| name.starts_with("pieces/"));
    tables
        .flat_map(|name| read_pieces(&archive.path(run).join(name)).unwrap())
        .collect()
}

/// With a spec that some pieces miss.
fn with_spec(archive: &Archive) {
    let profile = archive.path("products/lobes.toml");
    let text = fs::read_to_string(&profile).unwrap();
    fs::write(&profile, format!("{text}\n[spec]\nmass_g = [0.0, 140.0]\n")).unwrap();
}

#[test]
fn rates_means_and_shares_are_those_of_the_rows() {
    let archive = Archive::new(12);
    with_spec(&archive);
    archive.run("run", &[]);
    let output = summary(&archive, &["run", "--format", "json"]);
    ended(&output, 0);
    let told: Value = serde_json::from_slice(&output.stdout).unwrap();
    let all = pieces(&archive, "run");
    // Recordings 2, 5, 8 and 11 are rolls; the others are of lobes, 200 mm each at 450 mm/s.
    let lobes: Vec<_> = all
        .iter()
        .filter(|piece| piece.scan.ends_with(['0', '1']))
        .collect();
    let lobes: Vec<_> = lobes
        .into_iter()
        .filter(|piece| {
            let number: usize = piece.recording[1..].parse().unwrap();
            number % 3 != 2
        })
        .collect();
    let product = told["products"].as_array().unwrap();
    let product = product.iter().find(|it| it["product"] == "lobes").unwrap();
    let group = &product["all"];
    let count = lobes.len() as f64;
    let total_kg: f64 = lobes.iter().map(|piece| piece.mass_g).sum::<f64>() / 1000.0;
    let mean_g = 1000.0 * total_kg / count;
    let squares: f64 = lobes
        .iter()
        .map(|piece| (piece.mass_g - mean_g).powi(2))
        .sum();
    let seconds = 8.0 * 200.0 / 450.0;
    let near = |key: &str, expected: f64, by: f64| {
        let found = group[key].as_f64().unwrap();
        assert!(
            (found - expected).abs() <= by,
            "{key}: {found}, expected {expected}"
        );
    };
    near("pieces", count, 0.0);
    near("total_kg", total_kg, 1e-6);
    near("belt_s", seconds, 0.02);
    near("pieces_per_minute", count / seconds * 60.0, 5.0);
    near("kg_per_hour", total_kg / seconds * 3600.0, 5.0);
    near("mean_mass_g", mean_g, 1e-3);
    near("sd_mass_g", (squares / (count - 1.0)).sqrt(), 1e-3);
    let out = lobes.iter().filter(|piece| piece.mass_g > 140.0).count();
    assert!(out > 0 && (out as f64) < count, "{out} of {count}");
    near("out_of_spec", out as f64, 0.0);
    let [low, high] = clopper_pearson(out as u64, lobes.len() as u64, 0.95).unwrap();
    near("out_of_spec_low_fraction", low, 1e-6);
    near("out_of_spec_high_fraction", high, 1e-6);
    assert_eq!(product["flags"]["spec-mass"], out);
    let belt = &product["belt"];
    let area: f64 = lobes.iter().map(|piece| piece.area_cm2 / 10_000.0).sum();
    let found = belt["area_fraction"].as_f64().unwrap();
    assert!((found - area / (8.0 * 0.2 * 0.6)).abs() < 1e-3, "{found}");
    let hours: u64 = product["hours"]
        .as_array()
        .unwrap()
        .iter()
        .map(|it| it["pieces"].as_u64().unwrap())
        .sum();
    assert_eq!(hours, lobes.len() as u64);
}

#[test]
fn limits_are_kept_missed_or_undecided() {
    let archive = Archive::new(12);
    with_spec(&archive);
    archive.run("run", &[]);
    ended(&summary(&archive, &["run"]), 0);
    let missed = summary(&archive, &["run", "--most-out-of-spec", "0.1"]);
    ended(&missed, 3);
    let text = String::from_utf8(missed.stdout).unwrap();
    assert!(text.contains("MISSED"), "{text}");
    assert!(text.contains("not legal for trade"), "{text}");
    ended(&summary(&archive, &["run", "--most-out-of-spec", "100"]), 0);
    ended(
        &summary(&archive, &["run", "--least-kg-per-hour", "1e8"]),
        3,
    );
    ended(
        &summary(&archive, &["run", "--least-per-minute", "0.01"]),
        0,
    );
    ended(&summary(&archive, &["run", "--most-out-of-spec", "101"]), 2);
}

#[test]
fn a_table_is_summed_up_like_a_run_as_far_as_it_tells() {
    let archive = Archive::new(6);
    archive.run("run", &[]);
    for name in ["pieces.csv", "pieces.parquet"] {
        let output = program()
            .current_dir(archive.path("."))
            .args(["measure", "archive", "--products", "products"])
            .args(["--calibrations", "calibration", "--out", name])
            .output()
            .unwrap();
        assert!(matches!(output.status.code(), Some(0 | 3)), "{output:?}");
        let output = summary(&archive, &[name, "--format", "json"]);
        ended(&output, 0);
        let told: Value = serde_json::from_slice(&output.stdout).unwrap();
        let product = &told["products"][0];
        let total: f64 = pieces(&archive, "run")
            .iter()
            .map(|piece| piece.mass_g)
            .sum();
        let found = product["all"]["total_kg"].as_f64().unwrap();
        assert!((1000.0 * found - total).abs() < 0.01, "{found}");
        assert!(product["belt"].is_null());
    }
}

#[test]
fn the_page_and_the_csv_say_the_same() {
    let archive = Archive::new(6);
    archive.run("run", &[]);
    let output = summary(
        &archive,
        &["run", "--html", "summary.html", "--format", "csv"],
    );
    ended(&output, 0);
    let page = fs::read_to_string(archive.path("summary.html")).unwrap();
    if let Some(folder) = std::env::var_os("PAGES") {
        fs::copy(
            archive.path("summary.html"),
            std::path::Path::new(&folder).join("summary.html"),
        )
        .unwrap();
    }
    let mut reader = csv::Reader::from_reader(output.stdout.as_slice());
    let rows: Vec<csv::StringRecord> = reader.records().map(|row| row.unwrap()).collect();
    for product in ["lobes", "rolls"] {
        assert!(page.contains(&format!("<h2>{product}</h2>")), "{product}");
        let row = rows.iter().find(|row| &row[0] == product).unwrap();
        let mean: f64 = row[8].parse().unwrap();
        assert!(page.contains(&format!(">{mean:.1}<")), "{mean}");
    }
    assert!(page.contains("Mass an hour of belt seen"));
    assert!(page.contains("default-src 'none'"));
}

#[test]
fn what_is_no_run_and_what_is_not_complete_is_told() {
    let archive = Archive::new(6);
    fs::create_dir(archive.path("empty")).unwrap();
    let told = ended(&summary(&archive, &["empty"]), 1);
    assert!(told.contains("run.toml"), "{told}");
    archive.run("run", &[]);
    fs::remove_file(archive.path("run/run.toml")).unwrap();
    let told = ended(&summary(&archive, &["run"]), 1);
    assert!(told.contains("not complete"), "{told}");
    assert!(told.contains("--resume"), "{told}");
}

#[test]
fn what_is_given_twice_is_refused_and_what_is_not_there_is_told() {
    let archive = Archive::new(3);
    archive.run("run", &[]);
    archive.run("again", &[]);
    let told = ended(&summary(&archive, &["run", "run"]), 1);
    assert!(told.contains("recording r0000 is in run as well"), "{told}");
    // The same recordings measured once more, and their tables alone.
    let told = ended(&summary(&archive, &["run", "again"]), 1);
    assert!(told.contains("leave one of the two out"), "{told}");
    let table = archive
        .result("run")
        .into_keys()
        .find(|name| name.starts_with("pieces/"))
        .unwrap();
    let [one, two] = [format!("run/{table}"), format!("again/{table}")];
    ended(&summary(&archive, &[&one]), 0);
    ended(&summary(&archive, &[&one, &two]), 1);
    let told = ended(&summary(&archive, &["nowhere"]), 1);
    assert!(told.contains("no such file or folder"), "{told}");
    let told = ended(&summary(&archive, &["nowhere.csv"]), 1);
    assert!(told.contains("no such file or folder"), "{told}");
}

#[test]
fn limits_that_are_no_limits_are_wrong_usage() {
    let archive = Archive::new(0);
    for (option, value, wanted) in [
        ("--most-out-of-spec", "-1", "a percentage from 0 to 100"),
        ("--most-out-of-spec", "NaN", "a percentage from 0 to 100"),
        ("--least-kg-per-hour", "-3", "a number, 0 or larger"),
        ("--least-kg-per-hour", "inf", "a number, 0 or larger"),
        ("--least-per-minute", "-inf", "a number, 0 or larger"),
        ("--least-per-minute", "nan", "a number, 0 or larger"),
    ] {
        let told = ended(
            &summary(&archive, &["run", &format!("{option}={value}")]),
            2,
        );
        assert!(told.contains(wanted), "{told}");
    }
    let told = ended(&summary(&archive, &["run", "--most-out-of-spec", "-1"]), 2);
    assert!(told.contains("a percentage from 0 to 100"), "{told}");
}
