//! Pages: everything in one file, nothing from outside, what was given stays text. `PAGES=DIR` keeps them to look at.

use std::time::Instant;

use jiff::SignedDuration;
use weighlight::history::{NewEntry, ReviewSettings, append, read_log, review};
use weighlight::report::{DriftRecord, LogPlace, history_page, record_page};

use crate::sample::{Noise, check, day, event, report, write_log};

fn keep(name: &str, page: &str) {
    if let Some(folder) = std::env::var_os("PAGES") {
        std::fs::write(std::path::Path::new(&folder).join(name), page).unwrap();
    }
}

/// What would make a browser ask for something, outside the packed script.
#[track_caller]
fn asks_for_nothing(page: &str) {
    let own: String = page
        .split("<script type=\"text/plain\"")
        .enumerate()
        .map(|(i, part)| match i {
            0 => part,
            _ => part.split_once("</script>").unwrap().1,
        })
        .collect();
    for word in [
        "http:", "https:", "src=", "url(", "@import", "<link", "<iframe", "<img",
    ] {
        assert!(!own.contains(word), "{word}");
    }
    assert!(own.contains("default-src 'none'"));
    assert!(page.len() < 4_000_000, "{} bytes", page.len());
}

#[test]
fn a_record_says_who_when_what_and_where_it_stands() {
    let mut moved = [0.0; 9];
    moved[1] = 0.0031;
    moved[2] = 0.0019;
    let mut made = report("check_0007", day(7), moved, &mut Noise::new(3));
    made.parameters[7].value = None;
    made.parameters[7].u = None;
    made.parameters[7].change = None;
    made.parameters[7].verdict = weighlight::drift::Verdict::Warning;
    made.parameters[7].remark = Some("cannot be told apart from the turn of the target".to_owned());
    let hash = "cd".repeat(32);
    let record = DriftRecord {
        report: &made,
        operator: Some("A. Lund <script>alert(1)</script>"),
        note: Some("after the new belt"),
        made: day(7) + SignedDuration::from_mins(4),
        log: Some(LogPlace {
            path: "logs/line-2.jsonl",
            sequence: 8,
            hash: &hash,
        }),
    };
    let page = record_page(&record).unwrap();
    keep("record.html", &page);
    asks_for_nothing(&page);
    for text in [
        "out of tolerance",
        "not decided",
        "frustum plate 420 x 260",
        "C-2025-118",
        "2026-01-12 05:30 UTC",
        "2026-01-12 05:34 UTC",
        "after the new belt",
        "entry 8",
        hash.as_str(),
        "cannot be told apart from the turn of the target",
        "± 0.2 %",
        "Released by: name, date, signature",
    ] {
        assert!(page.contains(text), "{text}");
    }
    assert!(!page.contains("<script>alert(1)"));
    assert!(!page.contains("check <b>"));
    assert_eq!(page, record_page(&record).unwrap());
}

#[test]
fn a_history_page_shows_charts_changes_and_the_last_hash() {
    let folder = tempfile::tempdir().unwrap();
    let mut noise = Noise::new(6);
    let mut made = Vec::new();
    for i in 0..160 {
        let mut moved = [0.0; 9];
        moved[0] = if i < 70 { 0.0 } else { 0.0003 };
        moved[2] = 0.000_008 * i as f64;
        moved[4] = if i < 120 { 0.0 } else { 0.25 };
        moved[6] = if i < 150 { 0.0 } else { 0.21 };
        for (who, trials) in [("Ada", 2), ("Ben", if i > 155 { 2 } else { 0 })] {
            for trial in 0..trials {
                let time = day(i) + SignedDuration::from_mins(9 * trial);
                let scan = format!("{i}-{who}-{trial}");
                made.push((who, report(&scan, time, moved, &mut noise)));
            }
        }
    }
    let checks = made.iter().map(|(who, made)| NewEntry {
        operator: Some(who),
        ..check(made)
    });
    let noted = [
        event(
            "belt changed, <line 2>",
            day(70) - SignedDuration::from_hours(3),
        ),
        event("wash-down", day(30)),
    ];
    write_log(folder.path(), checks.chain(noted));
    let clock = Instant::now();
    let log = read_log(folder.path(), "line-2").unwrap();
    let page = history_page(&log, &review(&log, &ReviewSettings::USUAL), day(161)).unwrap();
    println!("{:?}, {} bytes", clock.elapsed(), page.len());
    keep("history.html", &page);
    asks_for_nothing(&page);
    for text in [
        "belt changed, &#60;line 2&#62; (entry 329, 3 h before)",
        "nothing was noted",
        "Repeatability and reproducibility",
        "Ada, Ben",
        log.last_hash.as_deref().unwrap(),
        "Scale of height",
        "compare the last entry",
    ] {
        assert!(page.contains(text), "{text}");
    }
}

#[test]
fn an_empty_and_a_damaged_history_have_a_page_too() {
    let folder = tempfile::tempdir().unwrap();
    append(folder.path(), &event("scanner installed", day(0))).unwrap();
    let path = folder.path().join("line-2.jsonl");
    let mut text = std::fs::read_to_string(&path).unwrap();
    text.push_str("{\"half a li");
    std::fs::write(&path, text).unwrap();
    let log = read_log(folder.path(), "line-2").unwrap();
    let page = history_page(&log, &review(&log, &ReviewSettings::USUAL), day(1)).unwrap();
    asks_for_nothing(&page);
    assert!(page.contains("no checks"));
    assert!(page.contains("line 2: half written (11 bytes)"));
}
