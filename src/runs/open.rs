//! A complete run, to be read.

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

use serde::Deserialize;

use crate::document::{Document, WireTime};
use crate::error::{Error, ErrorKind, Result};
use crate::tables::PieceRecord;

use super::folder::found;
use super::manifest::{
    MANIFEST_FILE, NamedFile, REJECTED_FILE, RUN_FILE, RUN_FORMAT, RunCounts, RunDescription,
};
use super::outcome::RejectedRow;
use super::partition::Partition;
use super::partition_files::TABLES;
use super::shard::Shard;

/// `run.toml` as it is written.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct RunRecord {
    #[allow(dead_code)] // Checked before the rest is read.
    format: String,
    version: String,
    archives: Vec<String>,
    one_product: bool,
    classes: Vec<String>,
    shard: Option<String>,
    manifest_blake3: String,
    counts: CountsRecord,
    #[serde(default)]
    product: Vec<FileRecord>,
    #[serde(default)]
    calibration: Vec<FileRecord>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct CountsRecord {
    recordings: u64,
    measured: u64,
    pieces: u64,
    rejected: u64,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct FileRecord {
    name: String,
    valid_from: Option<WireTime>,
    file: String,
    blake3: String,
}

/// A complete run in its folder.
#[derive(Debug, Clone)]
pub struct Run {
    /// The folder.
    pub path: PathBuf,
    /// What it says of itself.
    pub description: RunDescription,
    /// Its partitions, by scanner and day.
    pub partitions: Vec<Partition>,
    /// Its files with their hashes.
    manifest: Vec<(String, String)>,
}

impl Run {
    /// Whether a folder holds a run, complete or not.
    #[must_use]
    pub fn is_one(path: &Path) -> bool {
        path.join(RUN_FILE).is_file() || path.join("state").join("lock").is_file()
    }

    /// Opens a run. Its tables are not read yet.
    ///
    /// # Errors
    /// There is no run, it is not complete, or its description is not as it was written.
    pub fn open(path: &Path) -> Result<Self> {
        let file = path.join(RUN_FILE);
        if !file.is_file() {
            let error = match Self::is_one(path) {
                true => Error::new(ErrorKind::Mismatch, "the run is not complete")
                    .expected("run `reprocess` again with --resume"),
                false => Error::new(ErrorKind::Io, format!("no {RUN_FILE}"))
                    .expected("expected the folder of a run, as `reprocess` or `merge` writes it"),
            };
            return Err(error.at(path));
        }
        let document = Document::read(&file)?;
        document.expect_format(RUN_FORMAT)?;
        let record: RunRecord = document.decode()?;
        let named = |record: FileRecord| -> Result<NamedFile> {
            Ok(NamedFile {
                name: record.name,
                valid_from: record
                    .valid_from
                    .map(|time| document.time("valid_from", &time))
                    .transpose()?,
                file: record.file,
                blake3: record.blake3,
            })
        };
        let shard = match &record.shard {
            None => Shard::WHOLE,
            Some(text) => text.parse().map_err(|expected: String| {
                document.wrong("shard", "no part").expected(expected)
            })?,
        };
        let description = RunDescription {
            version: record.version,
            archives: record.archives,
            one_product: record.one_product,
            classes: record.classes,
            shard,
            counts: RunCounts {
                recordings: record.counts.recordings,
                measured: record.counts.measured,
                pieces: record.counts.pieces,
                rejected: record.counts.rejected,
            },
            products: record
                .product
                .into_iter()
                .map(named)
                .collect::<Result<_>>()?,
            calibrations: record
                .calibration
                .into_iter()
                .map(named)
                .collect::<Result<_>>()?,
        };
        let manifest = manifest(path, &record.manifest_blake3)?;
        let mut partitions = BTreeSet::new();
        for (name, _) in &manifest {
            let below = name.strip_prefix("pieces/");
            let partition = below.and_then(|rest| Partition::from_text(rest.rsplit_once('/')?.0));
            partitions.extend(partition);
        }
        Ok(Self {
            path: path.to_path_buf(),
            description,
            partitions: partitions.into_iter().collect(),
            manifest,
        })
    }

    /// Compares every file of the run with its hash.
    ///
    /// # Errors
    /// A file is missing or is not as it was written.
    pub fn verify(&self) -> Result<()> {
        for (name, hash) in &self.manifest {
            let path = self.path.join(name);
            let there = found(&path).map(|file| file.blake3.to_hex().to_string());
            if there.as_ref() != Some(hash) {
                let found = match there {
                    Some(_) => "the file is not as it was written",
                    None => "the file cannot be read",
                };
                return Err(Error::new(ErrorKind::Document, found)
                    .at(&path)
                    .expected("run `reprocess` again with --resume: it is then written anew"));
            }
        }
        Ok(())
    }

    /// The piece table of a partition, Parquet.
    #[must_use]
    pub fn pieces_path(&self, partition: &Partition) -> PathBuf {
        super::partition_files::part_path(&self.path, TABLES[0], partition)
    }

    /// Reads a partition, recording by recording in order, each with its pieces.
    ///
    /// # Errors
    /// A table is damaged, or what `take` returns.
    pub fn read(
        &self,
        partition: &Partition,
        take: &mut dyn FnMut(&super::RecordingRow, &[PieceRecord]) -> Result<()>,
    ) -> Result<()> {
        super::partition_files::read_partition(&self.path, partition, &mut |row, _, pieces| {
            take(&row, &pieces)
        })
    }

    /// The recordings of a partition in order.
    ///
    /// # Errors
    /// The table is damaged.
    pub fn recordings(&self, partition: &Partition) -> Result<Vec<super::RecordingRow>> {
        super::partition_files::read_recordings(&self.path, partition)
    }

    /// The input files of a partition in order.
    ///
    /// # Errors
    /// The table is damaged.
    pub fn inputs(&self, partition: &Partition) -> Result<Vec<super::InputRow>> {
        super::partition_files::read_inputs(&self.path, partition)
    }

    /// The inputs that are not in its tables.
    ///
    /// # Errors
    /// The list is damaged.
    pub fn rejected(&self) -> Result<Vec<RejectedRow>> {
        let path = self.path.join(REJECTED_FILE);
        let wrong = |e: csv::Error| Error::new(ErrorKind::Document, e.to_string()).at(&path);
        let mut reader = csv::Reader::from_path(&path).map_err(wrong)?;
        let mut rows = Vec::new();
        for record in reader.records() {
            let record = record.map_err(wrong)?;
            let cell = |at: usize| record.get(at).unwrap_or_default().to_owned();
            rows.push(RejectedRow {
                input: cell(0),
                recording: cell(1),
                reason: cell(2),
            });
        }
        Ok(rows)
    }
}

/// The files of a run and their hashes.
fn manifest(run: &Path, hash: &str) -> Result<Vec<(String, String)>> {
    let path = run.join(MANIFEST_FILE);
    let bytes = std::fs::read(&path).map_err(|e| Error::io(&path, &e))?;
    let wrong = |found: &str| {
        Error::new(ErrorKind::Document, found)
            .at(&path)
            .expected("run `reprocess` again with --resume: it is then written anew")
    };
    if blake3::hash(&bytes).to_hex().as_str() != hash {
        return Err(wrong("the manifest is not the one that run.toml names"));
    }
    let text = String::from_utf8(bytes).map_err(|_| wrong("not UTF-8"))?;
    let lines = text.lines().map(|line| {
        let (hash, name) = line.split_once("  ")?;
        Some((name.to_owned(), hash.to_owned()))
    });
    lines
        .collect::<Option<Vec<_>>>()
        .ok_or_else(|| wrong("a line that is not HASH  NAME"))
}
