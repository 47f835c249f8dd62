//! The numbers of a file of pairs, from CSV or Parquet.

use std::fs::File;
use std::io::Read;

use arrow_array::cast::AsArray;
use arrow_array::types::{Float64Type, Int64Type, UInt64Type};
use arrow_array::{Array, ArrayRef};
use parquet::arrow::arrow_reader::ParquetRecordBatchReaderBuilder;

use crate::document::nearest;
use crate::{Error, ErrorKind, Result};

/// One row's numbers.
#[derive(Debug, Clone, Copy)]
pub(super) struct PairCells {
    /// 1-based line of a CSV file.
    pub line: Option<usize>,
    pub piece_row: f64,
    pub log_row: f64,
    pub probability: f64,
    pub weighed_g: f64,
}

/// Places of the columns: piece row, weighed mass, log row, probability.
struct Places([usize; 2], [Option<usize>; 2]);

impl Places {
    fn of(names: &[String]) -> Result<Self> {
        let place = |name: &str| names.iter().position(|it| it == name);
        let needed = |name: &str| {
            place(name).ok_or_else(|| {
                let known: Vec<&str> = names.iter().map(String::as_str).collect();
                let error = Error::new(ErrorKind::Document, "the column is missing").key(name);
                match nearest(name, &known) {
                    Some(near) => error.expected(format!("did you mean '{near}'?")),
                    None => error.expected("expected what weighlight compare --pairs writes, or a table with piece_row and weighed_g"),
                }
            })
        };
        Ok(Self(
            [needed("piece_row")?, needed("weighed_g")?],
            [place("log_row"), place("probability")],
        ))
    }

    /// A row from its cells by place; without a log row, rows count.
    fn row(
        &self,
        number: usize,
        line: Option<usize>,
        cell: impl Fn(usize, &str) -> Result<f64>,
    ) -> Result<PairCells> {
        let or =
            |at: Option<usize>, name: &str, other: f64| at.map_or(Ok(other), |at| cell(at, name));
        Ok(PairCells {
            line,
            piece_row: cell(self.0[0], "piece_row")?,
            weighed_g: cell(self.0[1], "weighed_g")?,
            log_row: or(self.1[0], "log_row", number as f64)?,
            probability: or(self.1[1], "probability", 1.0)?,
        })
    }
}

pub(super) fn csv_cells(from: impl Read) -> Result<Vec<PairCells>> {
    let damaged = |error: csv::Error| Error::new(ErrorKind::Document, error.to_string());
    let mut reader = csv::ReaderBuilder::new()
        .comment(Some(b'#'))
        .from_reader(from);
    let head = reader.headers().map_err(damaged)?;
    let names: Vec<String> = head
        .iter()
        .map(|it| it.trim_start_matches('\u{feff}').trim().to_owned())
        .collect();
    let places = Places::of(&names)?;
    let mut rows = Vec::new();
    for (index, record) in reader.records().enumerate() {
        let record = record.map_err(damaged)?;
        let line = record
            .position()
            .and_then(|it| usize::try_from(it.line()).ok());
        let cell = |at: usize, name: &str| {
            let text = record.get(at).unwrap_or_default().trim();
            let number = text.parse::<f64>().ok().filter(|it| it.is_finite());
            number.ok_or_else(|| {
                Error::new(ErrorKind::Document, format!("found {text:?}"))
                    .line(line.unwrap_or(index + 2))
                    .key(name)
                    .expected("expected a number")
            })
        };
        rows.push(places.row(index + 1, line, cell)?);
    }
    Ok(rows)
}

pub(super) fn parquet_cells(from: File) -> Result<Vec<PairCells>> {
    let damaged = |error: &dyn std::fmt::Display| {
        Error::new(ErrorKind::Document, error.to_string()).expected("a sound Parquet file")
    };
    let builder = ParquetRecordBatchReaderBuilder::try_new(from).map_err(|e| damaged(&e))?;
    let fields = builder.schema().fields();
    let names: Vec<String> = fields.iter().map(|it| it.name().clone()).collect();
    let places = Places::of(&names)?;
    let mut rows = Vec::new();
    for batch in builder.build().map_err(|e| damaged(&e))? {
        let batch = batch.map_err(|e| damaged(&e))?;
        for at in 0..batch.num_rows() {
            let number = rows.len() + 1;
            let cell = |column: usize, name: &str| {
                value(batch.column(column), at).ok_or_else(|| {
                    Error::new(
                        ErrorKind::Document,
                        format!(
                            "row {number}: no number in a column of type {}",
                            batch.column(column).data_type()
                        ),
                    )
                    .key(name)
                    .expected("expected whole numbers or floats (UInt64, Int64, Float64)")
                })
            };
            rows.push(places.row(number, None, cell)?);
        }
    }
    Ok(rows)
}

fn value(array: &ArrayRef, at: usize) -> Option<f64> {
    if array.is_null(at) {
        return None;
    }
    let whole = array
        .as_primitive_opt::<UInt64Type>()
        .map(|it| it.value(at) as f64);
    let signed = || {
        array
            .as_primitive_opt::<Int64Type>()
            .map(|it| it.value(at) as f64)
    };
    let float = || {
        array
            .as_primitive_opt::<Float64Type>()
            .map(|it| it.value(at))
    };
    whole
        .or_else(signed)
        .or_else(float)
        .filter(|it| it.is_finite())
}
