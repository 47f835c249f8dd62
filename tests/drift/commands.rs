//! `weighlight drift` and `weighlight calibrate` as their users run them, and measuring with what they made.

use std::path::{Path, PathBuf};

use assert_cmd::Command;
use predicates::str::contains;
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use tempfile::TempDir;
use weighlight::calibration::{
    GeometricErrors, Target, read_calibration, read_target, write_target,
};
use weighlight::drift::{DriftReport, Verdict, errors_to_list};
use weighlight::scan::{
    Counts, HeightKind, HeightPart, HeightRows, Profiles, ProfilesPart, ScanDescription, write_scan,
};

use crate::generator::{COUNT_MM, OFFSET_MM, Scene, drawn_scene, pose_at};
use crate::plate;

fn weighlight() -> Command {
    Command::cargo_bin("weighlight").expect("the program")
}

fn target_file() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("calibration/targets/plate-420x260.toml")
}

fn write(folder: &Path, id: &str, scene: &Scene, seed: u64) {
    // An encoder that did not start at zero.
    let profiles = (scene.uneven_mm != 0.0).then(|| Profiles {
        encoder_mm: (0..scene.rows)
            .map(|row| 7000.0 + scene.row_mm(row))
            .collect(),
        time: None,
    });
    let description = ScanDescription {
        id: id.to_string(),
        captured: "2026-03-01T05:40:00Z".parse().expect("a time"),
        scanner: "line-2".to_string(),
        product: None,
        recording: None,
        lanes: None,
        belt_speed_mm_s: None,
        product_temperature_c: None,
        height: HeightPart {
            kind: HeightKind::Range,
            file: "height.png".into(),
            pitch_across_mm: scene.pitch[0],
            pitch_along_mm: scene.pitch[1],
            scale: COUNT_MM,
            offset: OFFSET_MM,
            invalid: Some(0),
            first_profile: 0,
        },
        views: Vec::new(),
        colour: None,
        profiles: profiles.is_some().then(|| ProfilesPart {
            file: "profiles.csv".into(),
        }),
    };
    let rows = HeightRows {
        first_row: 0,
        columns: scene.columns,
        counts: Counts::U16(scene.counts(seed)),
    };
    write_scan(folder, &description, &rows, None, profiles.as_ref()).expect("written");
}

/// Target scans at several turns of one scanner with errors.
fn target_scans(folder: &Path, errors: GeometricErrors, yaws: &[f64]) -> Vec<PathBuf> {
    let target = plate();
    yaws.iter()
        .enumerate()
        .map(|(i, &yaw)| {
            let seed = 60 + i as u64;
            let mut scene = drawn_scene(&target, &mut ChaCha8Rng::seed_from_u64(seed));
            scene.errors = errors;
            scene.camera = Some((1.0, 25.0));
            scene.targets[0].1 = pose_at(&target, [300.0, 210.0], yaw);
            let path = folder.join(format!("target-{i}"));
            write(&path, &format!("target-{i}"), &scene, seed);
            path
        })
        .collect()
}

fn report(scan: &Path, more: &[&str], code: i32) -> DriftReport {
    let run = weighlight()
        .arg("drift")
        .arg(scan)
        .arg("--target")
        .arg(target_file())
        .args(["--format", "json"])
        .args(more)
        .assert()
        .code(code);
    serde_json::from_slice(&run.get_output().stdout).expect("a report")
}

const MOVED: GeometricErrors = GeometricErrors {
    across_scale: 1.0004,
    along_scale: 1.0031,
    height_scale: 0.9965,
    height_offset_mm: 0.05,
    roll_mrad: 2.5,
    pitch_mrad: -0.4,
    bow_mm: 0.05,
    skew_mrad: 1.0,
    lean_mrad: -1.5,
};

#[test]
fn a_check_says_what_moved_and_exits_by_its_verdict() {
    let folder = TempDir::new().expect("a folder");
    let scan = target_scans(folder.path(), MOVED, &[0.6]).remove(0);
    let found = report(&scan, &[], 3);
    assert_eq!(found.verdict, Verdict::OutOfTolerance);
    assert_eq!(found.compared_with, "a perfect scanner");
    let out: Vec<&str> = found
        .parameters
        .iter()
        .filter(|p| p.verdict == Verdict::OutOfTolerance)
        .map(|p| p.name.as_str())
        .collect();
    assert_eq!(out, ["along_scale", "height_scale", "roll_mrad"]);
    let says = |part: &str| found.findings.iter().any(|f| f.contains(part));
    assert!(
        says("scale along the belt +0.310 %") && says("encoder"),
        "{:#?}",
        found.findings
    );
    assert!(
        says("knocked camera bracket") && says("6 of 9"),
        "{:#?}",
        found.findings
    );
    assert!(found.cautions.iter().any(|c| c.contains("lock out")));
    assert_eq!(found.inputs.len(), 3);
    assert!(found.inputs.iter().all(|input| input.blake3.len() == 64));
    weighlight()
        .arg("drift")
        .arg(&scan)
        .arg("--target")
        .arg(target_file())
        .assert()
        .code(3)
        .stdout(contains("scanner line-2: OUT OF TOLERANCE"))
        .stdout(contains("along_scale"))
        .stdout(contains("caution:"));
    weighlight()
        .arg("drift")
        .arg(&scan)
        .arg("--target")
        .arg(target_file())
        .args(["--format", "csv"])
        .assert()
        .code(3)
        .stdout(contains("scanner,scan,target,captured,name,value,u,"));
}

/// A belt that runs unevenly, with an encoder record: each row lies where the record says.
#[test]
fn an_encoder_record_is_followed() {
    let folder = TempDir::new().expect("a folder");
    let target = plate();
    let mut scene = drawn_scene(&target, &mut ChaCha8Rng::seed_from_u64(90));
    scene.errors = MOVED;
    scene.uneven_mm = 2.0;
    scene.targets[0].1 = pose_at(&target, [300.0, 210.0], 0.8);
    let scan = folder.path().join("uneven");
    write(&scan, "uneven", &scene, 90);
    let found = report(&scan, &[], 3);
    for (parameter, truth) in found.parameters.iter().zip(errors_to_list(&MOVED)) {
        let (value, u) = (parameter.value.expect("told"), parameter.u.expect("told"));
        assert!((value - truth).abs() < 4.0 * u, "{parameter:?} for {truth}");
    }
}

/// From scans to a calibration, to checks against it, to a true volume.
#[test]
fn calibrate_then_check_then_measure() {
    let folder = TempDir::new().expect("a folder");
    let at = |name: &str| folder.path().join(name);
    let scans = target_scans(folder.path(), MOVED, &[0.1, 1.7, 3.0]);
    weighlight()
        .arg("calibrate")
        .args(&scans)
        .arg("--target")
        .arg(target_file())
        .args([
            "--scanner",
            "line-2",
            "--valid-from",
            "2026-03-01T05:00:00Z",
        ])
        .args(["--note", "after the new belt", "--out"])
        .arg(at("calibration"))
        .assert()
        .code(0)
        .stdout(contains("from 3 scans of frustum plate 420 x 260"));
    let file = at("calibration/line-2/2026-03-01.toml");
    let calibration = read_calibration(&file).expect("it reads");
    let (found, truth) = (errors_to_list(&calibration.errors), errors_to_list(&MOVED));
    let us = errors_to_list(&calibration.errors_u);
    // The plate is as its file says and the file's u_mm of 0.005 mm is in the uncertainties.
    for i in 0..9 {
        let off = (found[i] - truth[i]).abs();
        assert!(off < 3.0 * us[i], "{i}: off {off}, u {}", us[i]);
    }
    assert!(us[2] < 2e-4, "{us:?}");
    let provenance = calibration.provenance;
    assert_eq!(provenance.scans, ["target-0", "target-1", "target-2"]);
    let note = provenance.note.expect("a note");
    assert!(
        note.starts_with("after the new belt; target ") && note.contains("blake3"),
        "{note}"
    );

    // The same scanner is true against it; a calibration in force is never written over.
    let dir = at("calibration");
    let calm = report(
        &scans[1],
        &["--calibrations", dir.to_str().expect("text")],
        0,
    );
    assert_eq!(calm.verdict, Verdict::InTolerance);
    assert!(
        calm.findings
            .iter()
            .any(|f| f.contains("all 9 errors in tolerance"))
    );
    assert!(calm.compared_with.ends_with("2026-03-01.toml"));
    weighlight()
        .arg("calibrate")
        .arg(&scans[0])
        .arg("--target")
        .arg(target_file())
        .args([
            "--scanner",
            "line-2",
            "--valid-from",
            "2026-03-01T05:00:00Z",
            "--out",
        ])
        .arg(&dir)
        .assert()
        .code(1)
        .stderr(contains("there is a calibration already"));

    // Pieces of known volume: frustums on the belt, the plate being a thin sheet of theirs.
    let volume_cm3 = |errors: GeometricErrors, calibrations: Option<&Path>, name: &str| {
        let mut scene = pieces(errors);
        scene.dropout_fraction = 0.0;
        write(&at(name), name, &scene, 99);
        let product = at("product.toml");
        std::fs::write(&product, PRODUCT).expect("written");
        let mut command = weighlight();
        command
            .arg("measure")
            .arg(at(name))
            .arg("--product")
            .arg(product);
        if let Some(folder) = calibrations {
            command.arg("--calibrations").arg(folder);
        }
        let run = command.args(["--format", "csv"]).assert();
        let text = String::from_utf8(run.get_output().stdout.clone()).expect("text");
        let mut lines = text.lines().filter(|line| !line.starts_with('#'));
        let column = lines
            .next()
            .and_then(|names| names.split(',').position(|n| n == "volume_cm3"))
            .expect("a volume");
        let volumes: Vec<f64> = lines
            .map(|line| {
                line.split(',')
                    .nth(column)
                    .and_then(|v| v.parse().ok())
                    .expect("a number")
            })
            .collect();
        assert_eq!(volumes.len(), 2, "{text}");
        volumes.iter().sum::<f64>()
    };
    let truth_cm3 = true_volume_cm3();
    let perfect = volume_cm3(GeometricErrors::NONE, None, "perfect");
    let calibrated = volume_cm3(MOVED, Some(&dir), "calibrated");
    let blind = volume_cm3(MOVED, None, "blind");
    let off = |volume: f64| (volume / truth_cm3 - 1.0).abs();
    // What `measure` reaches with a perfect scanner holds with errors that were calibrated, to a tenth of the change.
    assert!(off(perfect) < 1.5e-3, "{perfect} for {truth_cm3}");
    assert!(
        (calibrated / perfect - 1.0).abs() < 5e-4,
        "{calibrated} for {perfect}"
    );
    // Without calibration heights are 0.35 % low, lengths 0.31 and 0.04 % long; the belt takes offset and tilts with it.
    let scales = MOVED.height_scale * MOVED.along_scale * MOVED.across_scale;
    assert!(
        (blind / perfect - scales).abs() < 1e-3,
        "{blind} for {perfect}"
    );
}

const PRODUCT: &str = r#"format = "weighlight-product/1"
name = "blocks"
base = "all"
[piece]
min_height_mm = 1.0
min_area_cm2 = 4.0
split_touching = false
[[class]]
name = "all"
density_kg_m3 = 1000.0
[weight]
scale = 1.0
offset_g = 0.0
density_u_rel = 0.005
"#;

/// Two wide low frustums, each on a sheet of its own base that is part of it.
fn piece_targets() -> [Target; 2] {
    let piece = |base_mm: f64, top_mm: f64, height_mm: f64| {
        let mut target = plate();
        target.plate.across_mm = base_mm;
        target.plate.along_mm = base_mm;
        target.plate.thickness_mm = 2.0;
        target.frustums.truncate(1);
        let f = &mut target.frustums[0];
        (f.x_mm, f.y_mm) = (0.5 * base_mm, 0.5 * base_mm);
        (f.base_mm, f.top_mm, f.height_mm) = (base_mm, top_mm, height_mm);
        target
    };
    [piece(120.0, 70.0, 30.0), piece(150.0, 90.0, 24.0)]
}

fn true_volume_cm3() -> f64 {
    piece_targets()
        .iter()
        .map(|t| {
            let plate = t.plate.across_mm * t.plate.along_mm * t.plate.thickness_mm;
            1e-3 * (plate + t.frustums[0].volume_mm3())
        })
        .sum()
}

fn pieces(errors: GeometricErrors) -> Scene {
    let [one, two] = piece_targets();
    let mut scene = drawn_scene(&plate(), &mut ChaCha8Rng::seed_from_u64(70));
    scene.errors = errors;
    scene.camera = None;
    scene.mixed_fraction = 0.0;
    scene.targets = vec![
        (one.clone(), pose_at(&one, [170.0, 200.0], 0.3)),
        (two.clone(), pose_at(&two, [410.0, 220.0], 1.1)),
    ];
    scene
}

#[test]
fn what_cannot_be_done_exits_1_with_the_reason() {
    let folder = TempDir::new().expect("a folder");
    let scans = target_scans(folder.path(), MOVED, &[0.1]);
    let check = |target: &Path| {
        let mut command = weighlight();
        command
            .arg("drift")
            .arg(&scans[0])
            .arg("--target")
            .arg(target);
        command
    };
    check(&folder.path().join("none.toml"))
        .assert()
        .code(1)
        .stderr(contains("none.toml"));
    let mut other = read_target(&target_file()).expect("it is right");
    for frustum in &mut other.frustums {
        frustum.x_mm = other.plate.across_mm - frustum.x_mm;
    }
    other.patches.clear();
    let wrong = folder.path().join("other.toml");
    write_target(&wrong, &other).expect("written");
    check(&wrong).assert().code(1).stderr(contains("not where"));
    weighlight()
        .arg("calibrate")
        .arg(&scans[0])
        .arg("--target")
        .arg(target_file())
        .args([
            "--scanner",
            "line-3",
            "--valid-from",
            "2026-03-01T05:00:00Z",
            "--out",
        ])
        .arg(folder.path().join("new.toml"))
        .assert()
        .code(1)
        .stderr(contains("expected \"line-3\""));
}

/// Scans between which the scanner moved do not make one calibration.
#[test]
fn scans_that_contradict_each_other_are_refused() {
    let folder = TempDir::new().expect("a folder");
    let mut scans = target_scans(folder.path(), MOVED, &[0.1, 1.7]);
    let knocked = GeometricErrors {
        roll_mrad: 4.5,
        ..MOVED
    };
    let other = folder.path().join("later");
    std::fs::create_dir_all(&other).expect("a folder");
    let target = plate();
    let mut scene = drawn_scene(&target, &mut ChaCha8Rng::seed_from_u64(80));
    scene.errors = knocked;
    scene.targets[0].1 = pose_at(&target, [300.0, 210.0], 3.0);
    write(&other, "later", &scene, 80);
    scans.push(other);
    weighlight()
        .arg("calibrate")
        .args(&scans)
        .arg("--target")
        .arg(target_file())
        .args([
            "--scanner",
            "line-2",
            "--valid-from",
            "2026-03-01T05:00:00Z",
            "--out",
        ])
        .arg(folder.path().join("new.toml"))
        .assert()
        .code(1)
        .stderr(contains("contradicts the others: roll_mrad"));
    assert!(!folder.path().join("new.toml").exists());
}

#[test]
fn a_check_goes_into_the_log_and_onto_a_record() {
    let folder = TempDir::new().expect("a folder");
    let scans = target_scans(folder.path(), MOVED, &[0.6, 1.1]);
    let at = |name: &str| folder.path().join(name);
    for (scan, name) in scans.iter().zip(["one", "two"]) {
        let run = weighlight()
            .arg("drift")
            .arg(scan)
            .arg("--target")
            .arg(target_file())
            .args(["--format", "json", "--operator", "A. Lund"])
            .args(["--note", "after the knock"])
            .arg("--log")
            .arg(at("checks"))
            .arg("--record")
            .arg(at(&format!("{name}.html")))
            .assert()
            .code(3);
        // What the log keeps is the hash of the report as it is written here.
        let hash = blake3::hash(&run.get_output().stdout).to_hex().to_string();
        let log = std::fs::read_to_string(at("checks/line-2.jsonl")).expect("a log");
        assert!(log.lines().last().is_some_and(|it| it.contains(&hash)));
        let record = std::fs::read_to_string(at(&format!("{name}.html"))).expect("a record");
        assert!(record.contains("A. Lund") && record.contains("after the knock"));
        assert!(record.contains(&hash) && record.contains("out of tolerance"));
    }
    let log = weighlight::history::read_log(&at("checks"), "line-2").expect("a log");
    assert_eq!((log.entries.len(), log.damage.len()), (2, 0));
    let record = std::fs::read_to_string(at("two.html")).expect("a record");
    assert!(record.contains("entry 2") && record.contains(&log.entries[1].hash));
    weighlight()
        .args(["drift", "--history", "--log"])
        .arg(at("checks"))
        .assert()
        .code(3)
        .stdout(contains("scanner line-2: out of tolerance"))
        .stdout(contains("log ends with entry 2"));
}
