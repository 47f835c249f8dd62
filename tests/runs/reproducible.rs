//! The same inputs give the same bytes; what the tables hold is what `measure` finds.

use std::fs;

use weighlight::tables::read_pieces;

use crate::archive::{Archive, assert_same, ended, program};

#[test]
fn neither_threads_nor_the_order_of_things_show_in_the_result() {
    let archive = Archive::new(12);
    archive.run("one", &["--threads", "1"]);
    archive.run("three", &["--threads", "3"]);
    assert_same(&archive.result("one"), &archive.result("three"));
    // The same scans, written to the disk in another order and with other times.
    fs::rename(archive.path("archive"), archive.path("before")).unwrap();
    let mut folders: Vec<_> = (0..12).collect();
    folders.reverse();
    for number in folders {
        archive.add(number);
    }
    archive.run("again", &[]);
    assert_same(&archive.result("one"), &archive.result("again"));
}

#[test]
fn a_run_holds_the_pieces_that_measure_finds() {
    let archive = Archive::new(9);
    archive.run("run", &[]);
    let output = program()
        .current_dir(archive.path("."))
        .args(["measure", "archive", "--products", "products"])
        .args(["--calibrations", "calibration", "--out", "pieces.parquet"])
        .output()
        .unwrap();
    assert!(matches!(output.status.code(), Some(0 | 3)), "{output:?}");
    let mut measured = read_pieces(&archive.path("pieces.parquet")).unwrap();
    let mut found = Vec::new();
    for name in archive.result("run").keys() {
        if name.starts_with("pieces/") {
            found.extend(read_pieces(&archive.path("run").join(name)).unwrap());
        }
    }
    // The order of partitions and of classes is the run's own.
    for piece in measured.iter_mut().chain(&mut found) {
        piece.classes.retain(|share| share.volume_cm3.is_some());
        piece.classes.sort_by(|a, b| a.class.cmp(&b.class));
    }
    found.sort_by_key(|piece| (piece.recording.clone(), piece.piece));
    measured.sort_by_key(|piece| (piece.recording.clone(), piece.piece));
    assert!(measured.len() > 20);
    assert_eq!(measured, found);
}

#[test]
fn the_manifest_names_every_file_with_its_hash() {
    let archive = Archive::new(4);
    archive.run("run", &[]);
    let mut files = archive.result("run");
    let manifest = String::from_utf8(files.remove("manifest.b3").unwrap()).unwrap();
    let run = String::from_utf8(files.remove("run.toml").unwrap()).unwrap();
    let hash = blake3::hash(manifest.as_bytes()).to_hex();
    assert!(run.contains(hash.as_str()), "{run}");
    let mut named = 0;
    for line in manifest.lines() {
        let (hash, name) = line.split_once("  ").unwrap();
        assert_eq!(blake3::hash(&files[name]).to_hex().as_str(), hash, "{name}");
        named += 1;
    }
    assert_eq!(named, files.len());
    // 3 scanners and days that occur, 3 tables each, and the list of what was rejected.
    assert_eq!(named % 3, 1);
}

#[test]
fn inputs_are_named_with_the_hash_of_what_is_in_them() {
    let archive = Archive::new(3);
    archive.run("run", &[]);
    let run = weighlight::runs::Run::open(&archive.path("run")).unwrap();
    run.verify().unwrap();
    let mut seen = 0;
    for partition in &run.partitions {
        for input in run.inputs(partition).unwrap() {
            let path = archive.path(&input.folder).join(&input.file);
            let bytes = fs::read(path).unwrap();
            assert_eq!(blake3::hash(&bytes).to_hex().as_str(), input.blake3);
            assert_eq!(bytes.len() as u64, input.bytes);
            seen += 1;
        }
    }
    // Two recordings of two frames, one of one; description, heights and colours each.
    assert_eq!(seen, 15);
}

#[test]
fn a_calibration_is_chosen_by_each_scans_own_time() {
    let archive = Archive::new(6);
    let scanner = fs::read_dir(archive.path("calibration/scanners"))
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .find(|path| path.ends_with("harbour-1"))
        .unwrap();
    let old = fs::read_to_string(scanner.join("2026-01-01.toml")).unwrap();
    let line = old
        .lines()
        .find(|line| line.starts_with("valid_from"))
        .unwrap();
    let new = old.replace(line, "valid_from = 2026-03-05T00:00:00Z");
    fs::write(scanner.join("2026-03-05.toml"), new).unwrap();
    archive.run("run", &[]);
    let run = weighlight::runs::Run::open(&archive.path("run")).unwrap();
    let mut seen = 0;
    for partition in run.partitions.iter().filter(|it| it.scanner == "harbour-1") {
        for row in run.recordings(partition).unwrap() {
            let from = row.calibration_from.unwrap().to_string();
            let expected = match partition.day.as_str() < "2026-03-05" {
                true => "2026-01-01T00:00:00Z",
                false => "2026-03-05T00:00:00Z",
            };
            assert_eq!(from, expected, "{}", row.recording);
            seen += 1;
        }
    }
    assert!(seen >= 4);
}

#[test]
fn the_account_can_be_read_by_a_program() {
    let archive = Archive::new(3);
    let output = archive
        .reprocess("run")
        .args(["--format", "json"])
        .output()
        .unwrap();
    ended(&output, 0);
    let account: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    assert_eq!(account["recordings"], 3);
    assert_eq!(account["measured_now"], 3);
    assert_eq!(account["rejected"], 0);
}
