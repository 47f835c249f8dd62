//! What a comparison of two runs says, against changes of known size.

use std::fs;
use std::process::Output;

use serde_json::Value;

use crate::archive::{Archive, ended, program};

fn diff(archive: &Archive, arguments: &[&str]) -> Output {
    program()
        .current_dir(archive.path("."))
        .arg("diff")
        .args(arguments)
        .output()
        .unwrap()
}

fn json(output: &Output) -> Value {
    ended(output, 0);
    serde_json::from_slice(&output.stdout).unwrap()
}

fn edit(archive: &Archive, name: &str, from: &str, to: &str) {
    let path = archive.path(name);
    let text = fs::read_to_string(&path).unwrap();
    assert!(text.contains(from), "{from} is not in {text}");
    fs::write(&path, text.replacen(from, to, 1)).unwrap();
}

/// Makes pieces of this product heavier by a factor.
fn scale_weight(archive: &Archive, product: &str, factor: f64) {
    let name = format!("products/{product}.toml");
    let path = archive.path(&name);
    let text = fs::read_to_string(&path).unwrap();
    let line = text
        .lines()
        .find(|line| line.starts_with("scale ="))
        .map(str::to_owned);
    match line {
        Some(line) => edit(archive, &name, &line, &format!("scale = {factor}")),
        None => fs::write(&path, format!("{text}\n[weight]\nscale = {factor}\n")).unwrap(),
    }
}

#[test]
fn two_runs_alike_differ_in_nothing() {
    let archive = Archive::new(6);
    archive.run("a", &[]);
    archive.run("b", &["--threads", "1"]);
    let told = json(&diff(&archive, &["a", "b", "--format", "json"]));
    assert_eq!(told["same"], true);
    assert_eq!(told["settings"], serde_json::json!([]));
    assert_eq!(told["all"]["pairs"], told["all"]["same"]);
    assert_eq!(told["inputs_differ"], 0);
    assert!(told["all"]["pairs"].as_u64().unwrap() > 5);
    let output = diff(&archive, &["a", "b"]);
    assert!(
        String::from_utf8(output.stdout)
            .unwrap()
            .contains("nothing changed")
    );
}

#[test]
fn a_change_of_known_size_is_found_where_it_was_made_and_nowhere_else() {
    let archive = Archive::new(12);
    archive.run("before", &[]);
    scale_weight(&archive, "lobes", 1.02);
    archive.run("after", &[]);
    let told = json(&diff(
        &archive,
        &["before", "after", "--out", "pairs.csv", "--format", "json"],
    ));
    assert_eq!(told["same"], false);
    let settings = told["settings"].as_array().unwrap();
    assert_eq!(settings.len(), 1);
    assert_eq!(settings[0]["what"], "product lobes");
    let lobes = &told["products"]["lobes"];
    let relative = lobes["total_relative"].as_f64().unwrap();
    assert!((relative - 0.02).abs() < 1e-5, "{relative}");
    // Each by itself to the last digit that the table keeps, 0.001 g.
    for key in ["least", "median", "most"] {
        let found = lobes["mass_relative"]["quantiles"][key].as_f64().unwrap();
        assert!((found - 0.02).abs() < 5e-5, "{key}: {found}");
    }
    assert_eq!(lobes["same"], 0);
    assert_eq!(
        told["products"]["rolls"]["same"],
        told["products"]["rolls"]["pairs"]
    );
    assert_eq!(told["all"]["volume_cm3"]["mean"], 0.0);
    // The days lie in one week.
    assert_eq!(told["weeks"].as_object().unwrap().len(), 1);
    // The heaviest piece moved most.
    let heaviest = told["most_moved"].as_array().unwrap().iter();
    let heaviest = heaviest
        .map(|pair| pair["mass_before_g"].as_f64().unwrap())
        .fold(0.0, f64::max);
    assert_eq!(
        told["most_moved"][0]["mass_before_g"].as_f64().unwrap(),
        heaviest
    );
    let mut reader = csv::Reader::from_path(archive.path("pairs.csv")).unwrap();
    let rows: Vec<csv::StringRecord> = reader.records().map(|row| row.unwrap()).collect();
    assert_eq!(rows.len() as u64, told["all"]["pairs"].as_u64().unwrap());
}

#[test]
fn verdicts_and_flags_that_change_are_counted() {
    let archive = Archive::new(9);
    archive.run("before", &[]);
    let path = archive.path("products/lobes.toml");
    let text = fs::read_to_string(&path).unwrap();
    fs::write(&path, format!("{text}\n[spec]\nmass_g = [0.0, 140.0]\n")).unwrap();
    archive.run("after", &[]);
    let told = json(&diff(&archive, &["before", "after", "--format", "json"]));
    let out = told["all"]["out_now"].as_u64().unwrap();
    assert!(out > 0);
    assert_eq!(told["all"]["in_now"], 0);
    assert_eq!(told["all"]["flags_gained"]["spec-mass"], out);
    let back = json(&diff(&archive, &["after", "before", "--format", "json"]));
    assert_eq!(back["all"]["in_now"], out);
    assert_eq!(back["all"]["flags_lost"]["spec-mass"], out);
}

#[test]
fn recordings_and_pieces_of_one_run_alone_are_named() {
    let archive = Archive::new(6);
    archive.run("before", &[]);
    fs::remove_dir_all(archive.scan(2, 0)).unwrap();
    archive.add(6);
    // Small pieces are no pieces any more.
    let name = "products/lobes.toml";
    let text = fs::read_to_string(archive.path(name)).unwrap();
    let line = text
        .lines()
        .find(|line| line.starts_with("min_area_cm2"))
        .unwrap();
    fs::write(
        archive.path(name),
        text.replace(line, "min_area_cm2 = 60.0"),
    )
    .unwrap();
    archive.run("after", &[]);
    let told = json(&diff(&archive, &["before", "after", "--format", "json"]));
    assert_eq!(told["only_before"], serde_json::json!(["r0002"]));
    assert_eq!(told["only_after"], serde_json::json!(["r0006"]));
    assert!(told["all"]["only_before"].as_u64().unwrap() > 0);
    assert_eq!(told["all"]["only_after"], 0);
}

#[test]
fn the_page_shows_the_pieces_that_moved_while_their_scans_are_there() {
    let archive = Archive::new(4);
    archive.run("before", &[]);
    // Another calibration: both profiles are still what they were.
    let scanner = archive.path("calibration/scanners/harbour-1");
    let old = fs::read_to_string(scanner.join("2026-01-01.toml")).unwrap();
    let new = old.replace("2026-01-01T00:00:00Z", "2026-02-01T00:00:00Z");
    let line = new
        .lines()
        .find(|line| line.starts_with("height_scale"))
        .unwrap()
        .to_owned();
    fs::write(
        scanner.join("2026-02-01.toml"),
        new.replacen(&line, "height_scale = 0.98", 1),
    )
    .unwrap();
    archive.run("after", &[]);
    let page = |name: &str| {
        let output = diff(
            &archive,
            &["before", "after", "--html", name, "--pictures", "2"],
        );
        ended(&output, 0);
        fs::read_to_string(archive.path(name)).unwrap()
    };
    let shown = page("shown.html");
    if let Some(folder) = std::env::var_os("PAGES") {
        fs::copy(
            archive.path("shown.html"),
            std::path::Path::new(&folder).join("diff.html"),
        )
        .unwrap();
    }
    assert_eq!(shown.matches("data:image/png;base64,").count(), 4);
    // The script of a page draws every figure of this class, each from its own data.
    let charts = shown.matches("<figure class=\"chart\">").count();
    assert_eq!(charts, 2);
    assert_eq!(
        shown.matches("<script type=\"application/json\">").count(),
        charts
    );
    assert!(shown.contains("calibration harbour-1 from 2026-02-01"));
    for number in 0..4 {
        for frame in 0..2 {
            let _ = fs::remove_dir_all(archive.scan(number, frame));
        }
    }
    let gone = page("gone.html");
    assert_eq!(gone.matches("data:image/png;base64,").count(), 0);
    assert_eq!(gone.matches("No picture:").count(), 4);
}

#[test]
fn pairs_go_into_parquet_with_their_units() {
    use parquet::file::reader::{FileReader, SerializedFileReader};
    let archive = Archive::new(3);
    archive.run("a", &[]);
    let output = diff(
        &archive,
        &["a", "a", "--out", "pairs.parquet", "--format", "json"],
    );
    let told = json(&output);
    let file = fs::File::open(archive.path("pairs.parquet")).unwrap();
    let reader = SerializedFileReader::new(file).unwrap();
    let rows = reader.metadata().file_metadata().num_rows();
    assert_eq!(rows, told["all"]["pairs"].as_i64().unwrap());
    ended(&diff(&archive, &["a", "a", "--out", "pairs.txt"]), 2);
}
