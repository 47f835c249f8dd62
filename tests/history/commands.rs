//! `weighlight drift --history` and `--note` as their users run them.

use std::fs;
use std::path::Path;

use assert_cmd::Command;
use predicates::prelude::*;
use predicates::str::contains;
use weighlight::history::read_log;

use crate::sample::{Noise, check, day, event, report, write_log};

fn drift(log: &Path, more: &[&str]) -> Command {
    let mut command = Command::cargo_bin("weighlight").unwrap();
    command.arg("drift").arg("--log").arg(log).args(more);
    command
}

/// Thirty daily checks; from the 22nd on, roll has moved by half its tolerance.
fn thirty_days(folder: &Path) {
    let mut noise = Noise::new(1);
    let made: Vec<_> = (0..30)
        .map(|i| {
            let mut moved = [0.0; 9];
            moved[4] = if i < 22 { 0.0 } else { 0.5 };
            report(&format!("check_{i:04}"), day(i), moved, &mut noise)
        })
        .collect();
    write_log(folder, made.iter().map(check));
}

#[test]
fn a_history_says_how_the_scanner_stands_and_why() {
    let folder = tempfile::tempdir().unwrap();
    thirty_days(folder.path());
    let page = folder.path().join("history.html");
    drift(folder.path(), &["--history", "--html"])
        .arg(&page)
        .assert()
        .code(3)
        .stdout(contains("scanner line-2: not as before"))
        .stdout(contains("because of roll_mrad"))
        .stdout(contains("30 checks, 2026-01-05 to 2026-02-03; 0 events"))
        .stdout(contains("nothing was noted"))
        .stderr(predicate::str::is_empty());
    assert!(
        fs::read_to_string(&page)
            .unwrap()
            .contains("<h1>History of scanner line-2</h1>")
    );

    let json = drift(folder.path(), &["--history", "--format", "json"])
        .assert()
        .code(3);
    let json: serde_json::Value = serde_json::from_slice(&json.get_output().stdout).unwrap();
    assert_eq!(json["format"], "weighlight-history/1");
    assert_eq!(json["because_of"][0], "roll_mrad");
    assert_eq!(json["series"].as_array().unwrap().len(), 14);
    assert_eq!(json["series"][4]["changes"][0]["sequence"], 23);

    let csv = drift(folder.path(), &["--history", "--format", "csv"])
        .assert()
        .code(3);
    let csv = String::from_utf8(csv.get_output().stdout.clone()).unwrap();
    assert_eq!(csv.lines().count(), 1 + 14 * 30);
    assert!(csv.starts_with("quantity,unit,sequence,time,value,u,centre,lower,upper,score,"));
}

#[test]
fn noting_why_it_changed_lets_the_charts_start_anew() {
    let folder = tempfile::tempdir().unwrap();
    thirty_days(folder.path());
    let time = (day(22) - jiff::SignedDuration::from_hours(5)).to_string();
    drift(
        folder.path(),
        &[
            "--note",
            "camera knocked and set right",
            "--operator",
            "A. Lund",
        ],
    )
    .args(["--at", &time])
    .assert()
    .success()
    .stdout(contains("entry 31, hash "));
    drift(folder.path(), &["--history"])
        .assert()
        .success()
        .stdout(contains("scanner line-2: as before"))
        .stdout(contains("camera knocked and set right (entry 31)"))
        .stderr(contains("entry 31 happened before the entry before it"));
}

#[test]
fn a_log_that_is_not_as_it_was_written_exits_4() {
    let folder = tempfile::tempdir().unwrap();
    thirty_days(folder.path());
    let path = folder.path().join("line-2.jsonl");
    let log = read_log(folder.path(), "line-2").unwrap();
    let known = format!("30:{}", log.entries[29].hash);
    drift(folder.path(), &["--history", "--known", &known])
        .assert()
        .code(3);

    // Cut off at its end, the log is whole by itself; only what was kept elsewhere shows it.
    let text = fs::read_to_string(&path).unwrap();
    let cut: Vec<&str> = text.lines().take(20).collect();
    fs::write(&path, cut.join("\n") + "\n").unwrap();
    drift(folder.path(), &["--history"]).assert().success();
    drift(folder.path(), &["--history", "--known", &known])
        .assert()
        .code(4)
        .stderr(contains("entry 30").and(contains("is not in this log")));

    fs::write(&path, text.replacen("A. Lund", "B. Lund", 1)).unwrap();
    drift(folder.path(), &["--history"])
        .assert()
        .code(4)
        .stderr(contains("entry 1 was changed after it was written"));
}

#[test]
fn what_is_asked_for_wrongly_says_so() {
    let folder = tempfile::tempdir().unwrap();
    drift(folder.path(), &["--history"])
        .assert()
        .code(1)
        .stderr(contains("no log in it"));
    thirty_days(folder.path());
    write_log(&folder.path().join("."), [event("belt changed", day(1))]);
    fs::copy(
        folder.path().join("line-2.jsonl"),
        folder.path().join("line-3.jsonl"),
    )
    .unwrap();
    drift(folder.path(), &["--history"])
        .assert()
        .code(1)
        .stderr(contains("logs of line-2, line-3").and(contains("--scanner")));
    for wrong in [
        &["--history", "--known", "30"][..],
        &["--history", "--limits-from", "3"],
        &["--note", "x", "--history"],
        &["--note", "x", "--at", "yesterday"],
        &[],
    ] {
        drift(folder.path(), wrong).assert().code(2);
    }
}
