//! Damaged scans, odd folders, full disks: each told by name, nothing else touched.

use std::collections::BTreeSet;
use std::fs;

use weighlight::runs::Run;

use crate::archive::{Archive, assert_same, ended};

#[test]
fn damaged_scans_are_all_named_and_touch_no_other() {
    let archive = Archive::new(24);
    archive.run("sound", &[]);
    let sound = Run::open(&archive.path("sound")).unwrap();
    // Cut off, empty, of the wrong kind, without description, of another size.
    let height = fs::read(archive.scan(0, 0).join("height.png")).unwrap();
    archive.replace(
        &archive.scan(2, 0).join("height.png"),
        &height[..height.len() / 2],
    );
    archive.replace(&archive.scan(5, 0).join("height.png"), b"");
    archive.replace(&archive.scan(8, 0).join("colour.png"), b"text");
    archive.replace(&archive.scan(11, 0).join("scan.toml"), b"\xff\xfe");
    fs::remove_file(archive.scan(14, 0).join("height.png")).unwrap();
    let bad: BTreeSet<String> = [2, 5, 8, 11, 14]
        .map(|number| {
            let path = archive.scan(number, 0);
            let below = path.strip_prefix(archive.path("")).unwrap();
            below.to_str().unwrap().to_owned()
        })
        .into();
    let output = archive.reprocess("run").output().unwrap();
    let told = ended(&output, 4);
    let run = Run::open(&archive.path("run")).unwrap();
    let named: BTreeSet<String> = run
        .rejected()
        .unwrap()
        .into_iter()
        .map(|row| row.input)
        .collect();
    assert_eq!(named, bad);
    assert!(told.contains("r0002"), "{told}");
    let rows = |run: &Run| {
        let mut rows = Vec::new();
        for partition in &run.partitions {
            let mut pieces = weighlight::tables::read_pieces(&run.pieces_path(partition)).unwrap();
            pieces.retain(|piece| {
                !["r0002", "r0005", "r0008", "r0011", "r0014"].contains(&piece.recording.as_str())
            });
            rows.extend(pieces);
        }
        rows
    };
    assert!(!rows(&sound).is_empty());
    assert_eq!(rows(&sound), rows(&run));
    // Mended, they are measured, and they alone.
    for number in [2, 5, 8, 11, 14] {
        fs::remove_dir_all(archive.scan(number, 0)).unwrap();
        archive.add(number);
    }
    archive.run("run", &["--resume"]);
    assert_eq!(archive.measured_now("run"), 5);
    assert_same(&archive.result("sound"), &archive.result("run"));
}

#[test]
fn a_folder_with_something_else_in_it_is_left_as_it_is() {
    let archive = Archive::new(1);
    fs::create_dir(archive.path("thesis")).unwrap();
    fs::write(archive.path("thesis/chapter.txt"), "1").unwrap();
    let told = ended(
        &archive
            .reprocess("thesis")
            .arg("--resume")
            .output()
            .unwrap(),
        1,
    );
    assert!(told.contains("not empty"), "{told}");
    assert_eq!(archive.result("thesis").len(), 1);
    fs::write(archive.path("file"), "1").unwrap();
    let told = ended(&archive.reprocess("file").output().unwrap(), 1);
    assert!(told.contains("a file"), "{told}");
}

#[test]
fn a_run_in_a_run_and_a_run_twice_are_refused() {
    let archive = Archive::new(2);
    archive.run("run", &[]);
    let told = ended(&archive.reprocess("run").output().unwrap(), 1);
    assert!(told.contains("--resume"), "{told}");
    let told = ended(&archive.reprocess(".").output().unwrap(), 1);
    assert!(told.contains("lies in the run"), "{told}");
    // Among its tables a second run would be read with it.
    for inside in ["run/pieces/other", "run/other", "run/state/a/b"] {
        let told = ended(&archive.reprocess(inside).output().unwrap(), 1);
        assert!(told.contains("lies in another run"), "{told}");
        assert!(!archive.path(inside).exists());
    }
}

#[cfg(unix)]
#[test]
fn a_folder_that_cannot_be_written_is_told_with_what_to_do() {
    use std::os::unix::fs::PermissionsExt;
    let archive = Archive::new(1);
    let shut = archive.path("shut");
    fs::create_dir(&shut).unwrap();
    fs::set_permissions(&shut, fs::Permissions::from_mode(0o555)).unwrap();
    if fs::write(shut.join("try"), "1").is_ok() {
        println!("not tried: the superuser writes everywhere");
        return;
    }
    let told = ended(&archive.reprocess("shut/run").output().unwrap(), 1);
    assert!(told.contains("files can be written"), "{told}");
}

#[test]
fn two_programs_cannot_write_one_run_and_a_killed_one_leaves_no_lock() {
    let archive = Archive::new(14);
    let mut first = archive.start("run", &["--threads", "1"]);
    let lock = archive.path("run/state/progress.jsonl");
    while !lock.exists() {
        std::thread::sleep(std::time::Duration::from_millis(1));
    }
    let told = ended(
        &archive.reprocess("run").arg("--resume").output().unwrap(),
        1,
    );
    assert!(told.contains("another program is writing"), "{told}");
    first.kill().unwrap();
    assert!(
        first.wait().unwrap().code().is_none(),
        "it had ended before it was killed"
    );
    archive.run("run", &["--resume"]);
    archive.run("whole", &[]);
    assert_same(&archive.result("whole"), &archive.result("run"));
}

#[test]
fn a_profile_that_is_not_there_is_a_reason_for_its_recordings_alone() {
    let archive = Archive::new(6);
    fs::rename(
        archive.path("products/rolls.toml"),
        archive.path("rolls.toml"),
    )
    .unwrap();
    let told = ended(&archive.reprocess("run").output().unwrap(), 4);
    assert!(told.contains("no profile \"rolls\""), "{told}");
    let run = Run::open(&archive.path("run")).unwrap();
    assert_eq!(run.description.counts.recordings, 6);
    assert_eq!(run.description.counts.measured, 4);
    fs::rename(
        archive.path("rolls.toml"),
        archive.path("products/rolls.toml"),
    )
    .unwrap();
    archive.run("run", &["--resume"]);
    assert_eq!(archive.measured_now("run"), 2);
    archive.run("fresh", &[]);
    assert_same(&archive.result("fresh"), &archive.result("run"));
}

#[cfg(unix)]
#[test]
fn links_in_circles_and_names_that_are_no_text_do_no_harm() {
    use std::os::unix::ffi::OsStrExt;
    let archive = Archive::new(3);
    archive.run("plain", &[]);
    std::os::unix::fs::symlink(archive.path("archive"), archive.path("archive/00/up")).unwrap();
    let odd = archive
        .path("archive")
        .join(std::ffi::OsStr::from_bytes(b"odd \xff\xfe"));
    fs::rename(archive.path("archive/02"), &odd).unwrap();
    let output = archive.reprocess("odd").output().unwrap();
    ended(&output, 0);
    let run = Run::open(&archive.path("odd")).unwrap();
    assert_eq!(run.description.counts.measured, 3);
    let inputs: Vec<_> = run
        .partitions
        .iter()
        .flat_map(|partition| run.inputs(partition).unwrap())
        .collect();
    assert!(
        inputs
            .iter()
            .any(|row| row.folder.contains("odd \\xff\\xfe"))
    );
}

#[test]
fn ids_that_are_there_twice_and_clocks_that_run_backwards_are_told_or_taken() {
    let archive = Archive::new(6);
    // A second scan of the same id: the one that stands first in the archive stays.
    let copy = archive.path("archive/99/copy");
    fs::create_dir_all(&copy).unwrap();
    for name in ["scan.toml", "height.png", "colour.png"] {
        fs::copy(archive.scan(2, 0).join(name), copy.join(name)).unwrap();
    }
    // The second frame of a recording bears an earlier time than the first.
    let second = archive.scan(0, 1).join("scan.toml");
    let text = fs::read_to_string(&second).unwrap();
    let line = text
        .lines()
        .find(|line| line.starts_with("captured"))
        .unwrap();
    fs::write(
        &second,
        text.replace(line, "captured = 1999-12-31T23:59:59Z"),
    )
    .unwrap();
    let told = ended(&archive.reprocess("run").output().unwrap(), 4);
    let run = Run::open(&archive.path("run")).unwrap();
    let rejected = run.rejected().unwrap();
    assert_eq!(rejected.len(), 1, "{told}");
    assert_eq!(rejected[0].input, "archive/99/copy");
    assert!(rejected[0].reason.contains("is also the id of"));
    assert_eq!(run.description.counts.measured, 6);
    assert!(
        run.partitions
            .iter()
            .all(|partition| partition.day.starts_with("2026-03"))
    );
}

#[cfg(target_os = "linux")]
#[test]
fn a_full_disk_stops_a_run_and_room_lets_it_go_on() {
    use std::process::Command;
    let archive = Archive::new(12);
    archive.run("whole", &[]);
    let small = archive.path("small");
    fs::create_dir(&small).unwrap();
    let mount = |options: &str| {
        let mounted = Command::new("mount")
            .args(["-t", "tmpfs", "-o", options, "none"])
            .arg(&small)
            .output();
        mounted.is_ok_and(|output| output.status.success())
    };
    if mount("size=4k") {
        // Not even the first note finds room.
        let told = ended(&archive.reprocess("small/run").output().unwrap(), 1);
        assert!(told.contains("make room"), "{told}");
        assert!(
            Command::new("umount")
                .arg(&small)
                .status()
                .unwrap()
                .success()
        );
    }
    if !mount("size=64k") {
        println!("not tried: file systems can be mounted by the superuser only");
        return;
    }
    let told = archive.reprocess("small/run").output().unwrap();
    let more = mount("remount,size=64m");
    let resumed = archive
        .reprocess("small/run")
        .arg("--resume")
        .output()
        .unwrap();
    let result = archive.result("small/run");
    let _ = Command::new("umount").arg(&small).output();
    assert!(more);
    let told = ended(&told, 1);
    assert!(told.contains("No space left"), "{told}");
    assert!(told.contains("--resume"), "{told}");
    ended(&resumed, 0);
    assert_same(&archive.result("whole"), &result);
}

#[cfg(target_os = "linux")]
#[test]
fn a_disk_that_takes_nothing_is_told() {
    let archive = Archive::new(1);
    // Nobody can make a folder there, not even the superuser.
    let told = ended(&archive.reprocess("/proc/run").output().unwrap(), 1);
    assert!(told.contains("/proc/run"), "{told}");
}
