//! Reading a file of pairs and putting it together with the piece table.

use std::path::Path;

use jiff::Timestamp;

use crate::agreement::PairedPiece;
use crate::document::nearest;
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

/// Reads pairs, a CSV with the columns `piece_row` (1-based data row of the piece table), `weighed_g`, and, if they are there, `log_row` and
/// `probability` (else 1), and puts each with its piece.
///
/// # Errors
/// A missing column, a cell that is no number, a row number that the table does not have, a probability outside 0 to 1: with file, line and column.
pub fn read_pairs(path: &Path, pieces: &[PieceRecord]) -> Result<PairsFile> {
    let file = std::fs::File::open(path).map_err(|source| Error::io(path, &source))?;
    let mut reader = csv::ReaderBuilder::new()
        .comment(Some(b'#'))
        .from_reader(file);
    let wrong = |found: String| Error::new(ErrorKind::Document, found).at(path);
    let head = reader
        .headers()
        .map_err(|error| wrong(error.to_string()))?
        .clone();
    let place = |name: &str| head.iter().position(|it| it.trim() == name);
    let needed = |name: &str| {
        place(name).ok_or_else(|| {
            let known: Vec<&str> = head.iter().collect();
            let error = wrong("the column is missing".to_owned()).key(name);
            match nearest(name, &known) {
                Some(near) => error.expected(format!("did you mean '{near}'?")),
                None => error.expected("expected a file of pairs with piece_row and weighed_g"),
            }
        })
    };
    let (piece_at, weighed_at) = (needed("piece_row")?, needed("weighed_g")?);
    let (log_at, probability_at) = (place("log_row"), place("probability"));
    let mut read = Vec::new();
    for (index, row) in reader.records().enumerate() {
        let row = row.map_err(|error| wrong(error.to_string()))?;
        let line = row.position().map_or(index + 2, |it| it.line() as usize);
        let number = |at: usize, name: &str, expected: &str| {
            let text = row.get(at).unwrap_or_default().trim();
            text.parse::<f64>()
                .ok()
                .filter(|it| it.is_finite())
                .ok_or_else(|| {
                    wrong(format!("found {text:?}"))
                        .line(line)
                        .key(name)
                        .expected(expected)
                })
        };
        let piece_row = number(piece_at, "piece_row", "expected a row number from 1")?;
        let weighed_g = number(weighed_at, "weighed_g", "expected a mass in g")?;
        let log_row = match log_at {
            Some(at) => number(at, "log_row", "expected a row number from 1")?,
            None => index as f64 + 1.0,
        };
        let probability = match probability_at {
            Some(at) => number(at, "probability", "expected a number from 0 to 1")?,
            None => 1.0,
        };
        if !(0.0..=1.0).contains(&probability) {
            return Err(wrong(format!("found {probability}"))
                .line(line)
                .key("probability")
                .expected("expected a number from 0 to 1"));
        }
        let record = (piece_row >= 1.0 && piece_row.fract() == 0.0)
            .then(|| pieces.get(piece_row as usize - 1))
            .flatten()
            .ok_or_else(|| {
                wrong(format!("found {piece_row}"))
                    .line(line)
                    .key("piece_row")
                    .expected(format!(
                        "expected one of the {} rows of the piece table",
                        pieces.len()
                    ))
            })?;
        read.push(PairedPiece {
            piece_row: piece_row as usize,
            log_row: log_row as usize,
            probability,
            // Pieces without a time keep their order and have no span.
            scanned: record.time.unwrap_or(Timestamp::UNIX_EPOCH),
            weighed_g,
            mass_g: record.mass_g,
            mass_u_g: record.mass_u_g,
            record: record.clone(),
        });
    }
    let rows = read.len();
    let count = |of: fn(&PairedPiece) -> usize| {
        let mut counts = std::collections::BTreeMap::new();
        for pair in &read {
            *counts.entry(of(pair)).or_insert(0_usize) += 1;
        }
        counts
    };
    let (pieces_seen, weighings_seen) = (count(|it| it.piece_row), count(|it| it.log_row));
    let pairs: Vec<PairedPiece> = read
        .into_iter()
        .filter(|it| {
            pieces_seen.get(&it.piece_row) == Some(&1)
                && weighings_seen.get(&it.log_row) == Some(&1)
        })
        .collect();
    Ok(PairsFile {
        doubles: rows - pairs.len(),
        pairs,
        rows,
    })
}
