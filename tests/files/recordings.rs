//! Archives and recordings: found, joined, and what does not fit told apart.

use std::fs;
use std::path::{Path, PathBuf};

use tempfile::TempDir;
use weighlight::scan::{
    Counts, HeightKind, HeightPart, HeightRows, RowSpan, ScanDescription, find_scans, read_archive,
    write_scan,
};

use crate::says;

const ROWS: u64 = 4;

fn description(id: &str, recording: Option<&str>, first_profile: u64) -> ScanDescription {
    ScanDescription {
        id: id.into(),
        captured: "2026-03-04T09:12:33Z".parse().expect("a time"),
        scanner: "s".into(),
        product: None,
        recording: recording.map(Into::into),
        lanes: Some(2),
        belt_speed_mm_s: Some(450.0),
        product_temperature_c: None,
        height: HeightPart {
            kind: HeightKind::Range,
            file: "h.npy".into(),
            pitch_across_mm: 0.4,
            pitch_along_mm: 0.5,
            scale: 0.01,
            offset: 0.0,
            invalid: Some(0),
            first_profile,
        },
        views: Vec::new(),
        colour: None,
        profiles: None,
    }
}

fn write(folder: &Path, description: &ScanDescription) {
    write_columns(folder, description, 3);
}

fn write_columns(folder: &Path, description: &ScanDescription, columns: usize) {
    let height = HeightRows {
        first_row: 0,
        columns,
        counts: Counts::U16(vec![1; ROWS as usize * columns]),
    };
    write_scan(folder, description, &height, None, None).expect("written");
}

fn names(root: &Path, folders: &[PathBuf]) -> Vec<String> {
    folders
        .iter()
        .map(|f| {
            f.strip_prefix(root)
                .expect("below")
                .to_string_lossy()
                .into_owned()
        })
        .collect()
}

#[test]
fn scans_are_found_at_any_depth_each_once_in_the_order_of_their_bytes() {
    let root = TempDir::new().expect("a folder");
    let r = root.path();
    for (index, name) in ["b", "a/deep/er", "a", "Z", "a-b", "ä"]
        .into_iter()
        .enumerate()
    {
        write(&r.join(name), &description(&index.to_string(), None, 0));
    }
    fs::create_dir(r.join("empty")).expect("made");
    fs::write(r.join("notes.txt"), "").expect("written");
    let found = find_scans(&[r.to_path_buf()]).expect("found");
    assert_eq!(names(r, &found), ["Z", "a", "a-b", "a/deep/er", "b", "ä"]);
    let again = find_scans(&[r.join("b"), r.to_path_buf(), r.join("a/scan.toml")]).expect("found");
    assert_eq!(names(r, &again), ["Z", "a", "a-b", "a/deep/er", "b", "ä"]);
}

#[cfg(unix)]
#[test]
fn links_that_run_in_circles_end() {
    let root = TempDir::new().expect("a folder");
    let r = root.path();
    write(&r.join("a/scan"), &description("1", None, 0));
    std::os::unix::fs::symlink(r, r.join("a/up")).expect("linked");
    std::os::unix::fs::symlink(r.join("a/scan"), r.join("z")).expect("linked");
    std::os::unix::fs::symlink(r.join("nowhere"), r.join("dangling")).expect("linked");
    let found = find_scans(&[r.to_path_buf()]).expect("found");
    assert_eq!(names(r, &found), ["a/scan"]);
}

#[test]
fn nothing_found_is_an_error_that_says_where() {
    let root = TempDir::new().expect("a folder");
    says(
        &find_scans(&[root.path().to_path_buf()]).expect_err("nothing"),
        &["no scan.toml", &root.path().display().to_string()],
    );
    says(
        &find_scans(&[root.path().join("absent")]).expect_err("nothing"),
        &["absent"],
    );
    fs::write(root.path().join("a.txt"), "").expect("written");
    says(
        &find_scans(&[root.path().join("a.txt")]).expect_err("nothing"),
        &["a.txt", "expected a scan folder"],
    );
}

#[test]
fn frames_join_in_the_order_of_their_rows_and_gaps_are_known() {
    let root = TempDir::new().expect("a folder");
    let r = root.path();
    write(&r.join("1"), &description("c", Some("early"), 12));
    write(&r.join("2"), &description("a", Some("early"), 0));
    write(&r.join("3"), &description("b", Some("early"), 4));
    write(&r.join("4"), &description("alone", None, 0));
    let archive = read_archive(&[r.to_path_buf()]).expect("read");
    assert!(archive.rejected.is_empty(), "{:?}", archive.rejected);
    let recordings: Vec<&str> = archive.recordings.iter().map(|r| r.name.as_str()).collect();
    assert_eq!(recordings, ["alone", "early"]);
    let early = &archive.recordings[1];
    let ids: Vec<&str> = early
        .frames
        .iter()
        .map(|f| f.description.id.as_str())
        .collect();
    assert_eq!(ids, ["a", "b", "c"]);
    assert_eq!(early.rows(), 16);
    assert_eq!(early.columns(), 3);
    assert_eq!(early.gaps(), [RowSpan { first: 8, end: 12 }]);
    let found: Vec<Option<usize>> = [0, 3, 4, 7, 8, 11, 12, 15, 16]
        .map(|p| early.frame_at(p))
        .into();
    assert_eq!(
        found,
        [
            Some(0),
            Some(0),
            Some(1),
            Some(1),
            None,
            None,
            Some(2),
            Some(2),
            None
        ]
    );
}

/// The second of two frames is changed; checks that it is rejected, and the first is not.
#[track_caller]
fn check_rejected(change: impl Fn(&mut ScanDescription), parts: &[&str]) {
    let root = TempDir::new().expect("a folder");
    let r = root.path();
    write(&r.join("first"), &description("a", Some("early"), 0));
    let mut second = description("b", Some("early"), 4);
    change(&mut second);
    write(&r.join("second"), &second);
    write(&r.join("third"), &description("c", Some("early"), 8));
    let archive = read_archive(&[r.to_path_buf()]).expect("read");
    let rejected: Vec<PathBuf> = archive.rejected.iter().map(|r| r.folder.clone()).collect();
    assert_eq!(names(r, &rejected), ["second"]);
    says(&archive.rejected[0].error, parts);
    says(&archive.rejected[0].error, &["second", "first"]);
    assert_eq!(archive.recordings.len(), 1);
    assert_eq!(archive.recordings[0].frames.len(), 2);
}

#[test]
fn frames_that_do_not_agree_are_rejected_by_name() {
    check_rejected(
        |d| d.scanner = "other".into(),
        &["scanner: found other", "expected s"],
    );
    check_rejected(
        |d| d.product = Some("p".into()),
        &["product: found p", "expected none"],
    );
    check_rejected(|d| d.lanes = None, &["lanes: found none", "expected 2"]);
    check_rejected(
        |d| d.belt_speed_mm_s = Some(451.0),
        &["belt_speed_mm_s: found 451"],
    );
    check_rejected(
        |d| d.height.pitch_across_mm = 0.41,
        &["height.pitch_across_mm: found 0.41"],
    );
    check_rejected(
        |d| d.height.pitch_along_mm = 0.51,
        &["height.pitch_along_mm: found 0.51"],
    );
    check_rejected(
        |d| d.height.kind = HeightKind::Stripe,
        &["height.kind: found stripe"],
    );
    check_rejected(
        |d| d.height.first_profile = 3,
        &["height.first_profile: found 3", "expected 4 or more"],
    );
    check_rejected(
        |d| d.height.scale = 0.02,
        &["height.scale: found 0.02", "expected 0.01"],
    );
    check_rejected(
        |d| d.height.offset = -5.0,
        &["height.offset: found -5", "expected 0"],
    );
    check_rejected(
        |d| d.height.invalid = Some(65535),
        &["height.invalid: found 65535", "expected 0"],
    );
    check_rejected(
        |d| d.height.first_profile = 1 << 50,
        &[
            "height.first_profile",
            "rows are missing",
            "a recording of its own",
        ],
    );
    check_rejected(|d| d.id = "a".into(), &["id: 'a' is also the id of"]);
}

#[test]
fn frames_of_another_width_are_rejected() {
    let root = TempDir::new().expect("a folder");
    let r = root.path();
    write(&r.join("a"), &description("a", Some("early"), 0));
    write_columns(&r.join("b"), &description("b", Some("early"), 4), 5);
    let archive = read_archive(&[r.to_path_buf()]).expect("read");
    says(
        &archive.rejected[0].error,
        &["found 5 columns", "expected 3 columns"],
    );
}

#[test]
fn ids_are_unique_in_the_archive_not_only_in_the_recording() {
    let root = TempDir::new().expect("a folder");
    let r = root.path();
    write(&r.join("a"), &description("same", Some("early"), 0));
    write(&r.join("b"), &description("same", Some("late"), 0));
    let archive = read_archive(&[r.to_path_buf()]).expect("read");
    assert_eq!(archive.recordings.len(), 1);
    assert_eq!(archive.recordings[0].name, "early");
    says(&archive.rejected[0].error, &["b/scan.toml: id", "same"]);
}

#[test]
fn a_recording_and_a_lone_scan_of_one_name_are_told_apart() {
    let root = TempDir::new().expect("a folder");
    let r = root.path();
    write(&r.join("a"), &description("x", Some("early"), 0));
    write(&r.join("b"), &description("early", None, 40));
    let archive = read_archive(&[r.to_path_buf()]).expect("read");
    assert_eq!(archive.recordings.len(), 1);
    says(
        &archive.rejected[0].error,
        &["b/scan.toml: recording", "different names"],
    );
}

#[test]
fn one_damaged_scan_never_stops_the_others() {
    let root = TempDir::new().expect("a folder");
    let r = root.path();
    write(&r.join("a"), &description("a", Some("early"), 0));
    write(&r.join("b"), &description("b", Some("early"), 4));
    write(&r.join("c"), &description("c", Some("early"), 8));
    fs::write(r.join("b/h.npy"), b"\x93NUMPY").expect("written");
    fs::create_dir(r.join("d")).expect("made");
    fs::write(r.join("d/scan.toml"), "format = ").expect("written");
    let archive = read_archive(&[r.to_path_buf()]).expect("read");
    let rejected: Vec<PathBuf> = archive.rejected.iter().map(|r| r.folder.clone()).collect();
    assert_eq!(names(r, &rejected), ["b", "d"]);
    says(&archive.rejected[0].error, &["b/h.npy", "cut off"]);
    says(&archive.rejected[1].error, &["d/scan.toml:1"]);
    assert_eq!(archive.recordings[0].frames.len(), 2);
    assert_eq!(archive.recordings[0].gaps(), [RowSpan { first: 4, end: 8 }]);
}
