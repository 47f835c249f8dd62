//! One recording of a run: read, hashed, measured.

use std::panic::{AssertUnwindSafe, catch_unwind};

use crate::error::{Error, ErrorKind, Result};
use crate::pipeline::{MeasuredRecording, Plan, measure_recording};
use crate::scan::{
    HashedFile, Recording, RecordingHead, Rejected, ScanHead, hashed_files, read_profiles,
};

use super::outcome::{Done, Outcome, RejectedRow, Rows, pieces_csv};
use super::partition::path_text;
use super::rows::{InputRow, RecordingRow};
use super::settings::RunSettings;
use super::unit::{Unit, full_key, inputs_hash, quick_key};

/// Measures a unit. Whatever is wrong with it becomes part of the outcome: a run goes on.
pub(super) fn measure_unit(unit: &Unit, settings: &RunSettings) -> Outcome {
    let recording = &unit.recording;
    let mut outcome = Outcome {
        done: Done {
            recording: recording.name().to_owned(),
            partition: unit.partition.clone(),
            quick: None,
            key: None,
            retry: false,
            measured: false,
            pieces: 0,
            rejected: Vec::new(),
        },
        rows: Rows {
            row: blank_row(recording, settings),
            inputs: Vec::new(),
            pieces_csv: String::new(),
        },
    };
    if let Err(error) = fill(&mut outcome, unit, settings) {
        outcome.done.retry = error.kind == ErrorKind::Io;
        outcome.done.rejected = RejectedRow::of_frames(recording, &error);
    }
    outcome
}

fn fill(outcome: &mut Outcome, unit: &Unit, settings: &RunSettings) -> Result<()> {
    let head = &unit.recording;
    let before = quick_key(head, settings)?;
    let recording = &head.read()?;
    let hashed = recording
        .frames
        .iter()
        .map(hashed_files)
        .collect::<Result<Vec<_>>>()?;
    let inputs = inputs_hash(&hashed);
    outcome.done.quick = Some(before);
    outcome.done.key = Some(full_key(head, settings, &inputs));
    outcome.rows.inputs = input_rows(recording, &hashed);
    outcome.rows.row.inputs_blake3 = inputs;
    let product = &settings.product_of(head)?.product;
    let plan = Plan {
        product,
        calibration: settings.calibration_of(head).map(|it| it.0),
        keep_views: false,
    };
    // A fault in one recording must not end a run of thousands; what it would have changed is dropped with it.
    let measured = catch_unwind(AssertUnwindSafe(|| {
        measure_recording(recording, &plan, &mut |_, _| Ok(()))
    }));
    let (measured, broken) = measured.unwrap_or_else(|_| {
        Err(Error::new(
            ErrorKind::Unmeasurable,
            "measuring ended in a fault of the program",
        )
        .expected("please keep the scan: it shows the fault"))
    })?;
    if quick_key(head, settings)? != before {
        let changed = Error::new(ErrorKind::Io, "a file changed while it was being measured");
        return Err(match recording.frames.first() {
            Some(frame) => changed.at(&frame.folder),
            None => changed,
        });
    }
    let mut row = outcome.rows.row.clone();
    complete(&mut row, recording, &measured);
    let pieces = measured.pieces.into_iter().map(|piece| piece.record);
    outcome.rows.pieces_csv = pieces_csv(pieces.collect())?;
    outcome.done.rejected = broken
        .iter()
        .map(|it| rejected_row(recording, it))
        .collect();
    outcome.done.retry = broken.iter().any(|it| it.error.kind == ErrorKind::Io);
    outcome.done.pieces = row.pieces;
    outcome.done.measured = true;
    outcome.rows.row = row;
    Ok(())
}

fn rejected_row(recording: &Recording, rejected: &Rejected) -> RejectedRow {
    RejectedRow {
        input: path_text(&rejected.folder),
        recording: recording.name.clone(),
        reason: rejected.error.to_string(),
    }
}

fn input_rows(recording: &Recording, hashed: &[Vec<HashedFile>]) -> Vec<InputRow> {
    let frames = recording.frames.iter().zip(hashed);
    frames
        .flat_map(|(frame, files)| {
            files.iter().map(|file| InputRow {
                recording: recording.name.clone(),
                scan: frame.description.id.clone(),
                folder: path_text(&frame.folder),
                file: path_text(&file.name),
                bytes: file.bytes,
                blake3: file.blake3.to_hex().to_string(),
            })
        })
        .collect()
}

/// What is known of a recording before it is measured.
fn blank_row(recording: &RecordingHead, settings: &RunSettings) -> RecordingRow {
    let first = recording.frames().first();
    RecordingRow {
        recording: recording.name().to_owned(),
        captured: first.map_or(jiff::Timestamp::UNIX_EPOCH, ScanHead::captured),
        measured: false,
        product: settings
            .product_of(recording)
            .ok()
            .map(|entry| entry.product.name.clone()),
        calibration_from: settings.calibration_of(recording).map(|it| it.0.valid_from),
        folder: first.map_or(String::new(), |frame| path_text(&frame.folder())),
        frames: 0,
        rows: 0,
        missing_rows: 0,
        columns: first.map_or(0, ScanHead::columns) as u64,
        width_mm: 0.0,
        length_mm: 0.0,
        duration_s: None,
        lanes: first.and_then(ScanHead::lanes).map(u64::from),
        belt_speed_mm_s: first.and_then(ScanHead::belt_speed_mm_s),
        pieces: 0,
        has_colour: false,
        colour_lossy: false,
        noise_mm: None,
        dropout_fraction: None,
        belt_fraction: None,
        learned: None,
        inputs_blake3: String::new(),
    }
}

/// What was found while measuring.
fn complete(row: &mut RecordingRow, recording: &Recording, measured: &MeasuredRecording) {
    let used: Vec<_> = recording
        .frames
        .iter()
        .filter(|frame| measured.scans.contains(&frame.description.id))
        .collect();
    let (Some(first), Some(last)) = (used.first(), used.last()) else {
        return;
    };
    let height = &first.description.height;
    let rows: usize = used.iter().map(|frame| frame.rows).sum();
    let span = last.end_profile() - height.first_profile;
    row.measured = true;
    row.frames = used.len() as u64;
    row.rows = rows as u64;
    row.missing_rows = span - row.rows.min(span);
    row.width_mm = first.columns as f64 * height.pitch_across_mm;
    row.length_mm = rows as f64 * height.pitch_along_mm;
    row.pieces = measured.pieces.len() as u64;
    row.has_colour = measured.has_colour;
    row.colour_lossy = used.iter().any(|frame| frame.colour_lossy);
    row.noise_mm = Some(measured.belt.noise_mm);
    row.dropout_fraction = Some(measured.belt.dropout_fraction);
    row.belt_fraction = Some(measured.belt.belt_fraction);
    row.learned = measured.learned.as_ref().map(|learned| learned.in_words());
    row.duration_s = row
        .belt_speed_mm_s
        .map(|speed_mm_s| span as f64 * height.pitch_along_mm / speed_mm_s);
    // Where rows have times of their own, those tell; the first and last frame's record were read for measuring a moment ago.
    let profiles = (read_profiles(first), read_profiles(last));
    if let (Ok(Some(first)), Ok(Some(last))) = profiles
        && let (Some(from), Some(to)) = (
            first.time.as_ref().and_then(|times| times.first()),
            last.time.as_ref().and_then(|times| times.last()),
        )
    {
        row.duration_s = Some(to.duration_since(*from).as_secs_f64());
    }
}
