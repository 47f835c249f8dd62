//! Scanner calibrations: files, sets, and which one is in force.

use std::fs;
use std::path::Path;

use tempfile::TempDir;
use weighlight::calibration::{
    Calibration, CalibrationSet, Camera, CameraSide, ColourCalibration, ColourCamera,
    GeometricErrors, Laser, Provenance, Registration, Tolerances, Triangulation, read_calibration,
    write_calibration,
};

use crate::says;

fn full() -> Calibration {
    Calibration {
        scanner: "line-2".into(),
        valid_from: "2026-03-01T06:00:00Z".parse().expect("a time"),
        errors: GeometricErrors {
            across_scale: 1.001,
            along_scale: 0.9985,
            height_scale: 0.996,
            height_offset_mm: 0.12,
            roll_mrad: 1.5,
            pitch_mrad: -0.25,
            bow_mm: 0.3,
            skew_mrad: 2.0,
            lean_mrad: -4.0,
        },
        errors_u: GeometricErrors {
            height_scale: 4e-5,
            ..GeometricErrors::ZERO
        },
        colour: Some(ColourCalibration {
            matrix: [[1.02, -0.01, 0.0], [0.0, 1.0, 0.005], [0.01, 0.0, 0.97]],
            flat_field: [
                vec![0.9, 1.0, 0.92],
                vec![0.91, 1.0, 0.9],
                vec![0.9, 1.0, 0.9],
            ],
        }),
        registration: Registration {
            dx_mm: 0.02,
            dy_mm: -0.01,
        },
        colour_camera: Some(ColourCamera {
            height_mm: 1180.5,
            x_mm: 2.0,
            y_mm: -14.5,
        }),
        laser: Some(Laser {
            apex_height_mm: 612.5,
            apex_x_mm: 298.0,
        }),
        camera: Some(Camera {
            side: CameraSide::HighY,
            angle_deg: 30.0,
        }),
        triangulation: Some(Triangulation {
            camera_matrix: [
                [2910.0, 0.0, 1012.5],
                [0.0, 2905.0, 530.25],
                [0.0, 0.0, 1.0],
            ],
            k1: -0.21,
            k2: 0.09,
            homography: [
                [0.21, 0.003, -190.0],
                [0.002, -0.33, 160.0],
                [1e-6, 2.1e-4, 1.0],
            ],
        }),
        tolerances: Some(Tolerances {
            errors: GeometricErrors {
                across_scale: 0.002,
                along_scale: 0.002,
                height_scale: 0.002,
                height_offset_mm: 0.1,
                roll_mrad: 1.0,
                pitch_mrad: 1.0,
                bow_mm: 0.2,
                skew_mrad: 2.0,
                lean_mrad: 2.0,
            },
            de00: 2.0,
        }),
        provenance: Provenance {
            target: Some("frustum plate".into()),
            scans: vec!["a".into(), "b \"c\"".into()],
            note: Some("two\nlines".into()),
        },
    }
}

fn plain(scanner: &str, from: &str) -> Calibration {
    Calibration {
        scanner: scanner.into(),
        valid_from: from.parse().expect("a time"),
        errors: GeometricErrors::NONE,
        errors_u: GeometricErrors::ZERO,
        colour: None,
        registration: Registration::default(),
        camera: None,
        colour_camera: None,
        laser: None,
        triangulation: None,
        tolerances: None,
        provenance: Provenance::default(),
    }
}

fn write(root: &Path, file: &str, calibration: &Calibration) {
    let path = root.join(file);
    fs::create_dir_all(path.parent().expect("a folder")).expect("made");
    write_calibration(&path, calibration).expect("written");
}

#[test]
fn a_calibration_written_reads_back_the_same() {
    let folder = TempDir::new().expect("a folder");
    let path = folder.path().join("c.toml");
    for calibration in [full(), plain("s", "2026-01-01T00:00:00Z")] {
        write_calibration(&path, &calibration).expect("written");
        let text = fs::read(&path).expect("read");
        let back = read_calibration(&path).expect("read");
        assert_eq!(back, calibration);
        write_calibration(&path, &back).expect("written");
        assert_eq!(fs::read(&path).expect("read"), text);
    }
}

#[track_caller]
fn check(from: &str, to: &str, parts: &[&str]) {
    let folder = TempDir::new().expect("a folder");
    let path = folder.path().join("c.toml");
    write_calibration(&path, &full()).expect("written");
    let text = fs::read_to_string(&path).expect("read");
    assert!(text.contains(from), "{from:?} stands in the file:\n{text}");
    fs::write(&path, text.replacen(from, to, 1)).expect("written");
    says(&read_calibration(&path).expect_err(to), parts);
}

#[test]
fn values_no_instrument_has_are_refused_with_their_line() {
    check(
        "across_scale = 1.001",
        "across_scale = 0.0",
        &["c.toml:6: errors.across_scale", "0.5 to 2"],
    );
    check(
        "across_scale = 1.001",
        "across_scale = nan",
        &["c.toml:6: errors.across_scale"],
    );
    check(
        "across_scale = 1.001\n",
        "",
        &["c.toml:5: errors.across_scale: missing"],
    );
    check(
        "roll_mrad = 1.5",
        "roll_mrad = 1500.0",
        &["c.toml:10: errors.roll_mrad", "-300 to 300"],
    );
    check(
        "roll_mrad = 1.5",
        "rol_mrad = 1.5",
        &["c.toml:10: errors.rol_mrad", "did you mean 'roll_mrad'?"],
    );
    check("bow_mm = 0.3", "bow_mm = inf", &["errors.bow_mm", "finite"]);
    check(
        "height_scale = 4e-5",
        "height_scale = -4e-5",
        &["errors_u.height_scale"],
    );
    check(
        "[1.02, -0.01, 0.0]",
        "[0.0, 0.0, 0.0]",
        &["colour.matrix", "cannot be inverted"],
    );
    check("[1.02, -0.01, 0.0]", "[1.02, -0.01]", &["colour.matrix"]);
    check(
        "red = [0.9, 1.0, 0.92]",
        "red = [0.9, 1.0]",
        &["colour.flat_field.green: found 3 stations"],
    );
    check(
        "red = [0.9, 1.0, 0.92]",
        "red = [0.9, 0.0, 0.9]",
        &["colour.flat_field.red: found 0"],
    );
    check(
        "side = \"high-y\"",
        "side = \"high\"",
        &["camera.side", "high-y"],
    );
    check(
        "angle_deg = 30.0",
        "angle_deg = 90.0",
        &["camera.angle_deg", "less than 90"],
    );
    check(
        "[0.0, 0.0, 1.0]",
        "[0.0, 1.0, 1.0]",
        &["triangulation.camera_matrix"],
    );
    check("de00 = 2.0", "de00 = 0.0", &["tolerances.de00"]);
    check(
        "2026-03-01T06:00:00Z",
        "2026-03-01T06:00:00",
        &["c.toml:3: valid_from", "no offset"],
    );
}

#[test]
fn the_calibration_in_force_is_the_last_that_has_begun() {
    let root = TempDir::new().expect("a folder");
    let r = root.path();
    write(
        r,
        "scanners/a/2026-01-01.toml",
        &plain("a", "2026-01-01T00:00:00Z"),
    );
    write(
        r,
        "scanners/a/2026-02-01.toml",
        &plain("a", "2026-02-01T00:00:00Z"),
    );
    write(
        r,
        "scanners/b/2026-01-15.toml",
        &plain("b", "2026-01-15T00:00:00Z"),
    );
    fs::write(r.join("scanners/a/notes.txt"), "not a calibration").expect("written");
    for folder in [r.to_path_buf(), r.join("scanners")] {
        let set = CalibrationSet::read(&folder).expect("read");
        assert_eq!(set.iter().count(), 3);
        let from = |scanner: &str, at: &str| {
            set.in_force(scanner, at.parse().expect("a time"))
                .map(|c| c.valid_from.to_string())
        };
        assert_eq!(from("a", "2025-12-31T23:59:59.999Z"), None);
        assert_eq!(
            from("a", "2026-01-01T00:00:00Z").as_deref(),
            Some("2026-01-01T00:00:00Z")
        );
        assert_eq!(
            from("a", "2026-01-31T23:59:59Z").as_deref(),
            Some("2026-01-01T00:00:00Z")
        );
        assert_eq!(
            from("a", "2026-02-01T00:00:00Z").as_deref(),
            Some("2026-02-01T00:00:00Z")
        );
        assert_eq!(
            from("a", "2030-01-01T00:00:00Z").as_deref(),
            Some("2026-02-01T00:00:00Z")
        );
        assert_eq!(from("b", "2026-01-14T00:00:00Z"), None);
        assert_eq!(from("c", "2026-01-15T00:00:00Z"), None);
    }
}

#[test]
fn two_of_one_scanner_at_one_time_are_an_error_that_names_both() {
    let root = TempDir::new().expect("a folder");
    write(root.path(), "a/1.toml", &plain("a", "2026-01-01T00:00:00Z"));
    write(root.path(), "a/2.toml", &plain("a", "2026-01-01T00:00:00Z"));
    says(
        &CalibrationSet::read(root.path()).expect_err("two"),
        &["1.toml", "2.toml", "valid_from", "2026-01-01T00:00:00Z"],
    );
    let mut set = CalibrationSet::default();
    set.insert(plain("a", "2026-01-01T00:00:00Z"))
        .expect("the first");
    says(
        &set.insert(plain("a", "2026-01-01T00:00:00Z"))
            .expect_err("the second"),
        &["two calibrations", "\"a\""],
    );
}

#[test]
fn a_calibration_in_another_scanners_folder_is_an_error() {
    let root = TempDir::new().expect("a folder");
    write(root.path(), "b/1.toml", &plain("a", "2026-01-01T00:00:00Z"));
    says(
        &CalibrationSet::read(root.path()).expect_err("misplaced"),
        &["1.toml: scanner: found \"a\"", "folder"],
    );
    says(
        &CalibrationSet::read(&root.path().join("absent")).expect_err("no folder"),
        &["absent"],
    );
}
