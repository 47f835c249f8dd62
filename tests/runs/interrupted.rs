//! Killed, changed, added to: what comes out is what one undisturbed run gives.

use std::fs;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::thread::sleep;
use std::time::Duration;

use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use weighlight::runs::{
    Effort, Event, ProductSource, Reprocess, RunState, Shard, Surroundings, reprocess, standing,
};

use crate::archive::{Archive, assert_same, copy_tree};

#[test]
fn killed_at_any_moment_and_resumed_a_run_gives_the_same_bytes() {
    let archive = Archive::new(16);
    let started = std::time::Instant::now();
    archive.run("whole", &["--threads", "2"]);
    let whole_ms = u64::try_from(started.elapsed().as_millis()).unwrap();
    let whole = archive.result("whole");
    let mut chance = ChaCha8Rng::seed_from_u64(7);
    let mut cut_short = 0;
    for number in 0..6 {
        let name = format!("killed-{number}");
        let mut cuts = 0;
        // Killed again and again on the way; each time later than before, or it would never end.
        for round in 1..=3 {
            let mut child = archive.start(&name, &["--threads", "2", "--resume"]);
            sleep(Duration::from_millis(
                chance.random_range(0..=whole_ms * round / 3),
            ));
            child.kill().unwrap();
            let status = child.wait().unwrap();
            cuts += usize::from(status.code().is_none());
        }
        cut_short += cuts;
        archive.run(&name, &["--resume"]);
        assert_same(&whole, &archive.result(&name));
    }
    assert!(cut_short >= 6, "only {cut_short} of 18 were killed in time");
}

#[test]
fn stopped_when_asked_and_resumed_a_run_gives_the_same_bytes() {
    let archive = Archive::new(9);
    let job = |name: &str, resume| Reprocess {
        archives: vec![archive.path("archive")],
        products: ProductSource::Folder(archive.path("products")),
        calibrations: Some(archive.path("calibration")),
        out: archive.path(name),
        resume,
        shard: Shard::WHOLE,
        effort: Effort {
            threads: 2,
            verify: false,
        },
    };
    let go = |job: &Reprocess, most: usize| {
        let (stop, measured) = (AtomicBool::new(most == 0), AtomicUsize::new(0));
        let surroundings = Surroundings {
            now: &|| "2026-03-04T09:12:33Z".parse().unwrap(),
            working_folder: "here".to_owned(),
            stop: &stop,
        };
        let result = reprocess(job, &surroundings, &|event| {
            if let Event::Measured { .. } = event
                && measured.fetch_add(1, Ordering::Relaxed) + 1 >= most
            {
                stop.store(true, Ordering::Relaxed);
            }
        });
        (result.unwrap(), measured.into_inner())
    };
    let (whole, measured) = go(&job("whole", false), usize::MAX);
    assert_eq!((whole.unwrap().measured_now, measured), (9, 9));
    // Before anything is measured, then after two or a few more that were under way.
    let (result, measured) = go(&job("cut", false), 0);
    assert!(result.is_none() && measured == 0);
    let (result, measured) = go(&job("cut", true), 2);
    assert!(result.is_none());
    let stopped = standing(&archive.path("cut")).unwrap();
    assert_eq!(stopped.state, RunState::Stopped);
    assert_eq!(stopped.noted, measured as u64);
    let (result, rest) = go(&job("cut", true), usize::MAX);
    assert_eq!(result.unwrap().measured_now, rest);
    assert_eq!(measured + rest, 9);
    assert_eq!(
        standing(&archive.path("cut")).unwrap().state,
        RunState::Complete
    );
    assert_same(&archive.result("whole"), &archive.result("cut"));
}

#[test]
fn what_is_done_is_not_done_again() {
    let archive = Archive::new(10);
    archive.run("run", &[]);
    assert_eq!(archive.measured_now("run"), 10);
    let before = archive.result("run");
    let pieces = fs::metadata(archive.path("run/run.toml")).unwrap();
    assert!(pieces.is_file());
    archive.run("run", &["--resume"]);
    assert_eq!(archive.measured_now("run"), 0);
    archive.run("run", &["--resume", "--verify"]);
    assert_eq!(archive.measured_now("run"), 0);
    assert_same(&before, &archive.result("run"));
}

#[test]
fn new_scans_are_measured_and_no_others() {
    let archive = Archive::new(8);
    archive.run("grown", &[]);
    for number in 8..12 {
        archive.add(number);
    }
    archive.run("grown", &["--resume"]);
    assert_eq!(archive.measured_now("grown"), 4);
    archive.run("fresh", &[]);
    assert_same(&archive.result("fresh"), &archive.result("grown"));
}

#[test]
fn scans_that_are_gone_leave_the_run() {
    let archive = Archive::new(9);
    archive.run("shrunk", &[]);
    // All of one day, and one of another.
    for number in [0, 3, 6, 1] {
        for frame in 0..2 {
            let _ = fs::remove_dir_all(archive.scan(number, frame));
        }
    }
    archive.run("shrunk", &["--resume"]);
    assert_eq!(archive.measured_now("shrunk"), 0);
    archive.run("fresh", &[]);
    assert_same(&archive.result("fresh"), &archive.result("shrunk"));
}

#[test]
fn changed_inputs_and_settings_are_noticed() {
    let archive = Archive::new(9);
    archive.run("run", &[]);
    // Another height frame for one recording.
    let other = fs::read(archive.scan(1, 1).join("height.png")).unwrap();
    archive.replace(&archive.scan(0, 0).join("height.png"), &other);
    let told = archive.run("run", &["--resume"]);
    assert!(
        told.contains("1 of them because of changed inputs"),
        "{told}"
    );
    assert_eq!(archive.measured_now("run"), 1);
    // Another rule for one product.
    let profile = archive.path("products/rolls.toml");
    let text = fs::read_to_string(&profile).unwrap();
    fs::write(
        &profile,
        text.replace("min_area_cm2 = ", "min_area_cm2 = 1"),
    )
    .unwrap();
    archive.run("run", &["--resume"]);
    assert_eq!(archive.measured_now("run"), 3);
    // A calibration that comes into force before some of the scans.
    let scanner = archive.path("calibration/scanners/harbour-1");
    let old = fs::read_to_string(scanner.join("2026-01-01.toml")).unwrap();
    let line = old
        .lines()
        .find(|line| line.starts_with("valid_from"))
        .unwrap();
    fs::write(
        scanner.join("2026-03-05.toml"),
        old.replace(line, "valid_from = 2026-03-05T00:00:00Z"),
    )
    .unwrap();
    archive.run("run", &["--resume"]);
    assert_eq!(archive.measured_now("run"), 3);
    archive.run("fresh", &[]);
    assert_same(&archive.result("fresh"), &archive.result("run"));
}

#[test]
fn a_change_that_neither_size_nor_time_shows_is_found_by_verify() {
    let archive = Archive::new(3);
    archive.run("run", &[]);
    let path = archive.scan(0, 0).join("scan.toml");
    let time = fs::metadata(&path).unwrap().modified().unwrap();
    let text = fs::read_to_string(&path).unwrap();
    let changed = text.replace("scale_mm = 0.01\n", "scale_mm = 0.02\n");
    assert_eq!(text.len(), changed.len());
    assert_ne!(text, changed);
    fs::write(&path, changed).unwrap();
    // Both frames of a recording must agree.
    let second = archive.scan(0, 1).join("scan.toml");
    let second_time = fs::metadata(&second).unwrap().modified().unwrap();
    let text = fs::read_to_string(&second).unwrap();
    fs::write(
        &second,
        text.replace("scale_mm = 0.01\n", "scale_mm = 0.02\n"),
    )
    .unwrap();
    for (path, time) in [(&path, time), (&second, second_time)] {
        fs::File::options()
            .write(true)
            .open(path)
            .unwrap()
            .set_modified(time)
            .unwrap();
    }
    archive.run("run", &["--resume"]);
    assert_eq!(archive.measured_now("run"), 0);
    archive.run("run", &["--resume", "--verify"]);
    assert_eq!(archive.measured_now("run"), 1);
}

#[test]
fn scans_that_were_only_touched_are_read_but_not_measured_again() {
    let archive = Archive::new(4);
    archive.run("run", &[]);
    let file = fs::File::options()
        .write(true)
        .open(archive.scan(1, 0).join("height.png"))
        .unwrap();
    file.set_modified(std::time::SystemTime::UNIX_EPOCH + Duration::from_secs(1_700_000_000))
        .unwrap();
    archive.run("run", &["--resume"]);
    assert_eq!(archive.measured_now("run"), 0);
}

#[test]
fn notes_that_are_torn_or_altered_do_not_count() {
    let archive = Archive::new(6);
    archive.run("whole", &[]);
    let whole = archive.result("whole");
    // As a run leaves them that was killed before its tables were complete: rows in the notes, no tables.
    let mut child = archive.start("cut", &["--threads", "1"]);
    let notes = archive.path("cut/state/progress.jsonl");
    let lines = || fs::read_to_string(&notes).map_or(0, |text| text.lines().count());
    while lines() < 4 && child.try_wait().unwrap().is_none() {
        sleep(Duration::from_millis(2));
    }
    child.kill().unwrap();
    child.wait().unwrap();
    let bytes = fs::read(&notes).unwrap();
    let mut chance = ChaCha8Rng::seed_from_u64(11);
    for number in 0..4 {
        let name = format!("torn-{number}");
        copy_tree(&archive.path("cut"), &archive.path(&name));
        let mut damaged = bytes.clone();
        if number % 2 == 0 {
            damaged.truncate(chance.random_range(0..bytes.len()));
        } else {
            let at = chance.random_range(0..bytes.len());
            damaged[at] ^= 1 << chance.random_range(0..8);
        }
        fs::write(archive.path(&name).join("state/progress.jsonl"), damaged).unwrap();
        archive.run(&name, &["--resume"]);
        assert_same(&whole, &archive.result(&name));
    }
}

#[test]
fn tables_that_were_damaged_are_written_anew() {
    let archive = Archive::new(6);
    archive.run("run", &[]);
    let whole = archive.result("run");
    let victim = whole
        .keys()
        .find(|name| name.starts_with("pieces/"))
        .unwrap();
    fs::write(archive.path("run").join(victim), b"no table").unwrap();
    archive.run("run", &["--resume"]);
    assert!(archive.measured_now("run") > 0);
    assert_same(&whole, &archive.result("run"));
}
