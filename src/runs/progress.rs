//! What has been done, line by line, so that an interruption at any moment costs only what was under way.
//!
//! Each line ends with a checksum of its own. A line that is not as it was written (cut off, half on the disk) does not count: what
//! it told of is done again. Lines are only added; when the run is complete, the file is replaced by one without the rows, which
//! then stand in the tables.

use std::collections::{BTreeMap, BTreeSet};
use std::fs::{File, OpenOptions};
use std::io::{BufRead, BufReader, Read, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};
use std::sync::Arc;

use serde_json::{Value, json};

use crate::error::{Error, ErrorKind, Result};

use super::folder::{NewFile, ROOM, Written};
use super::outcome::{Done, Outcome, Rows};
use super::partition::Partition;
use super::shard::Shard;

const FORMAT: &str = "weighlight-progress/1";

/// Lines after which they are brought to the disk. A power cut costs at most so many recordings; see docs/runs.md.
const LINES_TO_SYNC: usize = 32;

/// Hexadecimal digits of a line's checksum.
const CHECKSUM_DIGITS: usize = 32;

/// Where a line stands in the file.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Place {
    at: u64,
    length: usize,
}

/// A recording that has been done.
#[derive(Debug, Clone)]
pub(super) struct Entry {
    pub(super) done: Done,
    /// The line that holds its rows; `None`: they stand in the tables.
    pub(super) place: Option<Place>,
}

/// The files of a partition that has been written.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct PartitionDone {
    /// Over the keys of all that is in it, in order, and the layout.
    pub(super) key: String,
    /// For each table its size and hash, in the order of `TABLES`.
    pub(super) files: Vec<Written>,
}

/// The file of what has been done.
#[derive(Debug)]
pub(super) struct Progress {
    path: PathBuf,
    file: File,
    end: u64,
    unsynced: usize,
    /// By recording.
    pub(super) entries: BTreeMap<String, Entry>,
    /// By the partition's text.
    pub(super) partitions: BTreeMap<String, PartitionDone>,
}

fn checksum(text: &[u8]) -> String {
    let mut hex = blake3::hash(text).to_hex().to_string();
    hex.truncate(CHECKSUM_DIGITS);
    hex
}

fn line_of(value: &Value) -> String {
    let text = value.to_string();
    let sum = checksum(text.as_bytes());
    format!("{text} {sum}\n")
}

/// What a line says; `None`: it is not as it was written.
fn value_of(line: &[u8]) -> Option<Value> {
    let line = line.strip_suffix(b"\n")?;
    let at = line.len().checked_sub(CHECKSUM_DIGITS + 1)?;
    let (text, sum) = line.split_at(at);
    let whole = sum.first() == Some(&b' ') && &sum[1..] == checksum(text).as_bytes();
    whole.then(|| serde_json::from_slice(text).ok()).flatten()
}

impl Progress {
    /// Opens the file, or starts it.
    ///
    /// # Errors
    /// It cannot be read or written, or is of another part of the run.
    pub(super) fn open(path: PathBuf, shard: Shard) -> Result<Self> {
        let io = |e: std::io::Error| Error::io(&path, &e);
        let file = OpenOptions::new()
            .read(true)
            .append(true)
            .create(true)
            .open(&path)
            .map_err(io)?;
        let mut progress = Self {
            path: path.clone(),
            file,
            end: 0,
            unsynced: 0,
            entries: BTreeMap::new(),
            partitions: BTreeMap::new(),
        };
        let torn = progress.read(shard)?;
        if torn {
            // The half line stays and does not count; the next starts on a line of its own.
            progress.append_text("\n")?;
        }
        if progress.end == 0 {
            progress.append(&json!({"format": FORMAT, "shard": shard.to_string()}))?;
            progress.sync()?;
        }
        Ok(progress)
    }

    /// Takes in all lines that count; returns whether the last is cut off.
    fn read(&mut self, shard: Shard) -> Result<bool> {
        let path = self.path.clone();
        let io = |e: std::io::Error| Error::io(&path, &e);
        let mut reader = BufReader::with_capacity(1 << 20, File::open(&path).map_err(io)?);
        let mut line = Vec::new();
        let mut torn = false;
        let mut known: BTreeSet<Arc<Partition>> = BTreeSet::new();
        loop {
            line.clear();
            let length = reader.read_until(b'\n', &mut line).map_err(io)?;
            if length == 0 {
                return Ok(torn);
            }
            torn = !line.ends_with(b"\n");
            let place = Place {
                at: self.end,
                length,
            };
            self.end += length as u64;
            let Some(value) = value_of(&line) else {
                continue;
            };
            if let Some(found) = value.get("shard").and_then(Value::as_str) {
                if found != shard.to_string() {
                    return Err(
                        Error::new(ErrorKind::Mismatch, format!("part {found} of a run"))
                            .at(&path)
                            .key("--shard")
                            .expected(format!(
                                "expected part {shard}; give every part a folder of its own"
                            )),
                    );
                }
            } else if let Some(partition) = value.get("partition").and_then(Value::as_str) {
                if let Some(done) = partition_of(&value) {
                    self.partitions.insert(partition.to_owned(), done);
                }
            } else if let Some(mut done) = Done::from_json(&value) {
                // Held once for all that is in it.
                match known.get(&done.partition) {
                    Some(partition) => done.partition = partition.clone(),
                    None => {
                        known.insert(done.partition.clone());
                    }
                }
                let place = value.get("row").is_some().then_some(place);
                let entry = Entry { done, place };
                self.entries.insert(entry.done.recording.clone(), entry);
            }
        }
    }

    /// Notes what a recording came to.
    pub(super) fn add(&mut self, outcome: &Outcome) -> Result<()> {
        let place = self.append(&outcome.json())?;
        let entry = Entry {
            done: outcome.done.clone(),
            place: Some(place),
        };
        self.entries.insert(entry.done.recording.clone(), entry);
        self.unsynced += 1;
        if self.unsynced >= LINES_TO_SYNC {
            self.sync()?;
        }
        Ok(())
    }

    /// Notes that a partition's tables are written.
    pub(super) fn add_partition(&mut self, partition: String, done: PartitionDone) -> Result<()> {
        self.append(&partition_json(&partition, &done))?;
        self.partitions.insert(partition, done);
        self.sync()
    }

    /// The rows that stand in a line.
    ///
    /// # Errors
    /// The file cannot be read any more or has changed meanwhile.
    pub(super) fn rows(&mut self, place: Place) -> Result<Rows> {
        let io = |e: std::io::Error| Error::io(&self.path, &e);
        let mut line = vec![0; place.length];
        // Writing appends wherever reading left off.
        self.file.seek(SeekFrom::Start(place.at)).map_err(io)?;
        self.file.read_exact(&mut line).map_err(io)?;
        let rows = value_of(&line).and_then(|value| Rows::from_json(&value));
        rows.ok_or_else(|| {
            Error::new(
                ErrorKind::Document,
                "a line changed while the run was under way",
            )
            .at(&self.path)
            .expected("run again with --resume: what it told of is then measured again")
        })
    }

    /// Brings what was noted to the disk.
    pub(super) fn sync(&mut self) -> Result<()> {
        self.unsynced = 0;
        self.file.sync_data().map_err(|e| full(&self.path, &e))
    }

    /// Replaces the file by one without rows, and without anything but these recordings and partitions.
    pub(super) fn compact(self, shard: Shard) -> Result<()> {
        let mut file = NewFile::create(&self.path)?;
        let mut write = |value: &Value| {
            let written = file.write_all(line_of(value).as_bytes());
            written.map_err(|e| full(&self.path, &e))
        };
        write(&json!({"format": FORMAT, "shard": shard.to_string()}))?;
        for entry in self.entries.values() {
            write(&entry.done.json())?;
        }
        for (partition, done) in &self.partitions {
            write(&partition_json(partition, done))?;
        }
        file.publish().map(|_| ())
    }

    fn append(&mut self, value: &Value) -> Result<Place> {
        self.append_text(&line_of(value))
    }

    fn append_text(&mut self, text: &str) -> Result<Place> {
        let written = self.file.write_all(text.as_bytes());
        if let Err(source) = written {
            return Err(full(&self.path, &source));
        }
        let place = Place {
            at: self.end,
            length: text.len(),
        };
        self.end += text.len() as u64;
        Ok(place)
    }
}

/// A write that failed, and that nothing is lost by it.
fn full(path: &Path, source: &std::io::Error) -> Error {
    Error::io(path, source).expected(ROOM)
}

fn partition_json(partition: &str, done: &PartitionDone) -> Value {
    let files: Vec<Value> = done
        .files
        .iter()
        .map(|file| json!([file.bytes, file.blake3.to_hex().to_string()]))
        .collect();
    json!({"partition": partition, "key": done.key, "files": files})
}

fn partition_of(value: &Value) -> Option<PartitionDone> {
    let files = value.get("files")?.as_array()?.iter().map(|file| {
        Some(Written {
            bytes: file.get(0)?.as_u64()?,
            blake3: blake3::Hash::from_hex(file.get(1)?.as_str()?).ok()?,
        })
    });
    Some(PartitionDone {
        key: value.get("key")?.as_str()?.to_owned(),
        files: files.collect::<Option<Vec<_>>>()?,
    })
}
