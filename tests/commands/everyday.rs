//! The whole program, run as its users run it.

use std::path::{Path, PathBuf};

use assert_cmd::Command;
use predicates::prelude::*;
use predicates::str::contains;
use tempfile::TempDir;
use weighlight::tables::read_pieces;

use crate::weighlight;

/// A small simulated recording in three frames of 8 pieces at most.
struct Demo {
    folder: TempDir,
}

impl Demo {
    fn new() -> Self {
        let folder = tempfile::tempdir().unwrap();
        let demo = Self { folder };
        weighlight()
            .args([
                "simulate",
                "belly-strips",
                "--seed",
                "5",
                "--length-mm",
                "420",
            ])
            .args(["--frames", "3", "--pieces", "8", "--out"])
            .arg(demo.path("archive"))
            .assert()
            .success()
            .stdout(contains("in 3 frames of belly-strips, seed 5"));
        demo
    }

    fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    fn measure(&self) -> Command {
        let mut command = weighlight();
        command
            .arg("measure")
            .arg(self.path("archive"))
            .arg("--products")
            .arg(self.path("archive/products"))
            .arg("--calibrations")
            .arg(self.path("archive/calibration"));
        command
    }

    /// The frames' folders in order.
    fn frames(&self) -> Vec<PathBuf> {
        let mut frames: Vec<PathBuf> = std::fs::read_dir(self.path("archive"))
            .unwrap()
            .map(|entry| entry.unwrap().path())
            .filter(|path| path.join("scan.toml").exists())
            .collect();
        frames.sort();
        frames
    }
}

fn edit(path: &Path, from: &str, to: &str) {
    let text = std::fs::read_to_string(path).unwrap();
    assert!(text.contains(from), "{from} is not in {}", path.display());
    std::fs::write(path, text.replacen(from, to, 1)).unwrap();
}

#[test]
fn help_says_what_it_does_and_that_weights_are_not_legal_for_trade() {
    weighlight()
        .arg("--help")
        .assert()
        .code(0)
        .stdout(contains("measure").and(contains("inspect")))
        .stdout(contains("not").and(contains("legal for trade")))
        .stdout(contains("Exit codes:"));
    for command in [
        "measure",
        "reprocess",
        "merge",
        "summary",
        "diff",
        "inspect",
        "drift",
        "calibrate",
        "simulate",
        "score",
    ] {
        weighlight()
            .args([command, "--help"])
            .assert()
            .code(0)
            .stdout(contains("Example"));
    }
}

#[test]
fn wrong_usage_exits_2_and_says_so_on_standard_error() {
    for arguments in [
        &[][..],
        &["weigh"],
        &["measure"],
        &["measure", "scans"],
        &["measure", "scans", "--product", "a.toml", "--products", "b"],
        &[
            "measure",
            "scans",
            "--product",
            "a.toml",
            "--out",
            "pieces.xls",
        ],
        &[
            "measure",
            "scans",
            "--product",
            "a.toml",
            "--out",
            "a.csv",
            "--format",
            "json",
        ],
        &["measure", "scans", "--product", "a.toml", "--threads", "0"],
        &["simulate", "lobes", "--out", "x"],
        &["inspect", "scans", "--format", "parquet"],
    ] {
        weighlight()
            .args(arguments)
            .assert()
            .code(2)
            .stdout("")
            .stderr(contains("Usage").or(contains("error:")));
    }
}

#[test]
fn a_missing_file_exits_1_and_is_named() {
    weighlight()
        .args([
            "measure",
            "no-such-scan",
            "--product",
            "no-such-profile.toml",
        ])
        .assert()
        .code(1)
        .stdout("")
        .stderr(contains("no-such-profile.toml"));
    weighlight()
        .args(["inspect", "no-such-scan"])
        .assert()
        .code(1)
        .stderr(contains("error: no-such-scan").and(contains("expected a scan folder")));
    weighlight()
        .args(["score", "no-such.csv", "truth.csv"])
        .assert()
        .code(1)
        .stderr(contains("no-such.csv"));
}

#[test]
fn an_unknown_scenario_is_named_with_the_known_ones() {
    weighlight()
        .args(["simulate", "sausages", "--out", "x", "--seed", "1"])
        .assert()
        .code(2)
        .stdout("")
        .stderr(contains("sausages").and(contains("belly-strips")));
}

#[test]
fn absurd_numbers_are_wrong_usage_and_said_in_their_units() {
    let simulate = ["simulate", "lobes", "--out", "x", "--seed", "1"];
    for (option, value, expected) in [
        ("--length-mm", "-5", "10 to 100000 mm"),
        ("--length-mm", "NaN", "10 to 100000 mm"),
        ("--noise-mm", "1e30", "0 to 10 mm"),
        ("--noise-mm", "-1", "0 to 10 mm"),
        ("--camera-deg", "90", "0 to below 80 degrees"),
        ("--camera-deg", "inf", "0 to below 80 degrees"),
    ] {
        weighlight()
            .args(simulate)
            .args([option, value])
            .assert()
            .code(2)
            .stderr(contains(option).and(contains(expected)));
    }
    for value in ["NaN", "-1", "inf"] {
        weighlight()
            .args(["score", "a.csv", "truth.csv", "--within-mm", value])
            .assert()
            .code(2)
            .stderr(contains("0 to 1000000 mm"));
    }
}

#[test]
fn a_recording_too_long_or_cut_too_often_is_refused_before_it_is_made() {
    let folder = tempfile::tempdir().unwrap();
    for (option, value, told) in [
        ("--length-mm", "100000", "4e8 samples"),
        ("--frames", "4000000000", "2500 rows"),
    ] {
        weighlight()
            .args(["simulate", "lobes", "--seed", "1", option, value, "--out"])
            .arg(folder.path().join("x"))
            .assert()
            .code(1)
            .stderr(contains(told));
    }
    assert!(!folder.path().join("x").exists());
}

#[test]
fn a_simulation_does_not_mix_with_what_is_there() {
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("notes.txt"), "mine").unwrap();
    weighlight()
        .args(["simulate", "lobes", "--seed", "1", "--length-mm", "100"])
        .arg("--out")
        .arg(folder.path())
        .assert()
        .code(1)
        .stderr(contains("not empty"));
    assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 1);
}

#[test]
fn places_to_read_and_write_are_checked_before_the_work() {
    let demo = Demo::new();
    let file = demo.path("file");
    std::fs::write(&file, "").unwrap();
    let archive = demo.path("archive");
    let products = demo.path("archive/products");
    for (arguments, told) in [
        (vec!["--products", "no-such"], "folder of product profiles"),
        (
            vec!["--products", file.to_str().unwrap()],
            "folder of product profiles",
        ),
        (
            vec!["--product", products.to_str().unwrap()],
            "--products takes a folder",
        ),
    ] {
        weighlight()
            .arg("measure")
            .arg(&archive)
            .args(arguments)
            .assert()
            .code(1)
            .stdout("")
            .stderr(contains(told).and(contains("warning").not()));
    }
    for (option, value, told) in [
        ("--calibrations", "file", "folder of scanner calibrations"),
        ("--out", "no-such/pieces.csv", "make it first"),
        ("--out", "folder.csv", "name of a file"),
        ("--pictures", "file", "expected a folder"),
    ] {
        std::fs::create_dir_all(demo.path("folder.csv")).unwrap();
        let mut command = weighlight();
        command.arg("measure").arg(&archive);
        command.arg("--products").arg(&products);
        command.arg(option).arg(demo.path(value));
        command
            .assert()
            .code(1)
            .stdout("")
            .stderr(contains(told).and(contains("warning").not()));
    }
    weighlight()
        .args(["inspect", "--picture", "heights.jpg"])
        .arg(&archive)
        .assert()
        .code(2)
        .stderr(contains(".png"));
}

#[test]
fn a_score_without_pairs_shows_no_numbers_and_an_empty_truth_is_an_error() {
    let demo = Demo::new();
    let table = demo.path("pieces.csv");
    demo.measure().arg("--out").arg(&table).assert().code(0);
    let truth = std::fs::read_to_string(demo.path("archive/truth.csv")).unwrap();
    let header = demo.path("header.csv");
    std::fs::write(&header, truth.lines().next().unwrap()).unwrap();
    weighlight()
        .arg("score")
        .args([&table, &header])
        .assert()
        .code(3)
        .stdout(contains("0 pieces paired").and(contains("0.00").not()));
    let empty = demo.path("empty.csv");
    std::fs::write(&empty, "").unwrap();
    weighlight()
        .arg("score")
        .args([&table, &empty])
        .assert()
        .code(1)
        .stderr(contains("empty.csv: the file is empty"));
    weighlight()
        .arg("score")
        .args([&table, &table])
        .assert()
        .code(1)
        .stderr(contains("missing field").and(contains("pieces.csv:2:")));
}

/// The archive that comes with the program.
#[test]
fn the_sample_scans_are_sound_and_measured_within_their_specs() {
    weighlight()
        .args(["inspect", "sample-scans", "--calibrations", "calibration"])
        .assert()
        .code(0)
        .stdout(contains("6 of 6 scans sound"));
    let folder = tempfile::tempdir().unwrap();
    let table = folder.path().join("pieces.csv");
    weighlight()
        .args(["measure", "sample-scans", "--products"])
        .args(["sample-scans/products", "--calibrations", "calibration"])
        .arg("--out")
        .arg(&table)
        .assert()
        .code(0)
        .stderr("");
    let pieces = read_pieces(&table).unwrap();
    let of = |recording: &str| pieces.iter().filter(|p| p.recording == recording).count();
    let counts = ["belly-strips-11", "fillets-12", "food-models", "rolls-13"].map(of);
    assert_eq!(counts, [8, 3, 6, 4]);
    let origin = std::fs::read_to_string(folder.path().join("pieces.csv.provenance.json")).unwrap();
    // Of the two calibrations of this scanner the later one was in force.
    assert!(origin.contains("2026-03-01T06:00:00Z"), "{origin}");
    assert!(origin.contains("\"colour_lossy\": true"), "{origin}");
}

#[test]
fn simulated_pieces_are_found_again_with_their_mass() {
    let demo = Demo::new();
    let table = demo.path("pieces.csv");
    demo.measure()
        .arg("--out")
        .arg(&table)
        .assert()
        .code(0)
        .stdout("");
    let pieces = read_pieces(&table).unwrap();
    assert!(!pieces.is_empty());
    let text = std::fs::read_to_string(demo.path("archive/truth.csv")).unwrap();
    assert_eq!(pieces.len(), text.lines().count() - 1);
    let output = weighlight()
        .arg("score")
        .arg(&table)
        .arg(demo.path("archive/truth.csv"))
        .args(["--format", "json"])
        .assert()
        .code(0)
        .get_output()
        .stdout
        .clone();
    let score: serde_json::Value = serde_json::from_slice(&output).unwrap();
    assert_eq!(score["paired"], pieces.len());
    assert!(score["errors"]["mass"]["mean"].as_f64().unwrap().abs() < 0.01);
    assert!(score["errors"]["mass"]["worst"].as_f64().unwrap().abs() < 0.02);
}

#[test]
fn csv_parquet_and_json_hold_the_same_pieces() {
    let demo = Demo::new();
    for name in ["pieces.csv", "pieces.parquet", "pieces.json", "pieces.txt"] {
        demo.measure()
            .arg("--out")
            .arg(demo.path(name))
            .assert()
            .code(0);
    }
    let csv = read_pieces(&demo.path("pieces.csv")).unwrap();
    assert_eq!(csv, read_pieces(&demo.path("pieces.parquet")).unwrap());
    let json: serde_json::Value =
        serde_json::from_slice(&std::fs::read(demo.path("pieces.json")).unwrap()).unwrap();
    let masses: Vec<f64> = json["pieces"]
        .as_array()
        .unwrap()
        .iter()
        .map(|piece| piece["mass_g"].as_f64().unwrap())
        .collect();
    assert_eq!(
        masses,
        csv.iter().map(|piece| piece.mass_g).collect::<Vec<_>>()
    );
    let beside = std::fs::read(demo.path("pieces.csv.provenance.json")).unwrap();
    let beside: serde_json::Value = serde_json::from_slice(&beside).unwrap();
    assert_eq!(beside["recordings"], json["provenance"]["recordings"]);
    let product = &beside["recordings"][0]["product"];
    let profile = std::fs::read(demo.path("archive/products/belly-strips.toml")).unwrap();
    assert_eq!(product["blake3"], blake3::hash(&profile).to_hex().as_str());
}

#[test]
fn the_number_of_threads_changes_no_byte() {
    let demo = Demo::new();
    let csv = |threads: &str| {
        let run = demo
            .measure()
            .args(["--format", "csv", "--threads", threads])
            .assert()
            .code(0);
        run.get_output().stdout.clone()
    };
    let one = csv("1");
    assert!(one.len() > 500);
    assert!(one == csv("2"));
    assert!(one == csv("7"));
}

#[test]
fn without_a_calibration_the_table_says_that_the_scan_was_taken_as_true() {
    let demo = Demo::new();
    weighlight()
        .arg("measure")
        .arg(demo.path("archive"))
        .arg("--product")
        .arg(demo.path("archive/products/belly-strips.toml"))
        .assert()
        .code(0)
        .stdout(contains("calibration none: taken as true"))
        .stderr(contains("no calibration of scanner harbour-1 is in force"));
}

#[test]
fn a_damaged_frame_is_listed_and_the_others_are_measured() {
    let demo = Demo::new();
    let last = demo.frames().pop().unwrap();
    edit(&last.join("scan.toml"), "pitch_across_mm", "pitch_acros_mm");
    demo.measure()
        .assert()
        .code(4)
        .stdout(contains("not measured (1):").and(contains("pitch_acros_mm")))
        .stdout(contains("mass"))
        .stderr(contains("scan.toml:").and(contains("pitch_across_mm")));
    for frame in demo.frames() {
        std::fs::write(frame.join("scan.toml"), "format = 3\n").unwrap();
    }
    demo.measure()
        .assert()
        .code(1)
        .stdout("")
        .stderr(contains("nothing could be measured"));
}

#[test]
fn a_height_frame_that_breaks_off_is_rejected_and_the_rest_measured() {
    let demo = Demo::new();
    let height = demo.frames()[2].join("height.png");
    let bytes = std::fs::read(&height).unwrap();
    std::fs::write(&height, &bytes[..bytes.len() * 2 / 3]).unwrap();
    demo.measure()
        .args(["--format", "json"])
        .assert()
        .code(4)
        .stdout(contains("\"rejected\"").and(contains("height.png")));
    weighlight()
        .arg("inspect")
        .arg(demo.path("archive"))
        .assert()
        .code(4)
        .stdout(contains("2 of 3 scans sound, 1 could not be read"));
}

#[test]
fn a_missed_spec_exits_3_and_rejected_inputs_come_before_it() {
    let demo = Demo::new();
    let profile = demo.path("archive/products/belly-strips.toml");
    let mut text = std::fs::read_to_string(&profile).unwrap();
    text.push_str("\n[spec]\nmass_g = [1.0, 2.0]\n");
    std::fs::write(&profile, text).unwrap();
    demo.measure()
        .assert()
        .code(3)
        .stdout(contains("spec-mass"));
    let last = demo.frames().pop().unwrap();
    std::fs::write(last.join("scan.toml"), "").unwrap();
    demo.measure()
        .assert()
        .code(4)
        .stdout(contains("spec-mass"));
}

#[test]
fn a_scan_that_names_no_known_product_is_rejected_with_the_nearest() {
    let demo = Demo::new();
    for frame in demo.frames() {
        edit(
            &frame.join("scan.toml"),
            "product = \"belly-strips\"",
            "product = \"belly-strip\"",
        );
    }
    demo.measure()
        .assert()
        .code(1)
        .stderr(contains("belly-strip").and(contains("belly-strips")));
}

#[test]
fn pictures_of_every_frame_are_written() {
    let demo = Demo::new();
    demo.measure()
        .arg("--pictures")
        .arg(demo.path("seen"))
        .assert()
        .code(0);
    for frame in demo.frames() {
        let scan = frame.file_name().unwrap().to_string_lossy().into_owned();
        for kind in ["height", "pieces"] {
            let picture = image::open(demo.path(&format!("seen/{scan}.{kind}.png"))).unwrap();
            assert!(picture.width() > 600);
        }
    }
    weighlight()
        .arg("inspect")
        .arg(demo.frames().remove(0))
        .arg("--picture")
        .arg(demo.path("one.png"))
        .assert()
        .code(0)
        .stdout(contains(": sound\n").and(contains("noise 0.0")));
    assert!(image::open(demo.path("one.png")).is_ok());
}

#[test]
fn inspect_tells_programs_the_same_in_json_and_csv() {
    let demo = Demo::new();
    let run = |format: &str| {
        let run = weighlight()
            .arg("inspect")
            .arg(demo.path("archive"))
            .args(["--format", format])
            .assert()
            .code(0);
        String::from_utf8(run.get_output().stdout.clone()).unwrap()
    };
    let json: serde_json::Value = serde_json::from_str(&run("json")).unwrap();
    let text = run("csv");
    let mut csv = csv::Reader::from_reader(text.as_bytes());
    let names = csv.headers().unwrap().clone();
    let column = names.iter().position(|name| name == "noise_mm").unwrap();
    let rows: Vec<_> = csv.records().map(|row| row.unwrap()).collect();
    assert_eq!(rows.len(), 3);
    for (row, scan) in rows.iter().zip(json["scans"].as_array().unwrap()) {
        // The simulated scanner's noise is 0.05 mm.
        let noise_mm: f64 = row[column].parse().unwrap();
        assert!((noise_mm - 0.05).abs() < 0.005, "{noise_mm}");
        assert_eq!(scan["noise_mm"].as_f64().unwrap(), noise_mm);
        assert_eq!(scan["verdict"], "sound");
    }
}

#[test]
fn a_scan_without_belt_or_return_is_not_sound() {
    let demo = Demo::new();
    let frame = demo.frames().remove(0);
    let height = frame.join("height.png");
    let size = image::open(&height).unwrap();
    let blank = image::ImageBuffer::<image::Luma<u16>, _>::new(size.width(), size.height());
    blank.save(&height).unwrap();
    weighlight()
        .arg("inspect")
        .arg(&frame)
        .assert()
        .code(3)
        .stdout(contains("not sound").and(contains("no belt was seen")));
}

#[test]
fn packed_recordings_measure_to_the_same_table_and_unpack_again() {
    let demo = Demo::new();
    weighlight()
        .arg("pack")
        .arg(demo.path("archive"))
        .arg("--out")
        .arg(demo.path("packed"))
        .assert()
        .success()
        .stdout(contains("packed 1 recording, 3 scans"))
        .stdout(contains("all read back and compared"));
    let table = |archive: &str| {
        let mut command = weighlight();
        command.arg("measure").arg(demo.path(archive));
        command.arg("--products").arg(demo.path("archive/products"));
        command
            .arg("--calibrations")
            .arg(demo.path("archive/calibration"));
        command.args(["--format", "csv"]).output().unwrap().stdout
    };
    let before = table("archive");
    assert!(before.len() > 1000);
    assert!(before == table("packed"));
    weighlight()
        .arg("unpack")
        .arg(demo.path("packed"))
        .arg("--out")
        .arg(demo.path("again"))
        .assert()
        .success()
        .stdout(contains("unpacked 3 scans"));
    assert!(before == table("again"));
    // A second time nothing is written over.
    for (command, from, to) in [("pack", "archive", "packed"), ("unpack", "packed", "again")] {
        weighlight()
            .arg(command)
            .arg(demo.path(from))
            .arg("--out")
            .arg(demo.path(to))
            .assert()
            .code(1)
            .stderr(contains("something of that name"));
    }
    weighlight()
        .arg("unpack")
        .arg(demo.path("archive"))
        .arg("--out")
        .arg(demo.path("none"))
        .assert()
        .code(1)
        .stderr(contains("unpack takes packs"));
}

#[test]
fn a_reader_that_goes_away_is_no_error() {
    use std::io::Read;
    use std::process::Stdio;
    let demo = Demo::new();
    let mut child = std::process::Command::new(env!("CARGO_BIN_EXE_weighlight"))
        .args(["measure", "--format", "json", "--products"])
        .arg(demo.path("archive/products"))
        .arg("--calibrations")
        .arg(demo.path("archive/calibration"))
        .arg(demo.path("archive"))
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    drop(child.stdout.take());
    let mut errors = String::new();
    child
        .stderr
        .take()
        .unwrap()
        .read_to_string(&mut errors)
        .unwrap();
    assert_eq!(child.wait().unwrap().code(), Some(0), "{errors}");
    assert!(!errors.contains("panicked"), "{errors}");
}
