//! Work begins before the whole archive has been read; what the end of the archive says otherwise counts.

use std::collections::BTreeSet;
use std::fs;
use std::path::Path;
use std::sync::Mutex;

use weighlight::runs::{
    Effort, Event, ProductSource, Run, RunFolder, RunResult, RunSettings, Shard, execute,
};
use weighlight::scan::{ArchiveReading, RecordingHead, read_archive};

use crate::archive::{Archive, assert_same, ended};

/// What happened in a run, in order.
#[derive(Debug, PartialEq)]
enum Happened {
    Read,
    Begin {
        to_do: usize,
        frames: usize,
        changed: usize,
    },
    Measured {
        recording: String,
        rejected: usize,
    },
}

/// A run by the library, which tells what happens.
fn run(archive: &Archive, name: &str, resume: bool) -> (RunResult, Vec<Happened>) {
    let settings = RunSettings::read(
        &[archive.path("archive")],
        &ProductSource::Folder(archive.path("products")),
        Some(&archive.path("calibration")),
        Shard::WHOLE,
    )
    .unwrap();
    let reading = ArchiveReading::begin(&[archive.path("archive")]).unwrap();
    let folder = RunFolder::open(&archive.path(name), resume).unwrap();
    let effort = Effort {
        threads: 2,
        verify: false,
    };
    let happened = Mutex::new(Vec::new());
    let result = execute(&folder, &settings, reading, effort, &|event| {
        happened.lock().unwrap().push(match event {
            Event::Read { .. } => Happened::Read,
            Event::Begin {
                to_do,
                frames_to_do,
                changed,
                ..
            } => Happened::Begin {
                to_do,
                frames: frames_to_do,
                changed,
            },
            Event::Measured {
                recording,
                rejected,
                ..
            } => Happened::Measured {
                recording: recording.to_owned(),
                rejected: rejected.len(),
            },
        });
    })
    .unwrap();
    (result, happened.into_inner().unwrap())
}

/// Changes a line of a scan's description.
fn set(scan: &Path, key: &str, value: &str) {
    let path = scan.join("scan.toml");
    let text = fs::read_to_string(&path).unwrap();
    let lines = text.lines().map(|line| match line.split_once(" = ") {
        Some((found, _)) if found == key => format!("{key} = {value}"),
        _ => line.to_owned(),
    });
    let lines: Vec<String> = lines.collect();
    fs::write(path, lines.join("\n")).unwrap();
}

#[test]
fn recordings_look_whole_long_before_the_end_and_the_end_is_what_reading_all_at_once_gives() {
    let archive = Archive::new(40);
    let all = read_archive(&[archive.path("archive")]).unwrap();
    let mut reading = ArchiveReading::begin(&[archive.path("archive")]).unwrap();
    let mut whole: Vec<(usize, RecordingHead)> = Vec::new();
    while let Some(some) = reading.more() {
        let scans = reading.scans();
        whole.extend(some.into_iter().map(|recording| (scans, recording)));
    }
    let scans = reading.scans();
    let read = reading.finish();
    // 27 recordings of two frames and 13 of one.
    assert_eq!(scans, 67);
    assert!(whole[0].0 <= 24, "the first after {} scans", whole[0].0);
    assert!(whole.len() >= 20, "only {} recordings", whole.len());
    for (_, recording) in &whole {
        assert!(read.recordings.contains(recording), "{}", recording.name());
    }
    let names: Vec<&str> = read.recordings.iter().map(RecordingHead::name).collect();
    let expected: Vec<&str> = all.recordings.iter().map(|it| it.name.as_str()).collect();
    assert_eq!(names, expected);
    for (head, recording) in read.recordings.iter().zip(&all.recordings) {
        assert_eq!(&head.read().unwrap(), recording);
    }
}

#[test]
fn what_is_measured_before_the_end_of_the_archive_is_told_once_it_is_certain() {
    let archive = Archive::new(24);
    let (result, happened) = run(&archive, "run", false);
    assert_eq!((result.measured_now, result.counts.measured), (24, 24));
    let begin = Happened::Begin {
        to_do: 24,
        frames: 40,
        changed: 0,
    };
    let at = happened.iter().position(|it| *it == begin).unwrap();
    assert!(happened[..at].iter().all(|it| *it == Happened::Read));
    let told: BTreeSet<&str> = happened[at + 1..]
        .iter()
        .map(|it| match it {
            Happened::Measured {
                recording,
                rejected: 0,
            } => recording.as_str(),
            other => panic!("{other:?}"),
        })
        .collect();
    assert_eq!((told.len(), happened.len() - at - 1), (24, 24));
}

#[test]
fn frames_that_come_late_change_what_was_measured_without_them() {
    // The first frames stand in folders that are read first, the second ones at the end of the archive: each recording looks whole
    // without its second frame. One late scan bears the id of an early one, and leads since its row comes first.
    let archive = Archive::new(30);
    let late = archive.path("archive/zz");
    fs::create_dir_all(&late).unwrap();
    for number in 0..30 {
        let second = archive.scan(number, 1);
        if second.exists() {
            fs::rename(&second, late.join(format!("r{number:04}_1"))).unwrap();
        }
    }
    let twin = archive.path("archive/zz/twin");
    fs::create_dir_all(&twin).unwrap();
    for name in ["height.png", "colour.png", "scan.toml"] {
        fs::copy(archive.scan(2, 0).join(name), twin.join(name)).unwrap();
    }
    set(&archive.scan(2, 0), "first_profile", "7");
    let (result, happened) = run(&archive, "run", false);
    assert_eq!((result.counts.recordings, result.measured_now), (30, 30));
    assert_eq!(result.rejected.len(), 1, "{:?}", result.rejected);
    assert!(result.rejected[0].reason.contains("is also the id of"));
    assert!(result.rejected[0].input.ends_with("archive/02/r0002_0"));
    assert!(happened.contains(&Happened::Begin {
        to_do: 30,
        frames: 50,
        changed: 0
    }));
    let measured = |it: &&Happened| matches!(it, Happened::Measured { .. });
    assert_eq!(happened.iter().filter(measured).count(), 30);
    let frames: u64 = {
        let run = Run::open(&archive.path("run")).unwrap();
        let rows = run.partitions.iter().map(|it| run.recordings(it).unwrap());
        rows.flatten().map(|row| row.frames).sum()
    };
    assert_eq!(frames, 50);
    // Nothing is left to do, and another run gives the same.
    let (again, _) = run(&archive, "run", true);
    assert_eq!(again.measured_now, 0);
    let (_, _) = run(&archive, "other", false);
    assert_same(&archive.result("run"), &archive.result("other"));
}

#[test]
fn what_is_done_is_not_done_again_though_its_frames_lie_far_apart() {
    let archive = Archive::new(20);
    let late = archive.path("archive/zz");
    fs::create_dir_all(&late).unwrap();
    for number in 0..20 {
        let second = archive.scan(number, 1);
        if second.exists() {
            fs::rename(&second, late.join(format!("r{number:04}_1"))).unwrap();
        }
    }
    run(&archive, "run", false);
    let before = archive.result("run");
    for number in 20..24 {
        archive.add(number);
    }
    let (grown, happened) = run(&archive, "run", true);
    assert_eq!(grown.measured_now, 4);
    let measured: BTreeSet<&str> = happened
        .iter()
        .filter_map(|it| match it {
            Happened::Measured { recording, .. } => Some(recording.as_str()),
            _ => None,
        })
        .collect();
    assert_eq!(measured, ["r0020", "r0021", "r0022", "r0023"].into());
    for number in 20..24 {
        for frame in 0..2 {
            let _ = fs::remove_dir_all(archive.scan(number, frame));
        }
    }
    run(&archive, "run", true);
    assert_same(&before, &archive.result("run"));
}

#[test]
fn a_description_that_changes_after_it_was_read_is_told_and_read_again_by_resume() {
    let archive = Archive::new(12);
    let reading = ArchiveReading::begin(&[archive.path("archive")]).unwrap();
    let read = reading.finish();
    let victim = read.recordings.iter().find(|it| it.name() == "r0000");
    let victim = victim.unwrap();
    set(&archive.scan(0, 1), "pitch_across_mm", "0.41");
    let error = victim.read().unwrap_err().to_string();
    assert!(error.contains("the scan changed"), "{error}");
    assert!(error.contains("r0000_1"), "{error}");
    // A run that begins now sees it as it is: its second frame does not go with the first.
    let output = archive.reprocess("run").output().unwrap();
    let told = ended(&output, 4);
    assert!(told.contains("pitch_across_mm"), "{told}");
}
