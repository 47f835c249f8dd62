//! Pairs as a table: which data row of the log is of which data row of the piece table.

use std::io::Write;
use std::sync::Arc;

use arrow_array::{
    ArrayRef, Float64Array, RecordBatch, StringArray, TimestampNanosecondArray, UInt64Array,
};
use arrow_schema::{DataType, Field, Schema, TimeUnit};
use jiff::Timestamp;
use parquet::arrow::ArrowWriter;

use super::{Matching, Weighing};
use crate::error::{Error, ErrorKind, Result};
use crate::tables::{PieceRecord, round_to};

/// Names of the columns, in order.
const COLUMNS: [&str; 11] = [
    "piece_row",
    "log_row",
    "kind",
    "probability",
    "weighed_g",
    "mass_g",
    "mass_u_g",
    "difference_g",
    "scanned",
    "weighed_at",
    "late_s",
];

/// One row: a piece and its weighing. A weighing of two pieces has two rows; the piece's own mass stands in each, and the difference of the sum.
#[derive(Debug, Clone, PartialEq)]
pub struct PairRow {
    /// 1-based data row of the piece table.
    pub piece_row: usize,
    /// 1-based data row of the log, over several logs counted on.
    pub log_row: usize,
    /// Whether two pieces were on the scale at once.
    pub double: bool,
    /// How sure the match is, 0 to 1.
    pub probability: f64,
    /// What the checkweigher showed, g.
    pub weighed_g: f64,
    /// The piece's estimate, g.
    pub mass_g: f64,
    /// Its standard uncertainty, g.
    pub mass_u_g: f64,
    /// Estimate, of two pieces their sum, minus weighing, g.
    pub difference_g: f64,
    /// When the piece was scanned, by the scanner's clock.
    pub scanned: Option<Timestamp>,
    /// When it was weighed, by the checkweigher's clock.
    pub weighed_at: Timestamp,
    /// How much later than expected it was weighed, s.
    pub late_s: f64,
}

/// All accepted matches as rows, in the order of the piece table.
#[must_use]
pub fn pair_rows(
    pieces: &[PieceRecord],
    weighings: &[Weighing],
    matching: &Matching,
) -> Vec<PairRow> {
    let mut rows = Vec::new();
    for found in &matching.matches {
        let Some(weighing) = weighings.get(found.weighing) else {
            continue;
        };
        let of: Vec<(usize, &PieceRecord)> = found
            .pieces
            .iter()
            .filter_map(|at| Some((*at, pieces.get(*at)?)))
            .collect();
        let sum_g: f64 = of.iter().map(|it| it.1.mass_g).sum();
        rows.extend(of.iter().map(|(at, piece)| PairRow {
            piece_row: at + 1,
            log_row: weighing.log_row,
            double: of.len() > 1,
            probability: found.probability,
            weighed_g: weighing.mass_g,
            mass_g: piece.mass_g,
            mass_u_g: piece.mass_u_g,
            difference_g: sum_g - weighing.mass_g,
            scanned: piece.time,
            weighed_at: weighing.time,
            late_s: found.late_s,
        }));
    }
    rows.sort_by_key(|row| row.piece_row);
    rows
}

fn kind(row: &PairRow) -> &'static str {
    if row.double { "double" } else { "single" }
}

/// The rows as CSV.
///
/// # Errors
/// The writer fails.
pub fn write_pairs_csv(rows: &[PairRow], to: &mut dyn Write) -> std::io::Result<()> {
    writeln!(to, "{}", COLUMNS.join(","))?;
    for row in rows {
        writeln!(
            to,
            "{},{},{},{:.4},{:.3},{:.3},{:.3},{:.3},{},{},{:.3}",
            row.piece_row,
            row.log_row,
            kind(row),
            row.probability,
            row.weighed_g,
            row.mass_g,
            row.mass_u_g,
            row.difference_g,
            row.scanned.map(|it| it.to_string()).unwrap_or_default(),
            row.weighed_at,
            row.late_s,
        )?;
    }
    Ok(())
}

/// The rows as Parquet.
///
/// # Errors
/// The writer fails, or a time lies outside the years 1677 to 2262.
pub fn write_pairs_parquet(rows: &[PairRow], to: impl Write + Send) -> Result<()> {
    let failed = |error: &dyn std::fmt::Display| Error::new(ErrorKind::Io, error.to_string());
    let whole = |value: fn(&PairRow) -> usize| -> ArrayRef {
        Arc::new(UInt64Array::from_iter_values(
            rows.iter().map(|it| value(it) as u64),
        ))
    };
    let number = |value: fn(&PairRow) -> f64, decimals: usize| -> ArrayRef {
        Arc::new(Float64Array::from_iter_values(
            rows.iter().map(|it| round_to(value(it), decimals)),
        ))
    };
    let nanoseconds = |time: Option<Timestamp>| -> Result<Option<i64>> {
        time.map(|it| {
            i64::try_from(it.as_nanosecond()).map_err(|_| {
                Error::new(ErrorKind::Document, format!("the time {it}"))
                    .expected("expected a time of the years 1677 to 2262")
            })
        })
        .transpose()
    };
    let times = |value: fn(&PairRow) -> Option<Timestamp>| -> Result<ArrayRef> {
        let values = rows
            .iter()
            .map(|it| nanoseconds(value(it)))
            .collect::<Result<Vec<_>>>()?;
        Ok(Arc::new(
            TimestampNanosecondArray::from(values).with_timezone("UTC"),
        ))
    };
    let arrays: Vec<ArrayRef> = vec![
        whole(|it| it.piece_row),
        whole(|it| it.log_row),
        Arc::new(StringArray::from_iter_values(rows.iter().map(kind))),
        number(|it| it.probability, 4),
        number(|it| it.weighed_g, 3),
        number(|it| it.mass_g, 3),
        number(|it| it.mass_u_g, 3),
        number(|it| it.difference_g, 3),
        times(|it| it.scanned)?,
        times(|it| Some(it.weighed_at))?,
        number(|it| it.late_s, 3),
    ];
    let time = || DataType::Timestamp(TimeUnit::Nanosecond, Some("UTC".into()));
    let fields: Vec<Field> = COLUMNS
        .iter()
        .zip(&arrays)
        .map(|(name, array)| {
            let kind = match array.data_type() {
                DataType::Timestamp(..) => time(),
                other => other.clone(),
            };
            Field::new(*name, kind, *name == "scanned")
        })
        .collect();
    let schema = Arc::new(Schema::new(fields));
    let batch = RecordBatch::try_new(Arc::clone(&schema), arrays).map_err(|e| failed(&e))?;
    let mut writer = ArrowWriter::try_new(to, schema, None).map_err(|e| failed(&e))?;
    writer.write(&batch).map_err(|e| failed(&e))?;
    writer.close().map_err(|e| failed(&e))?;
    Ok(())
}
