//! The log itself: whole or torn, edited or cut, one writer or several.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

use tempfile::TempDir;
use weighlight::history::{Damage, Notice, ORIGIN, append, read_log, report_json};

use crate::sample::{Noise, check, day, event, report, write_log};

fn ten_days() -> (TempDir, PathBuf) {
    let folder = tempfile::tempdir().unwrap();
    let mut noise = Noise::new(1);
    for i in 0..10 {
        let made = report(&format!("check_{i:04}"), day(i), [0.0; 9], &mut noise);
        append(folder.path(), &check(&made)).unwrap();
    }
    let path = folder.path().join("line-2.jsonl");
    (folder, path)
}

fn lines(path: &Path) -> Vec<String> {
    let text = fs::read_to_string(path).unwrap();
    text.lines().map(str::to_owned).collect()
}

fn write_lines(path: &Path, lines: &[String]) {
    fs::write(path, lines.join("\n") + "\n").unwrap();
}

#[track_caller]
fn check_damage(folder: &Path, expected: &[Damage], kept: usize) {
    let log = read_log(folder, "line-2").unwrap();
    assert_eq!(log.damage, expected);
    assert_eq!(log.entries.len(), kept);
}

#[test]
fn what_is_written_reads_back_and_every_entry_names_the_one_before() {
    let (folder, path) = ten_days();
    let log = read_log(folder.path(), "line-2").unwrap();
    assert!(log.damage.is_empty() && log.notices().is_empty());
    assert_eq!(log.entries.len(), 10);
    let mut previous = ORIGIN.to_owned();
    for (i, logged) in log.entries.iter().enumerate() {
        assert_eq!(logged.entry.sequence, i as u64 + 1);
        assert_eq!(logged.entry.previous, previous);
        previous.clone_from(&logged.hash);
    }
    assert_eq!(log.last_hash, Some(previous));
    // The hash is BLAKE3 of what stands before it, so that other tools can check it.
    for line in lines(&path) {
        let (words, hash) = line.split_once(",\"hash\":\"").unwrap();
        let hash = hash.strip_suffix("\"}").unwrap();
        assert_eq!(blake3::hash(words.as_bytes()).to_hex().as_str(), hash);
    }
}

#[test]
fn a_log_is_what_its_description_says() {
    let (folder, path) = ten_days();
    let written = fs::read(&path).unwrap();
    let mut noise = Noise::new(1);
    let made: Vec<_> = (0..10)
        .map(|i| report(&format!("check_{i:04}"), day(i), [0.0; 9], &mut noise))
        .collect();
    write_log(folder.path(), made.iter().map(check));
    assert_eq!(fs::read(&path).unwrap(), written);
}

#[test]
fn an_entry_keeps_what_the_report_says_and_its_hash() {
    let folder = tempfile::tempdir().unwrap();
    let written = report("one", day(0), [0.001; 9], &mut Noise::new(4));
    let done = append(folder.path(), &check(&written)).unwrap();
    let log = read_log(folder.path(), "line-2").unwrap();
    let entry = &log.entries[0].entry;
    let kept = entry.check.as_ref().unwrap();
    assert_eq!(entry.operator.as_deref(), Some("A. Lund"));
    assert_eq!(
        (entry.time, kept.verdict),
        (written.captured, written.verdict)
    );
    for (kept, stated) in kept.parameters.iter().zip(&written.parameters) {
        assert_eq!(kept.name, stated.name);
        let off = kept.value.unwrap() - stated.value.unwrap();
        assert!(off.abs() <= 4.0 * f64::EPSILON, "{off}");
    }
    let text = report_json(&written).unwrap();
    assert_eq!(
        kept.report_blake3,
        blake3::hash(text.as_bytes()).to_hex().as_str()
    );
    assert!(log.holds(1, &done.hash) && log.holds(1, &done.hash[..8]));
    assert!(!log.holds(1, &done.hash[..7]) && !log.holds(2, &done.hash));
}

#[test]
fn an_edited_entry_is_named_and_left_out() {
    let (folder, path) = ten_days();
    let mut edited = lines(&path);
    edited[4] = edited[4]
        .replacen("0.012", "0.011", 1)
        .replacen("A. Lund", "B. Lund", 1);
    write_lines(&path, &edited);
    check_damage(
        folder.path(),
        &[Damage::Changed {
            sequence: 5,
            line: 5,
        }],
        9,
    );
}

#[test]
fn every_single_changed_character_shows() {
    let (folder, path) = ten_days();
    let whole = lines(&path);
    let mut noticed = 0;
    for at in (0..whole[6].len()).step_by(7) {
        let mut bytes = whole[6].clone().into_bytes();
        bytes[at] = if bytes[at] == b'7' { b'8' } else { b'7' };
        let mut edited = whole.clone();
        edited[6] = String::from_utf8(bytes).unwrap();
        if edited == whole {
            continue;
        }
        write_lines(&path, &edited);
        let log = read_log(folder.path(), "line-2").unwrap();
        assert!(!log.damage.is_empty(), "character {at}");
        assert!(
            log.entries.iter().all(|it| it.entry.sequence != 7),
            "character {at}"
        );
        noticed += 1;
    }
    assert!(noticed > 100, "{noticed}");
}

#[test]
fn an_entry_edited_with_its_hash_made_anew_is_named_by_the_next() {
    let (folder, path) = ten_days();
    let mut edited = lines(&path);
    let words = edited[4]
        .split_once(",\"hash\"")
        .unwrap()
        .0
        .replacen("A. Lund", "B. Lund", 1);
    let hash = blake3::hash(words.as_bytes()).to_hex();
    edited[4] = format!("{words},\"hash\":\"{hash}\"}}");
    write_lines(&path, &edited);
    check_damage(
        folder.path(),
        &[Damage::Replaced {
            sequence: 5,
            line: 5,
        }],
        9,
    );
}

#[test]
fn missing_entries_are_counted_at_the_start_and_in_between() {
    let (folder, path) = ten_days();
    let whole = lines(&path);
    let mut cut = whole.clone();
    cut.drain(3..6);
    write_lines(&path, &cut);
    let missing = |first, last, line| Damage::Missing { first, last, line };
    check_damage(folder.path(), &[missing(4, 6, 4)], 7);
    write_lines(&path, &whole[2..]);
    check_damage(folder.path(), &[missing(1, 2, 1)], 8);
}

#[test]
fn entries_out_of_place_and_of_another_scanner_are_named() {
    let (folder, path) = ten_days();
    let mut doubled = lines(&path);
    doubled.insert(5, doubled[1].clone());
    write_lines(&path, &doubled);
    check_damage(
        folder.path(),
        &[Damage::OutOfPlace {
            sequence: 2,
            line: 6,
        }],
        10,
    );

    fs::rename(&path, folder.path().join("line-9.jsonl")).unwrap();
    let log = read_log(folder.path(), "line-9").unwrap();
    assert!(log.entries.is_empty());
    assert!(
        log.damage
            .iter()
            .any(|it| it.to_string().contains("of scanner 'line-2'"))
    );
    let mut other = report("x", day(30), [0.0; 9], &mut Noise::new(3));
    other.scanner = "line-9".to_owned();
    let new = weighlight::history::NewEntry {
        scanner: "line-9",
        ..check(&other)
    };
    let error = append(folder.path(), &new).unwrap_err().to_string();
    assert!(error.contains("the log is of scanner line-2"), "{error}");
}

#[test]
fn a_line_that_is_no_entry_is_named_and_the_rest_is_kept() {
    let (folder, path) = ten_days();
    let mut edited = lines(&path);
    edited[2] = "{\"format\":\"weighlight-log/1\"}".to_owned();
    edited[7] = String::new();
    write_lines(&path, &edited);
    let log = read_log(folder.path(), "line-2").unwrap();
    assert_eq!(log.entries.len(), 8);
    let told: Vec<String> = log.damage.iter().map(ToString::to_string).collect();
    assert_eq!(told.len(), 2, "{told:?}");
    assert!(
        told[0].starts_with(
            "line 3: entry 3 should stand here, but the line is no entry: missing field"
        )
    );
    assert!(told[1].starts_with("line 8: entry 8 should stand here"));
}

/// However much of the last line reached the disk, all before it is kept, and the next check goes on from there.
#[test]
fn a_torn_last_line_loses_nothing() {
    let (folder, path) = ten_days();
    let whole = fs::read(&path).unwrap();
    let start = whole[..whole.len() - 1]
        .iter()
        .rposition(|&b| b == b'\n')
        .unwrap()
        + 1;
    for (number, end) in (start + 1..whole.len()).step_by(211).enumerate() {
        fs::write(&path, &whole[..end]).unwrap();
        let torn = Damage::Torn {
            line: 10,
            bytes: (end - start) as u64,
        };
        check_damage(folder.path(), &[torn], 9);

        let again = report("again", day(11), [0.0; 9], &mut Noise::new(9));
        let done = append(folder.path(), &check(&again)).unwrap();
        assert_eq!((done.sequence, &done.damage[..]), (10, &[][..]));
        let aside = done.repaired.unwrap();
        assert_eq!(fs::read(&aside).unwrap(), &whole[start..end]);
        assert_eq!(
            aside.file_name().unwrap().to_str().unwrap(),
            format!("line-2.jsonl.torn-{}", number + 1)
        );
        check_damage(folder.path(), &[], 10);
        let log = read_log(folder.path(), "line-2").unwrap();
        let repaired = log.entries[9].entry.repaired.clone().unwrap();
        assert_eq!(repaired, format!("line-2.jsonl.torn-{}", number + 1));
        assert_eq!(&fs::read(&path).unwrap()[..start], &whole[..start]);
    }
}

#[test]
fn zeros_after_a_power_cut_count_as_torn() {
    let (folder, path) = ten_days();
    let mut bytes = fs::read(&path).unwrap();
    bytes.extend([0; 512]);
    fs::write(&path, &bytes).unwrap();
    check_damage(
        folder.path(),
        &[Damage::Torn {
            line: 11,
            bytes: 512,
        }],
        10,
    );
    assert_eq!(
        append(folder.path(), &event("power cut", day(12)))
            .unwrap()
            .sequence,
        11
    );
    check_damage(folder.path(), &[], 11);
}

#[test]
fn a_changed_log_can_be_added_to_and_stays_changed() {
    let (folder, path) = ten_days();
    let mut edited = lines(&path);
    edited[9] = edited[9].replacen("A. Lund", "B. Lund", 1);
    write_lines(&path, &edited);
    let done = append(folder.path(), &event("cover opened", day(12))).unwrap();
    assert_eq!(done.sequence, 11);
    assert_eq!(
        done.damage,
        [Damage::Changed {
            sequence: 10,
            line: 10
        }]
    );
    check_damage(folder.path(), &done.damage, 10);
}

#[test]
fn a_log_that_ends_in_no_entry_is_not_added_to() {
    let (folder, path) = ten_days();
    let mut edited = lines(&path);
    edited.push("a note by hand".to_owned());
    write_lines(&path, &edited);
    let before = fs::read(&path).unwrap();
    let error = append(folder.path(), &event("belt changed", day(12)))
        .unwrap_err()
        .to_string();
    assert!(
        error.contains("line-2.jsonl:11: the log's last line is no entry"),
        "{error}"
    );
    assert_eq!(fs::read(&path).unwrap(), before);
}

#[test]
fn late_entries_and_repeated_scans_are_allowed_and_told() {
    let (folder, _) = ten_days();
    append(folder.path(), &event("belt changed", day(4))).unwrap();
    let again = report("check_0003", day(3), [0.0; 9], &mut Noise::new(8));
    append(folder.path(), &check(&again)).unwrap();
    let log = read_log(folder.path(), "line-2").unwrap();
    assert!(log.damage.is_empty());
    let scan = "check_0003".to_owned();
    assert_eq!(
        log.notices(),
        [
            Notice::Late { sequence: 11 },
            Notice::Late { sequence: 12 },
            Notice::SameScan {
                sequence: 12,
                earlier: 4,
                scan
            },
        ]
    );
}

#[test]
fn what_cannot_be_kept_is_refused_and_leaves_the_log_alone() {
    let (folder, path) = ten_days();
    let before = fs::read(&path).unwrap();
    let mut broken = report("x", day(20), [0.0; 9], &mut Noise::new(3));
    broken.surface.noise_mm = f64::NAN;
    let error = append(folder.path(), &check(&broken))
        .unwrap_err()
        .to_string();
    assert!(
        error.contains("finite") || error.contains("null"),
        "{error}"
    );
    assert!(append(folder.path(), &event("  ", day(20))).is_err());
    let other = weighlight::history::NewEntry {
        scanner: "../line-2",
        ..event("x", day(20))
    };
    assert!(
        append(folder.path(), &other)
            .unwrap_err()
            .to_string()
            .contains("../line-2")
    );
    assert_eq!(fs::read(&path).unwrap(), before);
    assert!(
        read_log(folder.path(), "line-7")
            .unwrap_err()
            .to_string()
            .contains("line-7")
    );
}

/// Four threads and, through the same test binary, two more processes add to one log at once.
#[test]
fn writers_at_once_wait_for_each_other() {
    const EACH: i64 = 12;
    let folder = match std::env::var_os("WEIGHLIGHT_TEST_LOG") {
        Some(folder) => {
            for i in 0..EACH {
                append(Path::new(&folder), &event("from another process", day(i))).unwrap();
            }
            return;
        }
        None => tempfile::tempdir().unwrap(),
    };
    let program = std::env::current_exe().unwrap();
    let others: Vec<_> = (0..2)
        .map(|_| {
            Command::new(&program)
                .args(["--exact", "log::writers_at_once_wait_for_each_other"])
                .env("WEIGHLIGHT_TEST_LOG", folder.path())
                .stdout(std::process::Stdio::null())
                .spawn()
                .unwrap()
        })
        .collect();
    std::thread::scope(|scope| {
        for thread in 0..4 {
            let folder = folder.path();
            scope.spawn(move || {
                for i in 0..EACH {
                    let scan = format!("{thread}-{i}");
                    let made = report(&scan, day(i), [0.0; 9], &mut Noise::new(thread));
                    append(folder, &check(&made)).unwrap();
                }
            });
        }
    });
    for mut other in others {
        assert!(other.wait().unwrap().success());
    }
    let log = read_log(folder.path(), "line-2").unwrap();
    assert!(log.damage.is_empty(), "{:?}", log.damage);
    assert_eq!(log.entries.len() as i64, 6 * EACH);
    let from_outside = log
        .entries
        .iter()
        .filter(|it| it.entry.check.is_none())
        .count();
    assert_eq!(from_outside as i64, 2 * EACH);
}
