//! What one recording came to, and the line in which it is kept until its tables are written.

use std::sync::Arc;

use serde_json::{Value, json};

use crate::error::{Error, ErrorKind, Result};
use crate::scan::RecordingHead;
use crate::tables::{PieceRecord, PieceTable, Provenance, write_csv};

use super::partition::{Partition, path_text};
use super::plain_table::{Cell, Layout};
use super::rows::{INPUTS, InputRow, RECORDINGS, RecordingRow};

/// An input that is not in the tables, and why.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct RejectedRow {
    /// The scan's folder, as it was found.
    pub input: String,
    /// The recording it would have been part of; empty when that is not known.
    pub recording: String,
    /// Why.
    pub reason: String,
}

impl RejectedRow {
    /// A row for each frame of a recording that could not be measured at all.
    pub(super) fn of_frames(recording: &RecordingHead, error: &Error) -> Vec<Self> {
        let frames = recording.frames().iter();
        frames
            .map(|frame| Self {
                input: path_text(&frame.folder()),
                recording: recording.name().to_owned(),
                reason: error.to_string(),
            })
            .collect()
    }
}

/// What is kept of a recording as long as the run is in the same folder.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Done {
    pub(super) recording: String,
    pub(super) partition: Arc<Partition>,
    /// What could be told of its inputs without reading them; `None`: they could not even be looked at.
    pub(super) quick: Option<blake3::Hash>,
    /// What was read of them; `None`: it could not be.
    pub(super) key: Option<blake3::Hash>,
    /// Whether a file could not be read: that may be another time, so it is tried again.
    pub(super) retry: bool,
    pub(super) measured: bool,
    pub(super) pieces: u64,
    pub(super) rejected: Vec<RejectedRow>,
}

/// The rows of a recording.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Rows {
    pub(super) row: RecordingRow,
    pub(super) inputs: Vec<InputRow>,
    /// Its pieces as a CSV table, which keeps every digit that the run's tables have.
    pub(super) pieces_csv: String,
}

/// What one recording came to.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Outcome {
    pub(super) done: Done,
    pub(super) rows: Rows,
}

impl Done {
    /// The key in hexadecimal; empty where there is none.
    pub(super) fn key_text(&self) -> String {
        hex(self.key)
    }

    pub(super) fn json(&self) -> Value {
        let rejected: Vec<Value> = self
            .rejected
            .iter()
            .map(|it| json!([it.input, it.reason]))
            .collect();
        json!({
            "recording": self.recording, "scanner": self.partition.scanner, "day": self.partition.day,
            "quick": hex(self.quick), "key": hex(self.key), "retry": self.retry,
            "measured": self.measured, "pieces": self.pieces, "rejected": rejected,
        })
    }

    pub(super) fn from_json(value: &Value) -> Option<Self> {
        let text = |key: &str| value.get(key)?.as_str().map(str::to_owned);
        let recording = text("recording")?;
        let rejected = value.get("rejected")?.as_array()?.iter().map(|pair| {
            Some(RejectedRow {
                input: pair.get(0)?.as_str()?.to_owned(),
                recording: recording.clone(),
                reason: pair.get(1)?.as_str()?.to_owned(),
            })
        });
        let rejected = rejected.collect::<Option<Vec<_>>>()?;
        Some(Self {
            partition: Arc::new(Partition {
                scanner: text("scanner")?,
                day: text("day")?,
            }),
            quick: from_hex(&text("quick")?)?,
            key: from_hex(&text("key")?)?,
            retry: value.get("retry")?.as_bool()?,
            measured: value.get("measured")?.as_bool()?,
            pieces: value.get("pieces")?.as_u64()?,
            rejected,
            recording,
        })
    }
}

fn hex(hash: Option<blake3::Hash>) -> String {
    hash.map_or(String::new(), |hash| hash.to_hex().to_string())
}

/// Reads what `hex` wrote; `None`: it is no hash.
fn from_hex(text: &str) -> Option<Option<blake3::Hash>> {
    match text {
        "" => Some(None),
        _ => blake3::Hash::from_hex(text).ok().map(Some),
    }
}

impl Outcome {
    pub(super) fn json(&self) -> Value {
        let mut value = self.done.json();
        if let Value::Object(map) = &mut value {
            let row = row_json(&self.rows.row.cells(), RECORDINGS);
            let inputs = self.rows.inputs.iter();
            let inputs = inputs.map(|input| row_json(&input.cells(), INPUTS));
            map.insert("row".to_owned(), row);
            map.insert("inputs".to_owned(), inputs.collect());
            map.insert("csv".to_owned(), self.rows.pieces_csv.as_str().into());
        }
        value
    }
}

impl Rows {
    /// `None`: the line has no rows, or is no such line.
    pub(super) fn from_json(value: &Value) -> Option<Self> {
        let inputs = value.get("inputs")?.as_array()?;
        Some(Self {
            row: RecordingRow::from_cells(cells(value.get("row")?, RECORDINGS)?)?,
            inputs: inputs
                .iter()
                .map(|input| InputRow::from_cells(cells(input, INPUTS)?))
                .collect::<Option<Vec<_>>>()?,
            pieces_csv: value.get("csv")?.as_str()?.to_owned(),
        })
    }
}

fn row_json(cells: &[Cell], layout: Layout) -> Value {
    let columns = layout.columns.iter();
    cells
        .iter()
        .zip(columns)
        .map(|(cell, column)| cell.json(column))
        .collect()
}

fn cells(value: &Value, layout: Layout) -> Option<Vec<Cell>> {
    let values = value.as_array()?;
    if values.len() != layout.columns.len() {
        return None;
    }
    values
        .iter()
        .zip(layout.columns)
        .map(|(value, column)| Cell::from_json(value, column))
        .collect()
}

/// Pieces in the form in which rows are noted: rounded to the columns' decimals, as the tables hold them.
pub(super) fn pieces_csv(pieces: Vec<PieceRecord>) -> Result<String> {
    let provenance = Provenance {
        version: String::new(),
        command: Vec::new(),
        settings: Vec::new(),
        recordings: Vec::new(),
    };
    let table = PieceTable::new(pieces, Vec::new(), provenance);
    let mut bytes = Vec::new();
    write_csv(&table, &mut bytes).map_err(|e| Error::new(ErrorKind::Io, e.to_string()))?;
    String::from_utf8(bytes).map_err(|e| Error::new(ErrorKind::Document, e.to_string()))
}
