//! Recordings with their pieces, one after another, from runs and from piece tables.

use std::path::Path;

use jiff::Timestamp;

use crate::error::{Error, ErrorKind, Result};
use crate::runs::{RecordingRow, Run};
use crate::tables::{PieceRecord, read_pieces, read_pieces_by_product};

/// One recording.
pub(super) struct Seen<'a> {
    pub(super) recording: &'a str,
    pub(super) product: &'a str,
    pub(super) measured: bool,
    pub(super) captured: Option<Timestamp>,
    /// What the run says of it; a table says nothing.
    pub(super) row: Option<&'a RecordingRow>,
    pub(super) lanes: Option<u32>,
    pub(super) pieces: &'a [PieceRecord],
}

/// Whoever takes recordings, and may refuse one.
pub(super) type Take<'a> = &'a mut dyn FnMut(Seen<'_>) -> Result<()>;

impl Seen<'_> {
    /// When it began: its first row, or its first piece that has a time.
    pub(super) fn began(&self) -> Option<Timestamp> {
        let pieces = || self.pieces.iter().find_map(|piece| piece.time);
        self.captured.or_else(pieces)
    }

    /// Time for which the belt was seen, s: missing rows do not count.
    pub(super) fn belt_s(&self) -> Option<f64> {
        match self.row {
            Some(row) => {
                let all = (row.rows + row.missing_rows).max(1);
                row.duration_s.map(|s| s * row.rows as f64 / all as f64)
            }
            None => {
                // A table knows of the belt only that pieces passed: from the first of a recording to its last.
                let times = || self.pieces.iter().filter_map(|piece| piece.time);
                let (first, last) = (times().min()?, times().max()?);
                Some(last.duration_since(first).as_secs_f64())
            }
        }
    }
}

/// Reads a run or a piece table, recording by recording.
pub(super) fn read(path: &Path, take: Take<'_>) -> Result<()> {
    if !path.exists() {
        return Err(Error::new(ErrorKind::Io, "there is no such file or folder")
            .at(path)
            .expected("expected the folder of a run, or a piece table (.csv, .parquet)"));
    }
    if path.is_dir() {
        return read_run(&Run::open(path)?, take);
    }
    let is_parquet = path
        .extension()
        .is_some_and(|ending| ending.eq_ignore_ascii_case("parquet"));
    let mut together = Together::default();
    if is_parquet {
        read_pieces_by_product(path, &mut |piece, product| {
            together.push(piece, product, take)
        })?;
    } else {
        for piece in read_pieces(path)? {
            together.push(piece, "", take)?;
        }
    }
    together.give(take)
}

/// Pieces of one recording of a table, until the next begins.
#[derive(Default)]
struct Together {
    product: String,
    pieces: Vec<PieceRecord>,
}

impl Together {
    fn push(&mut self, piece: PieceRecord, product: &str, take: Take<'_>) -> Result<()> {
        let same = self
            .pieces
            .last()
            .is_some_and(|last| last.recording == piece.recording);
        if !same {
            self.give(take)?;
            product.clone_into(&mut self.product);
        }
        self.pieces.push(piece);
        Ok(())
    }

    fn give(&mut self, take: Take<'_>) -> Result<()> {
        if let Some(first) = self.pieces.first() {
            take(Seen {
                recording: &first.recording,
                product: &self.product,
                measured: true,
                captured: None,
                row: None,
                lanes: None,
                pieces: &self.pieces,
            })?;
            self.pieces.clear();
        }
        Ok(())
    }
}

fn read_run(run: &Run, take: Take<'_>) -> Result<()> {
    for partition in &run.partitions {
        run.read(partition, &mut |row, pieces| {
            take(Seen {
                recording: &row.recording,
                product: row.product.as_deref().unwrap_or_default(),
                measured: row.measured,
                captured: Some(row.captured),
                lanes: row.lanes.and_then(|lanes| u32::try_from(lanes).ok()),
                row: Some(row),
                pieces,
            })
        })?;
    }
    Ok(())
}
