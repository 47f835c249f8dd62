//! The three tables of a partition, written together; and read again, recording by recording.

use std::path::{Path, PathBuf};

use crate::error::{Error, ErrorKind, Result};
use crate::tables::{PieceRecord, PieceStream, StreamAbout, read_csv, read_pieces_by_product};

use super::folder::{NewFile, ROOM, Written, found, remove_file};
use super::outcome::Rows;
use super::partition::{Partition, path_text};
use super::plain_table::{PlainStream, read_rows};
use super::progress::PartitionDone;
use super::rows::{INPUTS, InputRow, RECORDINGS, RecordingRow};

/// The tables of a run, each a folder.
pub const TABLES: [&str; 3] = ["pieces", "recordings", "inputs"];

/// The one file of a partition.
const FILE: &str = "part-0.parquet";

/// Where a table's part of a partition lies in a run.
pub(super) fn part_path(run: &Path, table: &str, partition: &Partition) -> PathBuf {
    run.join(table).join(partition.path()).join(FILE)
}

/// The same as text below the run, always with `/`.
pub(super) fn part_text(table: &str, partition: &str) -> String {
    format!("{table}/{partition}/{FILE}")
}

/// Names what is in a partition: the layout, and the keys of its recordings in order.
#[derive(Debug)]
pub(super) struct PartitionKey(blake3::Hasher);

impl PartitionKey {
    pub(super) fn new(about: &StreamAbout) -> Self {
        let mut hasher = blake3::Hasher::new();
        for text in std::iter::once(&about.version).chain(&about.classes) {
            hasher.update(&(text.len() as u64).to_le_bytes());
            hasher.update(text.as_bytes());
        }
        Self(hasher)
    }

    pub(super) fn add(&mut self, unit_key: &str) {
        self.0.update(&(unit_key.len() as u64).to_le_bytes());
        self.0.update(unit_key.as_bytes());
    }

    pub(super) fn finish(self) -> String {
        self.0.finalize().to_hex().to_string()
    }
}

/// Writes the tables of a partition from its recordings' rows in the tables' order.
///
/// # Errors
/// The rows cannot be had, or the disk takes no more. What was there before then stays.
pub(super) fn write_partition(
    run: &Path,
    partition: &Partition,
    about: &StreamAbout,
    recordings: impl Iterator<Item = Result<Rows>>,
) -> Result<Vec<Written>> {
    let [pieces_path, recordings_path, inputs_path] =
        TABLES.map(|table| part_path(run, table, partition));
    let mut pieces_file = NewFile::create(&pieces_path)?;
    let mut recordings_file = NewFile::create(&recordings_path)?;
    let mut inputs_file = NewFile::create(&inputs_path)?;
    let room = |error: Error| match error.kind {
        ErrorKind::Io => error.at(&pieces_path).expected(ROOM),
        _ => error,
    };
    let write = || -> Result<()> {
        let mut pieces = PieceStream::new(&mut pieces_file, about)?;
        let mut rows = PlainStream::new(&mut recordings_file, RECORDINGS, &about.version)?;
        let mut inputs = PlainStream::new(&mut inputs_file, INPUTS, &about.version)?;
        for recording in recordings {
            let recording = recording?;
            let product = recording.row.product.as_deref().unwrap_or_default();
            // A recording that could not be measured has no table at all, not even a header.
            let measured = !recording.pieces_csv.is_empty();
            let pieces_csv = measured.then_some(&recording.pieces_csv);
            for piece in pieces_csv.map_or(Ok(Vec::new()), |text| read_csv(text.as_bytes()))? {
                pieces.push(piece, product)?;
            }
            for input in &recording.inputs {
                inputs.push(input.cells())?;
            }
            rows.push(recording.row.cells())?;
        }
        pieces.finish()?;
        rows.finish()?;
        inputs.finish()?;
        Ok(())
    };
    write().map_err(room)?;
    [pieces_file, recordings_file, inputs_file]
        .into_iter()
        .map(|file| file.publish().map_err(room))
        .collect()
}

/// Whether the tables of a partition are there as they were written.
pub(super) fn is_intact(run: &Path, partition: &Partition, done: &PartitionDone) -> bool {
    let files = TABLES.map(|table| found(&part_path(run, table, partition)));
    files.len() == done.files.len()
        && files
            .iter()
            .zip(&done.files)
            .all(|(there, written)| there.as_ref() == Some(written))
}

/// Reads the recordings of a partition of a run, in order.
///
/// # Errors
/// The table is damaged.
pub(super) fn read_recordings(run: &Path, partition: &Partition) -> Result<Vec<RecordingRow>> {
    let path = part_path(run, "recordings", partition);
    let mut recordings = Vec::new();
    read_rows(&path, RECORDINGS, &mut |cells| {
        recordings.push(RecordingRow::from_cells(cells).ok_or_else(|| no_row(&path))?);
        Ok(())
    })?;
    Ok(recordings)
}

/// Reads the inputs of a partition of a run, in order.
///
/// # Errors
/// The table is damaged.
pub(super) fn read_inputs(run: &Path, partition: &Partition) -> Result<Vec<InputRow>> {
    let path = part_path(run, "inputs", partition);
    let mut inputs = Vec::new();
    read_rows(&path, INPUTS, &mut |cells| {
        inputs.push(InputRow::from_cells(cells).ok_or_else(|| no_row(&path))?);
        Ok(())
    })?;
    Ok(inputs)
}

fn no_row(path: &Path) -> Error {
    Error::new(ErrorKind::Document, "a row without what every row has")
        .at(path)
        .expected("expected the table as the run wrote it")
}

/// Reads the rows of a partition again, recording by recording: `take` gets them in order.
///
/// # Errors
/// A table is damaged, or what `take` returns.
pub(super) fn read_partition(
    run: &Path,
    partition: &Partition,
    take: &mut dyn FnMut(RecordingRow, Vec<InputRow>, Vec<PieceRecord>) -> Result<()>,
) -> Result<()> {
    let mut recordings = read_recordings(run, partition)?.into_iter().peekable();
    let mut inputs = read_inputs(run, partition)?.into_iter().peekable();
    let mut pieces: Vec<PieceRecord> = Vec::new();
    let mut give = |row: RecordingRow, pieces: &mut Vec<PieceRecord>| {
        let mut own = Vec::new();
        while let Some(input) = inputs.next_if(|input| input.recording == row.recording) {
            own.push(input);
        }
        take(row, own, std::mem::take(pieces))
    };
    let path = part_path(run, "pieces", partition);
    read_pieces_by_product(&path, &mut |piece, _| {
        // Recordings without pieces lie between those with some.
        while let Some(row) = recordings.next_if(|row| row.recording != piece.recording) {
            give(row, &mut pieces)?;
        }
        if recordings.peek().is_none() {
            return Err(no_row(&path).key(piece.recording));
        }
        pieces.push(piece);
        Ok(())
    })?;
    for row in recordings {
        give(row, &mut pieces)?;
    }
    Ok(())
}

/// Removes the tables of partitions that do not belong to the run any more, with the folders that this leaves empty.
///
/// # Errors
/// A folder cannot be read or a file not be removed.
pub(super) fn remove_strangers(run: &Path, belongs: &dyn Fn(&Partition) -> bool) -> Result<()> {
    for table in TABLES {
        for scanner in folders(&run.join(table))? {
            for day in folders(&scanner)? {
                let text = day.strip_prefix(run.join(table)).ok().map(path_text);
                let partition =
                    text.and_then(|text| Partition::from_text(&text.replace('\\', "/")));
                let Some(partition) = partition.filter(|partition| !belongs(partition)) else {
                    continue;
                };
                remove_file(&part_path(run, table, &partition))?;
                // Folders that others have put something into stay.
                let _ = std::fs::remove_dir(&day);
            }
            let _ = std::fs::remove_dir(&scanner);
        }
    }
    Ok(())
}

/// The folders in a folder; none where there is no such folder.
fn folders(path: &Path) -> Result<Vec<PathBuf>> {
    let io = |e: std::io::Error| Error::io(path, &e);
    let entries = match std::fs::read_dir(path) {
        Err(e) if e.kind() == std::io::ErrorKind::NotFound => return Ok(Vec::new()),
        other => other.map_err(io)?,
    };
    let mut folders = Vec::new();
    for entry in entries {
        let entry = entry.map_err(io)?;
        if entry.file_type().map_err(io)?.is_dir() {
            folders.push(entry.path());
        }
    }
    Ok(folders)
}
