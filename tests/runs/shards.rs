//! A run shared by several and merged is the run of one.

use std::fs;

use crate::archive::{Archive, assert_same, ended, program};

fn merged(archive: &Archive, parts: &[String], out: &str) -> std::process::Output {
    program()
        .current_dir(archive.path("."))
        .arg("merge")
        .args(parts)
        .args(["--out", out])
        .output()
        .unwrap()
}

#[test]
fn parts_merged_are_byte_for_byte_the_single_run() {
    let archive = Archive::new(13);
    // What cannot be read belongs to one part as well.
    archive.replace(&archive.scan(4, 0).join("scan.toml"), b"format = 1");
    archive.replace(&archive.scan(5, 0).join("colour.png"), b"no picture");
    let output = archive.reprocess("whole").output().unwrap();
    ended(&output, 4);
    let whole = archive.result("whole");
    for count in [2, 3, 7] {
        let mut parts = Vec::new();
        for index in 1..=count {
            let name = format!("part-{count}-{index}");
            let shard = format!("{index}/{count}");
            let output = archive
                .reprocess(&name)
                .args(["--shard", &shard])
                .output()
                .unwrap();
            assert!(matches!(output.status.code(), Some(0 | 4)), "{output:?}");
            parts.push(name);
        }
        parts.reverse();
        let out = format!("merged-{count}");
        ended(&merged(&archive, &parts, &out), 4);
        assert_same(&whole, &archive.result(&out));
    }
}

#[test]
fn a_missing_part_and_parts_that_do_not_belong_together_are_refused() {
    let archive = Archive::new(4);
    archive.run("a", &["--shard", "1/3"]);
    archive.run("b", &["--shard", "2/3"]);
    let told = ended(&merged(&archive, &["a".to_owned(), "b".to_owned()], "m"), 1);
    assert!(told.contains("of 3 parts these are missing: 3"), "{told}");
    archive.run("whole", &[]);
    let told = ended(
        &merged(&archive, &["a".to_owned(), "whole".to_owned()], "m2"),
        1,
    );
    assert!(told.contains("shard"), "{told}");
    let profile = archive.path("products/rolls.toml");
    let text = fs::read_to_string(&profile).unwrap();
    fs::write(&profile, format!("{text}\n# another\n")).unwrap();
    archive.run("c", &["--shard", "3/3"]);
    let parts = ["a", "b", "c"].map(str::to_owned);
    let told = ended(&merged(&archive, &parts, "m3"), 1);
    assert!(told.contains("other product profiles"), "{told}");
}

#[test]
fn a_part_is_not_gone_on_with_as_another() {
    let archive = Archive::new(2);
    archive.run("a", &["--shard", "1/2"]);
    let output = archive
        .reprocess("a")
        .args(["--resume", "--shard", "2/2"])
        .output()
        .unwrap();
    let told = ended(&output, 1);
    assert!(told.contains("part 1/2 of a run"), "{told}");
}

#[test]
fn runs_over_different_archives_merge_and_a_recording_counts_once() {
    let archive = Archive::new(6);
    archive.run("a", &[]);
    archive.run("b", &[]);
    ended(&merged(&archive, &["a".to_owned(), "b".to_owned()], "m"), 0);
    assert_same(&archive.result("a"), &archive.result("m"));
    // The same recording with another result is a contradiction.
    let other = fs::read(archive.scan(1, 1).join("height.png")).unwrap();
    archive.replace(&archive.scan(0, 0).join("height.png"), &other);
    archive.run("c", &[]);
    let told = ended(
        &merged(&archive, &["a".to_owned(), "c".to_owned()], "m2"),
        1,
    );
    assert!(told.contains("r0000 is there twice"), "{told}");
}

#[test]
fn a_damaged_part_is_refused_by_its_hash() {
    let archive = Archive::new(4);
    archive.run("a", &[]);
    let victim = archive
        .result("a")
        .into_keys()
        .find(|name| name.starts_with("inputs/"))
        .unwrap();
    let path = archive.path("a").join(victim);
    let mut bytes = fs::read(&path).unwrap();
    let middle = bytes.len() / 2;
    bytes[middle] ^= 1;
    fs::write(&path, bytes).unwrap();
    let told = ended(&merged(&archive, &["a".to_owned()], "m"), 1);
    assert!(told.contains("not as it was written"), "{told}");
}

#[test]
fn the_part_comes_from_the_environment_only_when_asked() {
    let archive = Archive::new(5);
    let array = |name: &str, options: &[&str]| {
        let output = archive
            .reprocess(name)
            .args(options)
            .env("SLURM_ARRAY_TASK_ID", "2")
            .env("SLURM_ARRAY_TASK_MIN", "1")
            .env("SLURM_ARRAY_TASK_MAX", "2")
            .env("SLURM_ARRAY_TASK_COUNT", "2")
            .output()
            .unwrap();
        ended(&output, 0);
        archive.result(name)
    };
    archive.run("second", &["--shard", "2/2"]);
    archive.run("whole", &[]);
    assert_same(
        &archive.result("second"),
        &array("auto", &["--shard", "auto"]),
    );
    assert_same(&archive.result("whole"), &array("asked-not", &[]));
}
