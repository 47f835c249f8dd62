//! `weighlight compare` and `weighlight simulate day` as their users run them.

use std::collections::BTreeSet;
use std::fs;
use std::path::Path;

use assert_cmd::Command;
use predicates::prelude::*;
use predicates::str::contains;

fn weighlight() -> Command {
    Command::cargo_bin("weighlight").unwrap()
}

fn simulated(folder: &Path, seed: &str, more: &[&str]) {
    weighlight()
        .args(["simulate", "day", "--seed", seed, "--out"])
        .arg(folder)
        .args(more)
        .assert()
        .success();
}

fn compare(folder: &Path) -> Command {
    let mut command = weighlight();
    command
        .arg("compare")
        .arg(folder.join("pieces.csv"))
        .arg(folder.join("weighings.csv"))
        .args(["--time", "time", "--mass", "mass_g"]);
    command
}

/// (log row, piece row) of rows of pairs.
fn pairs(path: &Path, piece: usize, log: usize) -> BTreeSet<(usize, usize)> {
    let mut reader = csv::Reader::from_path(path).unwrap();
    reader
        .records()
        .filter_map(|row| {
            let row = row.unwrap();
            Some((row[log].parse().ok()?, row[piece].parse().ok()?))
        })
        .collect()
}

#[test]
fn a_day_is_compared_and_its_fault_named() {
    let desk = tempfile::tempdir().unwrap();
    let day = desk.path().join("day");
    simulated(&day, "7", &["--fault", "density=0.012", "--pieces", "800"]);
    let (page, table) = (desk.path().join("page.html"), desk.path().join("pairs.csv"));
    compare(&day)
        .arg("--html")
        .arg(&page)
        .arg("--pairs")
        .arg(&table)
        .assert()
        .success()
        .stdout(
            contains("mass “mass_g”: g, from its name")
                .and(contains("the files belong together"))
                .and(contains("ppm fast"))
                .and(contains("test weights: 500.0 g"))
                .and(contains("95 % of differences are expected between"))
                .and(contains("density, or a scale of height, length or width"))
                .and(contains("not legal for trade")),
        );
    let found = pairs(&table, 0, 1);
    let truth = pairs(&day.join("truth.csv"), 1, 0);
    let right = found.intersection(&truth).count();
    assert!(
        right as f64 >= 0.99 * found.len() as f64,
        "{right} of {}",
        found.len()
    );
    assert!(
        right as f64 >= 0.97 * truth.len() as f64,
        "{right} of {}",
        truth.len()
    );

    let page = fs::read_to_string(page).unwrap();
    for word in [
        "Over ",
        "pieces have their weighing",
        "limits of agreement",
        "Rows without a partner",
        "test weight",
        "weighed mass, g",
    ] {
        assert!(page.contains(word), "{word}");
    }
    // Everything is in the page itself.
    assert!(!page.contains("src=\"http") && !page.contains("href=\"http"));
}

#[test]
fn json_csv_and_parquet_say_the_same() {
    let desk = tempfile::tempdir().unwrap();
    simulated(
        &desk.path().join("day"),
        "3",
        &["--pieces", "400", "--lanes", "2"],
    );
    let day = desk.path().join("day");
    let (out, csv, parquet) = (
        desk.path().join("result.json"),
        desk.path().join("pairs.csv"),
        desk.path().join("pairs.parquet"),
    );
    compare(&day)
        .args(["--format", "json", "--within-g", "3", "--nominal-g", "160"])
        .arg("--out")
        .arg(&out)
        .arg("--pairs")
        .arg(&parquet)
        .assert()
        .success()
        .stdout("");
    compare(&day)
        .args(["--format", "csv", "--out"])
        .arg(&csv)
        .assert()
        .success();
    let json: serde_json::Value = serde_json::from_str(&fs::read_to_string(out).unwrap()).unwrap();
    assert_eq!(json["format"], "weighlight-compare/1");
    assert_eq!(json["logs"][0]["columns"]["time"], "time");
    let counts = &json["matching"]["pieces"];
    let of = |key: &str| counts[key].as_u64().unwrap() as usize;
    assert_eq!(of("all"), 400);
    assert_eq!(
        of("weighed_alone")
            + of("weighed_together")
            + of("doubtful")
            + of("not_weighed")
            + of("outside_log"),
        400
    );
    assert_eq!(
        json["agreement"]["pairs"].as_u64().unwrap() as usize,
        of("weighed_alone")
    );
    assert!(
        json["agreement"]["within"][0]["share"]["count"]
            .as_u64()
            .unwrap()
            > 300
    );
    assert!(
        json["agreement"]["giveaway"]["set_point_g"]
            .as_f64()
            .unwrap()
            > 155.0
    );
    assert!((json["matching"]["clocks"]["lag_s"].as_f64().unwrap() - 37.0).abs() < 0.5);
    let rows = pairs(&csv, 0, 1);
    assert_eq!(rows.len(), of("weighed_alone") + of("weighed_together"));
    let file = fs::File::open(parquet).unwrap();
    let reader = parquet::arrow::arrow_reader::ParquetRecordBatchReaderBuilder::try_new(file)
        .unwrap()
        .build()
        .unwrap();
    let count: usize = reader.map(|batch| batch.unwrap().num_rows()).sum();
    assert_eq!(count, rows.len());
}

#[test]
fn files_that_do_not_belong_together_are_refused_with_exit_code_1() {
    let desk = tempfile::tempdir().unwrap();
    let (one, other) = (desk.path().join("one"), desk.path().join("other"));
    simulated(&one, "1", &["--pieces", "500"]);
    simulated(&other, "2", &["--pieces", "500"]);
    fs::copy(other.join("weighings.csv"), one.join("weighings.csv")).unwrap();
    compare(&one)
        .assert()
        .code(1)
        .stdout("")
        .stderr(contains("do not belong together").and(contains("--lag-within")));
}

#[test]
fn a_class_that_is_not_met_is_a_bad_verdict() {
    let desk = tempfile::tempdir().unwrap();
    let day = desk.path().join("day");
    simulated(&day, "5", &["--pieces", "300", "--fault", "density=0.05"]);
    compare(&day)
        .args(["--class", "XIII(1)/1"])
        .assert()
        .code(3);
    compare(&day).assert().code(0);
}

#[test]
fn a_target_check_is_taken_as_evidence() {
    let desk = tempfile::tempdir().unwrap();
    let day = desk.path().join("day");
    simulated(&day, "6", &["--pieces", "600", "--fault", "density=0.015"]);
    let check = desk.path().join("check.json");
    fs::write(
        &check,
        r#"{"format": "weighlight-drift/1", "weight_effect": {"relative": 0.0001, "relative_u": 0.0002}}"#,
    )
    .unwrap();
    // The scanner's scales are right by the check: densities are left.
    compare(&day)
        .arg("--last-check")
        .arg(&check)
        .assert()
        .success()
        .stdout(contains("densit").and(contains("density, or a scale").not()));
    fs::write(&check, "{}").unwrap();
    compare(&day)
        .arg("--last-check")
        .arg(&check)
        .assert()
        .code(1)
        .stderr(contains("check.json").and(contains("no drift report")));
}

#[test]
fn wrong_usage_is_told() {
    let desk = tempfile::tempdir().unwrap();
    let day = desk.path().join("day");
    simulated(&day, "8", &["--pieces", "60"]);
    weighlight()
        .arg("compare")
        .arg(day.join("pieces.csv"))
        .arg(day.join("weighings.csv"))
        .assert()
        .code(1)
        .stderr(contains("--time").and(contains("number, time, mass_g")));
    compare(&day)
        .args(["--pairs", "pairs.xls"])
        .assert()
        .code(1)
        .stderr(contains(".parquet"));
    compare(&day)
        .args(["--test-weight", "heavy"])
        .assert()
        .code(2);
    compare(&day)
        .args(["--least-probability", "0.3"])
        .assert()
        .code(2);
    compare(&day)
        .args(["--unit", "kg"])
        .assert()
        .code(1)
        .stderr(contains("--unit g"));
    weighlight()
        .args(["simulate", "lobes", "--lanes", "2", "--seed", "1", "--out"])
        .arg(desk.path().join("x"))
        .assert()
        .code(1)
        .stderr(contains("only the scenario day"));
    weighlight()
        .args(["simulate", "day", "--two-views", "--seed", "1", "--out"])
        .arg(desk.path().join("x"))
        .assert()
        .code(1)
        .stderr(contains("makes no scans"));
}
