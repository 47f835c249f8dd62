//! What lies beside the tables when a run is complete: its description, the inputs that are not in it, and the hash of every file.

use std::path::Path;

use crate::document::TomlText;
use crate::error::{Error, ErrorKind, Result};

use super::folder::{Written, write_file};
use super::outcome::RejectedRow;
use super::partition_files::{TABLES, part_text};
use super::settings::RunSettings;
use super::shard::Shard;

/// The format word of `run.toml`.
pub(super) const RUN_FORMAT: &str = "weighlight-run/1";
/// The description of a run; only a complete run has one.
pub const RUN_FILE: &str = "run.toml";
/// The list of inputs that are not in the tables.
pub const REJECTED_FILE: &str = "rejected.csv";
/// The hashes of all files, as `b3sum --check` reads them.
pub const MANIFEST_FILE: &str = "manifest.b3";

/// How much is in a run.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct RunCounts {
    /// Recordings found.
    pub recordings: u64,
    /// Recordings measured.
    pub measured: u64,
    /// Pieces.
    pub pieces: u64,
    /// Inputs rejected.
    pub rejected: u64,
}

/// A profile or calibration as `run.toml` names it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct NamedFile {
    /// The profile's id, or the calibration's scanner.
    pub name: String,
    /// From when a calibration holds.
    pub valid_from: Option<jiff::Timestamp>,
    /// The file as it was given.
    pub file: String,
    /// BLAKE3 of the file, hexadecimal.
    pub blake3: String,
}

/// What `run.toml` says.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RunDescription {
    /// The program's version.
    pub version: String,
    /// The archives, as they were given.
    pub archives: Vec<String>,
    /// Whether one profile was used for all scans.
    pub one_product: bool,
    /// The classes that have columns.
    pub classes: Vec<String>,
    /// Which part of a run it is.
    pub shard: Shard,
    /// How much is in it.
    pub counts: RunCounts,
    /// The profiles.
    pub products: Vec<NamedFile>,
    /// The calibrations.
    pub calibrations: Vec<NamedFile>,
}

impl RunDescription {
    /// Of a run with these settings, of which so much has come.
    pub(super) fn new(settings: &RunSettings, counts: RunCounts) -> Self {
        Self {
            version: settings.version.clone(),
            archives: settings.archives.clone(),
            one_product: settings.one_product,
            classes: settings.classes(),
            shard: settings.shard,
            counts,
            products: settings
                .products
                .iter()
                .map(|entry| NamedFile {
                    name: entry.product.name.clone(),
                    valid_from: None,
                    file: entry.file.clone(),
                    blake3: entry.blake3.clone(),
                })
                .collect(),
            calibrations: settings
                .calibrations
                .iter()
                .map(|entry| NamedFile {
                    name: entry.scanner.clone(),
                    valid_from: Some(entry.valid_from),
                    file: entry.file.clone(),
                    blake3: entry.blake3.clone(),
                })
                .collect(),
        }
    }

    pub(super) fn toml(&self, manifest: &Written) -> String {
        let mut toml = TomlText::new(RUN_FORMAT);
        toml.text("version", &self.version);
        toml.raw("archives", &texts(&self.archives));
        toml.flag("one_product", self.one_product);
        toml.raw("classes", &texts(&self.classes));
        if self.shard != Shard::WHOLE {
            toml.text("shard", &self.shard.to_string());
        }
        toml.text("manifest_blake3", &manifest.blake3.to_hex());
        toml.table("counts");
        toml.whole("recordings", self.counts.recordings);
        toml.whole("measured", self.counts.measured);
        toml.whole("pieces", self.counts.pieces);
        toml.whole("rejected", self.counts.rejected);
        for (list, item) in [
            (&self.products, "product"),
            (&self.calibrations, "calibration"),
        ] {
            for file in list {
                toml.item(item);
                toml.text("name", &file.name);
                if let Some(time) = file.valid_from {
                    toml.time("valid_from", time);
                }
                toml.text("file", &file.file);
                toml.text("blake3", &file.blake3);
            }
        }
        toml.finish()
    }
}

fn texts(values: &[String]) -> String {
    let quoted: Vec<String> = values
        .iter()
        .map(|value| crate::document::quoted(value))
        .collect();
    format!("[{}]", quoted.join(", "))
}

/// Completes a run: the list of rejected inputs, the manifest, and last of all the description, which makes it count.
pub(super) fn complete<'a>(
    run: &Path,
    description: &RunDescription,
    rejected: &[RejectedRow],
    partitions: impl Iterator<Item = (&'a str, &'a [Written])>,
) -> Result<()> {
    let rejected = write_file(&run.join(REJECTED_FILE), &rejected_csv(rejected)?)?;
    let mut lines: Vec<(String, Written)> = vec![(REJECTED_FILE.to_owned(), rejected)];
    for (partition, files) in partitions {
        for (table, file) in TABLES.iter().zip(files) {
            lines.push((part_text(table, partition), *file));
        }
    }
    lines.sort_by(|a, b| a.0.cmp(&b.0));
    let mut text = String::new();
    for (name, file) in &lines {
        text.push_str(&format!("{}  {name}\n", file.blake3.to_hex()));
    }
    let manifest = write_file(&run.join(MANIFEST_FILE), text.as_bytes())?;
    write_file(&run.join(RUN_FILE), description.toml(&manifest).as_bytes()).map(|_| ())
}

fn rejected_csv(rejected: &[RejectedRow]) -> Result<Vec<u8>> {
    let failed = |e: csv::Error| Error::new(ErrorKind::Io, e.to_string());
    let mut writer = csv::Writer::from_writer(Vec::new());
    writer
        .write_record(["input", "recording", "reason"])
        .map_err(failed)?;
    for row in rejected {
        writer
            .write_record([&row.input, &row.recording, &row.reason])
            .map_err(failed)?;
    }
    writer
        .into_inner()
        .map_err(|e| Error::new(ErrorKind::Io, e.to_string()))
}
