//! Reading a file of pairs and putting it together with the piece table.

use std::collections::BTreeMap;
use std::path::Path;

use jiff::Timestamp;

use super::pairs_cells::{PairCells, csv_cells, parquet_cells};
use crate::agreement::PairedPiece;
use crate::tables::PieceRecord;
use crate::{Error, ErrorKind, Result};

/// Pairs put together with their pieces.
#[derive(Debug, Clone, PartialEq)]
pub struct PairsFile {
    /// One piece and one weighing each.
    pub pairs: Vec<PairedPiece>,
    /// Rows left out because the weighing, or the piece, stands in another row too: two pieces weighed as one.
    pub doubles: usize,
    /// Rows in the file.
    pub rows: usize,
}

/// Reads pairs as `weighlight compare --pairs` writes them, a CSV or Parquet file with the columns `piece_row` (1-based data row of the piece table),
/// `weighed_g`, and, if they are there, `log_row` and `probability` (else 1), and puts each with its piece.
///
/// # Errors
/// A missing column, a cell that is no number, a row number that the table does not have, a probability outside 0 to 1: with file, line and column.
pub fn read_pairs(path: &Path, pieces: &[PieceRecord]) -> Result<PairsFile> {
    let file = std::fs::File::open(path).map_err(|source| Error::io(path, &source))?;
    let ending = path
        .extension()
        .and_then(|it| it.to_str())
        .map(str::to_ascii_lowercase);
    let cells = match ending.as_deref() {
        Some("csv") => csv_cells(file),
        Some("parquet") => parquet_cells(file),
        _ => Err(Error::new(
            ErrorKind::Document,
            "the file's name does not say what kind of table it is",
        )
        .expected("a file of pairs ends in .csv or .parquet")),
    };
    let cells = cells.map_err(|error| error.at(path))?;
    let rows = cells.len();
    let read = cells
        .into_iter()
        .map(|row| pair(row, pieces).map_err(|error| error.at(path)))
        .collect::<Result<Vec<PairedPiece>>>()?;
    let count = |of: fn(&PairedPiece) -> usize| {
        let mut counts = BTreeMap::new();
        for pair in &read {
            *counts.entry(of(pair)).or_insert(0_usize) += 1;
        }
        counts
    };
    let (pieces_seen, weighings_seen) = (count(|it| it.piece_row), count(|it| it.log_row));
    let alone = |it: &PairedPiece| {
        pieces_seen.get(&it.piece_row) == Some(&1) && weighings_seen.get(&it.log_row) == Some(&1)
    };
    let pairs: Vec<PairedPiece> = read.into_iter().filter(alone).collect();
    Ok(PairsFile {
        doubles: rows - pairs.len(),
        pairs,
        rows,
    })
}

fn pair(row: PairCells, pieces: &[PieceRecord]) -> Result<PairedPiece> {
    let wrong = |column: &str, found: f64, expected: &str| {
        let error = Error::new(ErrorKind::Document, format!("found {found}"))
            .key(column)
            .expected(expected);
        match row.line {
            Some(line) => error.line(line),
            None => error,
        }
    };
    let whole = |column: &str, value: f64| {
        (value >= 1.0 && value.fract() == 0.0 && value < 9e15)
            .then_some(value as usize)
            .ok_or_else(|| wrong(column, value, "expected a row number from 1"))
    };
    let piece_row = whole("piece_row", row.piece_row)?;
    let log_row = whole("log_row", row.log_row)?;
    if !(0.0..=1.0).contains(&row.probability) {
        return Err(wrong(
            "probability",
            row.probability,
            "expected a number from 0 to 1",
        ));
    }
    let record = pieces.get(piece_row - 1).ok_or_else(|| {
        let expected = format!(
            "expected one of the {} rows of the piece table that the pairs belong to",
            pieces.len()
        );
        wrong("piece_row", row.piece_row, &expected)
    })?;
    Ok(PairedPiece {
        piece_row,
        log_row,
        probability: row.probability,
        // Pieces without a time keep their order and have no span.
        scanned: record.time.unwrap_or(Timestamp::UNIX_EPOCH),
        weighed_g: row.weighed_g,
        mass_g: record.mass_g,
        mass_u_g: record.mass_u_g,
        record: record.clone(),
    })
}
