//! The units of work: recordings in their order, with what tells whether one has been measured as it is now.

use std::collections::BTreeSet;
use std::sync::Arc;

use crate::error::Result;
use crate::scan::{ArchiveHeads, HashedFile, RecordingHead, Rejected, ScanHead, stated_files};

use super::outcome::RejectedRow;
use super::partition::{Partition, path_text};
use super::settings::RunSettings;

/// A recording and where its results go. Its scans are read again when it is its turn: all of them would not fit into memory.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Unit {
    pub(super) recording: RecordingHead,
    pub(super) partition: Arc<Partition>,
}

/// What a run has to do.
#[derive(Debug)]
pub(super) struct Plan {
    /// In the order of the tables: scanner, time, recording, folder.
    pub(super) units: Vec<Arc<Unit>>,
    /// What cannot even be tried.
    pub(super) rejected: Vec<RejectedRow>,
}

impl Unit {
    /// The unit of a recording; `None`: it belongs to another part of the run.
    ///
    /// # Errors
    /// Its results could not be put anywhere.
    pub(super) fn of(recording: RecordingHead, settings: &RunSettings) -> Option<Result<Self>> {
        if !settings.shard.holds(recording.name().as_bytes()) {
            return None;
        }
        let first = recording.frames().first()?;
        Some(match Partition::of(first.scanner(), first.captured()) {
            Ok(partition) => Ok(Self {
                partition: Arc::new(partition),
                recording,
            }),
            Err(error) => Err(error.at(first.document_path())),
        })
    }
}

/// The units of this part of a run.
pub(super) fn plan(archive: ArchiveHeads, settings: &RunSettings) -> Plan {
    let mut plan = Plan {
        units: Vec::new(),
        rejected: Vec::new(),
    };
    for Rejected { folder, error } in archive.rejected {
        if settings.shard.holds(folder.as_os_str().as_encoded_bytes()) {
            plan.rejected.push(RejectedRow {
                input: path_text(&folder),
                recording: String::new(),
                reason: error.to_string(),
            });
        }
    }
    let mut partitions: BTreeSet<Arc<Partition>> = BTreeSet::new();
    for recording in archive.recordings {
        match Unit::of(recording.clone(), settings) {
            None => {}
            Some(Ok(mut unit)) => {
                // Held once for all that is in it.
                match partitions.get(&unit.partition) {
                    Some(known) => unit.partition = known.clone(),
                    None => {
                        partitions.insert(unit.partition.clone());
                    }
                }
                plan.units.push(Arc::new(unit));
            }
            Some(Err(error)) => plan
                .rejected
                .extend(RejectedRow::of_frames(&recording, &error)),
        }
    }
    plan.units.sort_by(|a, b| order(a).cmp(&order(b)));
    plan
}

/// What units are sorted by: no two of a plan have the same.
pub(super) fn order(unit: &Unit) -> (&str, Option<jiff::Timestamp>, &str) {
    let first = unit.recording.frames().first();
    (
        &unit.partition.scanner,
        first.map(ScanHead::captured),
        unit.recording.name(),
    )
}

/// The beginning of every key: what the result depends on besides the scans.
fn base(recording: &RecordingHead, settings: &RunSettings) -> blake3::Hasher {
    let mut hasher = blake3::Hasher::new();
    let product = match settings.product_of(recording) {
        Ok(entry) => entry.blake3.clone(),
        Err(error) => format!("none: {error}"),
    };
    let calibration = settings.calibration_of(recording).map_or("none", |it| it.1);
    for text in [
        "weighlight-unit/1",
        &settings.version,
        recording.name(),
        &product,
        calibration,
    ] {
        add(&mut hasher, text.as_bytes());
    }
    hasher
}

/// Adds a part so that no two lists of parts look alike.
fn add(hasher: &mut blake3::Hasher, part: &[u8]) {
    hasher.update(&(part.len() as u64).to_le_bytes());
    hasher.update(part);
}

/// What can be told without reading: changes whenever name, size or time of an input file, the profile, the calibration or the
/// program's version does.
///
/// # Errors
/// A file is not there any more.
pub(super) fn quick_key(recording: &RecordingHead, settings: &RunSettings) -> Result<blake3::Hash> {
    let mut hasher = base(recording, settings);
    for frame in recording.frames() {
        add(&mut hasher, frame.folder().as_os_str().as_encoded_bytes());
        add(&mut hasher, frame.id().as_bytes());
        for file in stated_files(frame)? {
            add(&mut hasher, file.name.as_os_str().as_encoded_bytes());
            hasher.update(&file.bytes.to_le_bytes());
            hasher.update(&file.modified_ns.to_le_bytes());
        }
    }
    Ok(hasher.finalize())
}

/// What has been read: changes whenever a result could.
pub(super) fn full_key(
    recording: &RecordingHead,
    settings: &RunSettings,
    inputs_blake3: &str,
) -> blake3::Hash {
    let mut hasher = base(recording, settings);
    for frame in recording.frames() {
        add(&mut hasher, frame.folder().as_os_str().as_encoded_bytes());
        add(&mut hasher, frame.id().as_bytes());
    }
    add(&mut hasher, inputs_blake3.as_bytes());
    hasher.finalize()
}

/// One hash over the files of all frames, wherever they lie.
pub(super) fn inputs_hash(frames: &[Vec<HashedFile>]) -> String {
    let mut hasher = blake3::Hasher::new();
    for files in frames {
        hasher.update(&(files.len() as u64).to_le_bytes());
        for file in files {
            add(&mut hasher, file.name.as_os_str().as_encoded_bytes());
            hasher.update(file.blake3.as_bytes());
        }
    }
    hasher.finalize().to_hex().to_string()
}
