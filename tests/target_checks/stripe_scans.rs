//! Stripe scans of a target through the commands: the sample scan, as a camera with a known triangulation would have seen it.

use std::fs;
use std::path::Path;

use assert_cmd::Command;
use predicates::prelude::*;
use predicates::str::contains;
use weighlight::calibration::read_calibration;
use weighlight::scan::{Counts, HeightKind, HeightReader, HeightRows, read_scan, write_scan};

const PLATE: &str = "calibration/targets/plate-420x260.toml";
/// Height in the laser plane by the stripe's row: `z = TOP_MM − MM_PER_PX·row`.
const TOP_MM: f64 = 60.0;
const MM_PER_PX: f64 = 0.05;
const PX_PER_COUNT: f64 = 0.025;

fn weighlight() -> Command {
    let mut command = Command::cargo_bin("weighlight").unwrap();
    command.current_dir(env!("CARGO_MANIFEST_DIR"));
    command
}

/// Writes the sample scan as stripe rows, and a calibration that turns them back into its millimetres.
fn write(folder: &Path) {
    let sample = Path::new(env!("CARGO_MANIFEST_DIR")).join("calibration/target-checks/2026-03-04");
    let scan = read_scan(&sample).unwrap();
    let part = &scan.description.height;
    let mut reader = HeightReader::open(&scan).unwrap();
    let mut stripes = Vec::new();
    while let Some(rows) = reader.read(256).unwrap() {
        let Counts::U16(counts) = rows.counts else {
            panic!("the sample holds counts");
        };
        stripes.extend(counts.iter().map(|&count| {
            if Some(count) == part.invalid {
                return 0;
            }
            let z_mm = part.offset + part.scale * f64::from(count);
            ((TOP_MM - z_mm) / MM_PER_PX / PX_PER_COUNT).round() as u16
        }));
    }
    let mut description = scan.description.clone();
    description.scanner = "stripe-1".into();
    description.colour = None;
    description.height.kind = HeightKind::Stripe;
    description.height.scale = PX_PER_COUNT;
    description.height.offset = 0.0;
    description.height.invalid = Some(0);
    let rows = HeightRows {
        first_row: 0,
        columns: scan.columns,
        counts: Counts::U16(stripes),
    };
    write_scan(&folder.join("scan"), &description, &rows, None, None).unwrap();
    let (pitch, middle) = (part.pitch_across_mm, part.pitch_across_mm / 2.0);
    let calibration = format!(
        "format = \"weighlight-calibration/1\"\nscanner = \"stripe-1\"\nvalid_from = 2026-01-01T00:00:00Z\n\
         [errors]\nacross_scale = 1.0\nalong_scale = 1.0\nheight_scale = 1.0\nheight_offset_mm = 0.0\nroll_mrad = 0.0\n\
         pitch_mrad = 0.0\nbow_mm = 0.0\nskew_mrad = 0.0\nlean_mrad = 0.0\n\
         [triangulation]\ncamera_matrix = [[2000.0, 0.0, 749.5], [0.0, 2000.0, 800.0], [0.0, 0.0, 1.0]]\nk1 = 0.0\nk2 = 0.0\n\
         homography = [[{pitch}, 0.0, {middle}], [0.0, -{MM_PER_PX}, {TOP_MM:?}], [0.0, 0.0, 1.0]]\n"
    );
    fs::write(folder.join("known.toml"), calibration).unwrap();
}

#[test]
fn a_stripe_scan_is_checked_through_the_triangulation() {
    let folder = tempfile::tempdir().unwrap();
    write(folder.path());
    let drift = || {
        let mut command = weighlight();
        command.arg("drift").arg(folder.path().join("scan"));
        command.args(["--target", PLATE]);
        command
    };
    drift()
        .assert()
        .code(1)
        .stderr(contains("height.kind").and(contains("[triangulation]")));
    let out = folder.path().join("check.json");
    drift()
        .arg("--baseline")
        .arg(folder.path().join("known.toml"))
        .args(["--format", "json", "--out"])
        .arg(&out)
        .assert()
        .code(3);
    let report: weighlight::drift::DriftReport =
        serde_json::from_slice(&fs::read(&out).unwrap()).unwrap();
    let value = |name: &str| {
        let found = report.parameters.iter().find(|p| p.name == name).unwrap();
        found.value.unwrap()
    };
    // What the sample's scanner does to the truth, as its truth.csv says.
    assert!((value("across_scale") - 1.001).abs() < 5e-5);
    assert!((value("along_scale") - 0.998).abs() < 5e-5);
    assert!((value("height_scale") - 0.997).abs() < 1e-4);
    assert!((value("lean_mrad") - 2.0).abs() < 0.2);
}

#[test]
fn a_calibration_from_a_stripe_scan_takes_its_errors_into_the_triangulation() {
    let folder = tempfile::tempdir().unwrap();
    write(folder.path());
    let out = folder.path().join("new.toml");
    weighlight()
        .arg("calibrate")
        .arg(folder.path().join("scan"))
        .args(["--target", PLATE, "--scanner", "stripe-1"])
        .arg("--baseline")
        .arg(folder.path().join("known.toml"))
        .args(["--valid-from", "2026-03-05T00:00:00Z", "--out"])
        .arg(&out)
        .assert()
        .success();
    let new = read_calibration(&out).unwrap();
    assert!(new.triangulation.is_some());
    // Scales across and of height go into the homography; what the belt does along stays an error.
    assert!((new.errors.across_scale - 1.0).abs() < 2e-4);
    assert!((new.errors.height_scale - 1.0).abs() < 3e-4);
    assert!((new.errors.along_scale - 0.998).abs() < 1e-4);
}
