//! An archive of many recordings, made of two that were simulated, and what a run over it left.

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Output, Stdio};

use tempfile::TempDir;

/// An archive in a folder of its own, with profiles and calibrations beside it.
pub struct Archive {
    folder: TempDir,
    templates: Vec<Vec<PathBuf>>,
}

pub fn program() -> Command {
    Command::new(assert_cmd::cargo::cargo_bin!("weighlight"))
}

/// Standard error as text, after checking how the program ended.
#[track_caller]
pub fn ended(output: &Output, code: i32) -> String {
    let text = String::from_utf8_lossy(&output.stderr).into_owned();
    assert_eq!(output.status.code(), Some(code), "{text}");
    text
}

impl Archive {
    /// Recordings 0 to `count`: some of strips in two frames, some of rolls in one, on several days.
    pub fn new(count: usize) -> Self {
        let folder = tempfile::tempdir().unwrap();
        let mut archive = Self {
            folder,
            templates: Vec::new(),
        };
        for (scenario, frames, length_mm) in [("lobes", "2", "200"), ("rolls", "1", "220")] {
            let made = archive.path(scenario);
            let output = program()
                .args([
                    "simulate",
                    scenario,
                    "--seed",
                    "3",
                    "--length-mm",
                    length_mm,
                ])
                .args(["--pieces", "3", "--frames", frames, "--out"])
                .arg(&made)
                .output()
                .unwrap();
            ended(&output, 0);
            let mut scans: Vec<PathBuf> = fs::read_dir(&made)
                .unwrap()
                .map(|entry| entry.unwrap().path())
                .filter(|path| path.join("scan.toml").exists())
                .collect();
            scans.sort();
            archive.templates.push(scans);
            copy_tree(&made.join("products"), &archive.path("products"));
            copy_tree(&made.join("calibration"), &archive.path("calibration"));
        }
        for number in 0..count {
            archive.add(number);
        }
        archive
    }

    pub fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    /// Folder of a frame of a recording.
    pub fn scan(&self, number: usize, frame: usize) -> PathBuf {
        self.path(&format!("archive/{:02}/r{number:04}_{frame}", number % 7))
    }

    /// Adds recording `number`. Heights and colours are links to the template's: change them through `replace` only.
    pub fn add(&self, number: usize) {
        let template = &self.templates[usize::from(number % 3 == 2)];
        for (frame, from) in template.iter().enumerate() {
            let to = self.scan(number, frame);
            fs::create_dir_all(&to).unwrap();
            for name in ["height.png", "colour.png"] {
                fs::hard_link(from.join(name), to.join(name)).unwrap();
            }
            let text = fs::read_to_string(from.join("scan.toml")).unwrap();
            let lines = text.lines().map(|line| {
                if line.starts_with("id =") {
                    format!("id = \"r{number:04}_{frame}\"")
                } else if line.starts_with("recording =") {
                    format!("recording = \"r{number:04}\"")
                } else if line.starts_with("captured =") {
                    format!(
                        "captured = 2026-03-{:02}T{:02}:{:02}:0{frame}Z",
                        4 + number % 3,
                        6 + number % 11,
                        number % 60
                    )
                } else {
                    line.to_owned()
                }
            });
            let text: Vec<String> = lines.collect();
            fs::write(to.join("scan.toml"), text.join("\n")).unwrap();
        }
    }

    /// Gives a file new content without touching what it may be linked to.
    pub fn replace(&self, path: &Path, bytes: &[u8]) {
        fs::remove_file(path).unwrap();
        fs::write(path, bytes).unwrap();
    }

    /// `weighlight reprocess` into the run `name`.
    pub fn reprocess(&self, name: &str) -> Command {
        let mut command = program();
        command
            .current_dir(self.folder.path())
            .args(["reprocess", "archive", "--products", "products"])
            .args(["--calibrations", "calibration", "--out", name])
            .env_remove("SLURM_ARRAY_TASK_ID")
            .env_remove("JOB_COMPLETION_INDEX");
        command
    }

    #[track_caller]
    pub fn run(&self, name: &str, options: &[&str]) -> String {
        ended(&self.reprocess(name).args(options).output().unwrap(), 0)
    }

    pub fn start(&self, name: &str, options: &[&str]) -> Child {
        self.reprocess(name)
            .args(options)
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .unwrap()
    }

    /// Every file of a run that belongs to its result, with its bytes.
    pub fn result(&self, name: &str) -> BTreeMap<String, Vec<u8>> {
        result_of(&self.path(name))
    }

    /// How many recordings were measured the last time.
    pub fn measured_now(&self, name: &str) -> usize {
        let journal = fs::read_to_string(self.path(name).join("state/journal.jsonl")).unwrap();
        let last: serde_json::Value =
            serde_json::from_str(journal.lines().last().unwrap()).unwrap();
        assert_eq!(last["what"], "done");
        last["measured"].as_str().unwrap().parse().unwrap()
    }
}

/// Every file of a run that belongs to its result, with its bytes.
pub fn result_of(run: &Path) -> BTreeMap<String, Vec<u8>> {
    let mut files = BTreeMap::new();
    collect(run, run, &mut files);
    files
}

fn collect(root: &Path, folder: &Path, files: &mut BTreeMap<String, Vec<u8>>) {
    for entry in fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        let name = path
            .strip_prefix(root)
            .unwrap()
            .to_str()
            .unwrap()
            .to_owned();
        if path.is_dir() {
            if name != "state" {
                collect(root, &path, files);
            }
        } else {
            files.insert(name, fs::read(&path).unwrap());
        }
    }
}

pub fn copy_tree(from: &Path, to: &Path) {
    fs::create_dir_all(to).unwrap();
    for entry in fs::read_dir(from).unwrap() {
        let path = entry.unwrap().path();
        let to = to.join(path.file_name().unwrap());
        if path.is_dir() {
            copy_tree(&path, &to);
        } else {
            fs::copy(&path, &to).unwrap();
        }
    }
}

/// Says which files differ instead of printing megabytes.
#[track_caller]
pub fn assert_same(one: &BTreeMap<String, Vec<u8>>, other: &BTreeMap<String, Vec<u8>>) {
    let names: Vec<&String> = one.keys().collect();
    let others: Vec<&String> = other.keys().collect();
    assert_eq!(names, others);
    assert!(!names.is_empty());
    for (name, bytes) in one {
        assert!(*bytes == other[name], "{name} differs");
    }
}
