//! Reference targets: what is read, what is refused, and why.

use std::fs;
use std::path::Path;

use weighlight::calibration::{read_target, write_target};

use crate::says;

const PLATE: &str = r#"format = "weighlight-target/1"
name = "test plate"
u_mm = 0.004
certificate = "K-0815"
temperature_c = 20.0
expansion_per_k = 23e-6

[plate]
across_mm = 300.0
along_mm = 200.0
thickness_mm = 12.0

[[frustum]]
x_mm = 45.0
y_mm = 45.0
base_mm = 50.0
top_mm = 26.0
height_mm = 15.0

[[step]]
x_mm = 120.0
y_mm = 100.0
across_mm = 40.0
along_mm = 60.0
height_mm = 5.0

[[step]]
x_mm = 160.0
y_mm = 100.0
across_mm = 40.0
along_mm = 60.0
height_mm = 10.0

[[sphere]]
x_mm = 250.0
y_mm = 100.0
radius_mm = 25.0
centre_height_mm = -5.0

[[patch]]
x_mm = 50.0
y_mm = 150.0
size_mm = 26.0
lab = [96.0, 0.0, 2.0]
"#;

/// What reading the plate with one text changed says.
#[track_caller]
fn changed(from: &str, to: &str) -> weighlight::Error {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("plate.toml");
    assert!(PLATE.contains(from), "{from}");
    fs::write(&path, PLATE.replacen(from, to, 1)).expect("written");
    read_target(&path).expect_err("it is wrong")
}

#[test]
fn a_target_is_read_and_written_back_to_the_same_values() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("plate.toml");
    fs::write(&path, PLATE).expect("written");
    let target = read_target(&path).expect("it is right");
    assert_eq!(target.name, "test plate");
    assert_eq!(target.certificate.as_deref(), Some("K-0815"));
    assert_eq!(
        (
            target.frustums.len(),
            target.steps.len(),
            target.spheres.len(),
            target.patches.len()
        ),
        (1, 2, 1, 1)
    );
    assert_eq!(target.height_mm(250.0, 100.0), Some(32.0));
    assert_eq!(target.height_mm(160.0, 100.0), Some(22.0));
    let again = folder.path().join("again.toml");
    write_target(&again, &target).expect("written");
    assert_eq!(read_target(&again).expect("it is right"), target);
}

#[test]
fn the_target_that_comes_along_is_right() {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("calibration/targets/plate-420x260.toml");
    let target = read_target(&path).expect("it is right");
    assert_eq!(target.frustums.len(), 10);
}

#[test]
fn contradictions_are_named_with_line_and_key() {
    for (from, to, wanted) in [
        (
            "x_mm = 45.0",
            "x_mm = 24.0",
            &[
                "plate.toml:14: frustum[0].x_mm",
                "-1 to 49 mm",
                "0 to 300 mm",
            ][..],
        ),
        (
            "top_mm = 26.0",
            "top_mm = 50.0",
            &["frustum[0].top_mm", "found 50, on a base of 50", "[[step]]"],
        ),
        (
            "height_mm = 15.0",
            "height_mm = 0.0",
            &["frustum[0].height_mm", "greater than 0"],
        ),
        (
            "height_mm = 15.0",
            "height_mm = -3.0",
            &["frustum[0].height_mm", "found -3"],
        ),
        (
            "x_mm = 160.0",
            "x_mm = 159.0",
            &["step[1]", "lies partly on step[0]"],
        ),
        (
            "x_mm = 50.0\ny_mm = 150.0",
            "x_mm = 92.0\ny_mm = 140.0",
            &["patch[0]", "lies partly on step[0]"],
        ),
        (
            "x_mm = 250.0",
            "x_mm = 204.0",
            &["sphere[0]", "lies partly on step[1]"],
        ),
        (
            "centre_height_mm = -5.0",
            "centre_height_mm = -25.0",
            &["sphere[0].centre_height_mm", "rises above"],
        ),
        (
            "thickness_mm = 12.0",
            "thickness_mm = nan",
            &["plate.thickness_mm", "found NaN"],
        ),
        (
            "u_mm = 0.004",
            "u_mm = 4.0",
            &["plate.toml:3: u_mm", "from 0 to 1"],
        ),
        (
            "expansion_per_k = 23e-6",
            "expansion_per_k = 23.0",
            &["expansion_per_k", "0.001"],
        ),
        (
            "lab = [96.0, 0.0, 2.0]",
            "lab = [960.0, 0.0, 2.0]",
            &["patch[0].lab", "found 960"],
        ),
        (
            "base_mm = 50.0",
            "bas_mm = 50.0",
            &["unknown key 'bas_mm'", "did you mean 'base_mm'?"],
        ),
        (
            "weighlight-target/1",
            "weighlight-scan/1",
            &["format", "weighlight-target/1"],
        ),
    ] {
        let text = changed(from, to).to_string();
        for part in wanted {
            assert!(text.contains(part), "{to}: {text} lacks {part}");
        }
    }
}

#[test]
fn a_bare_plate_is_no_target() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("plate.toml");
    let bare = PLATE.split("[[frustum]]").next().expect("a start");
    fs::write(&path, bare).expect("written");
    let error = read_target(&path).expect_err("nothing to find it by");
    says(
        &error,
        &[
            "plate.toml:8: plate",
            "without a frustum, a step or a sphere",
        ],
    );
}
