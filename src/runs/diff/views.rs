//! A frame of a run measured once more, for pictures, when its scans, profile and calibration are still what they were.

use std::path::{Path, PathBuf};

use crate::calibration::{Calibration, read_calibration};
use crate::error::{Error, ErrorKind, Result};
use crate::pipeline::{FrameView, MeasuredPiece, Plan, measure_recording};
use crate::product::{Product, read_product};
use crate::runs::folder::{found, journal_path};
use crate::runs::{InputRow, NamedFile, Partition, RecordingRow, Run};
use crate::scan::{group_recordings, hashed_files, read_scan};

/// A frame with its pieces.
#[derive(Debug, Clone)]
pub struct FrameSeen {
    /// Its surface.
    pub view: FrameView,
    /// The pieces that reach into it.
    pub pieces: Vec<MeasuredPiece>,
}

/// Measures the recording again as the run did and returns the frame of the scan `scan`.
///
/// # Errors
/// A scan, the profile or the calibration is not there any more or not as the run used it.
pub fn frame_seen(
    run: &Run,
    partition: &Partition,
    recording: &str,
    scan: &str,
) -> Result<FrameSeen> {
    let rows = run.recordings(partition)?;
    let row = rows.iter().find(|row| row.recording == recording);
    let row = row.ok_or_else(|| gone(format!("recording {recording} is not in the run")))?;
    let here = working_folder(run);
    let product = product(run, row, &here)?;
    let calibration = calibration(run, partition, row, &here)?;
    let inputs: Vec<InputRow> = run
        .inputs(partition)?
        .into_iter()
        .filter(|input| input.recording == recording)
        .collect();
    let mut folders: Vec<&String> = inputs.iter().map(|input| &input.folder).collect();
    folders.dedup();
    let mut scans = Vec::new();
    for folder in folders {
        let path = here.join(folder);
        let scan = read_scan(&path)?;
        for file in hashed_files(&scan)? {
            let known = inputs.iter().any(|input| {
                input.folder == *folder
                    && Path::new(&input.file) == file.name
                    && input.blake3 == file.blake3.to_hex().as_str()
            });
            if !known {
                return Err(gone("the file is not the one that was measured".to_owned())
                    .at(path.join(file.name)));
            }
        }
        scans.push((path, Ok(scan)));
    }
    let (recordings, _) = group_recordings(scans);
    let found = recordings.iter().find(|it| it.name == recording);
    let found =
        found.ok_or_else(|| gone(format!("recording {recording} is not there any more")))?;
    let plan = Plan {
        product: &product,
        calibration: calibration.as_ref(),
        keep_views: true,
    };
    let mut seen = None;
    measure_recording(found, &plan, &mut |view, pieces| {
        if view.scan == scan {
            seen = Some(FrameSeen {
                view,
                pieces: pieces.to_vec(),
            });
        }
        Ok(())
    })?;
    seen.ok_or_else(|| gone(format!("scan {scan} is not in the recording any more")))
}

fn gone(found: String) -> Error {
    Error::new(ErrorKind::Mismatch, found)
        .expected("pictures need the scans, profile and calibration as they were")
}

/// Where the run was started: its paths are below it unless they are absolute.
fn working_folder(run: &Run) -> PathBuf {
    let journal = std::fs::read_to_string(journal_path(&run.path)).unwrap_or_default();
    let started = journal.lines().rev().find_map(|line| {
        let value: serde_json::Value = serde_json::from_str(line).ok()?;
        value.get("in")?.as_str().map(PathBuf::from)
    });
    started.unwrap_or_default()
}

/// The path of a file that is still what the run used.
fn unchanged(file: &NamedFile, here: &Path) -> Result<PathBuf> {
    let path = here.join(&file.file);
    let there = found(&path).map(|it| it.blake3.to_hex().to_string());
    match there.as_ref() == Some(&file.blake3) {
        true => Ok(path),
        false => Err(gone("the file is not the one that was used".to_owned()).at(path)),
    }
}

fn product(run: &Run, row: &RecordingRow, here: &Path) -> Result<Product> {
    let name = row.product.as_deref().unwrap_or_default();
    let file = run.description.products.iter().find(|it| it.name == name);
    let file = file.ok_or_else(|| gone(format!("no profile {name}")))?;
    read_product(&unchanged(file, here)?)
}

fn calibration(
    run: &Run,
    partition: &Partition,
    row: &RecordingRow,
    here: &Path,
) -> Result<Option<Calibration>> {
    let Some(from) = row.calibration_from else {
        return Ok(None);
    };
    let file = run
        .description
        .calibrations
        .iter()
        .find(|it| it.name == partition.scanner && it.valid_from == Some(from));
    let file = file.ok_or_else(|| gone(format!("no calibration from {from}")))?;
    read_calibration(&unchanged(file, here)?).map(Some)
}
