//! The tables beside the pieces: a few typed columns, Parquet, written and read a batch at a time.

use std::fs::File;
use std::io::Write;
use std::path::Path;
use std::sync::Arc;

use arrow_array::cast::AsArray;
use arrow_array::types::{Float64Type, Int64Type, TimestampNanosecondType};
use arrow_array::{
    Array, ArrayRef, BooleanArray, Float64Array, Int64Array, RecordBatch, StringArray,
    TimestampNanosecondArray,
};
use arrow_schema::{DataType, Field, Schema};
use jiff::Timestamp;
use parquet::arrow::ArrowWriter;
use parquet::arrow::arrow_reader::ParquetRecordBatchReaderBuilder;
use parquet::file::metadata::KeyValue;
use serde_json::Value;

use crate::error::{Error, ErrorKind, Result};
use crate::tables::{BATCH_ROWS, ColumnAbout, ColumnKind, UTC, round_to, stream_properties};

/// The type of a column.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Kind {
    Text,
    Whole,
    /// A number kept to so many decimals.
    Number(usize),
    Time,
    Flag,
}

/// One value.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Cell {
    Empty,
    Text(String),
    Whole(u64),
    Number(f64),
    Time(Timestamp),
    Flag(bool),
}

/// One column.
#[derive(Debug, Clone, Copy)]
pub(super) struct Column {
    pub(super) name: &'static str,
    pub(super) unit: &'static str,
    pub(super) kind: Kind,
    pub(super) nullable: bool,
    pub(super) meaning: &'static str,
}

/// What kind of table it is.
#[derive(Debug, Clone, Copy)]
pub(super) struct Layout {
    pub(super) format: &'static str,
    pub(super) columns: &'static [Column],
}

impl Cell {
    pub(super) fn text(value: Option<&str>) -> Self {
        value.map_or(Self::Empty, |text| Self::Text(text.to_owned()))
    }

    pub(super) fn whole(value: Option<u64>) -> Self {
        value.map_or(Self::Empty, Self::Whole)
    }

    pub(super) fn number(value: Option<f64>) -> Self {
        match value {
            Some(value) if value.is_finite() => Self::Number(value),
            _ => Self::Empty,
        }
    }

    pub(super) fn time(value: Option<Timestamp>) -> Self {
        value.map_or(Self::Empty, Self::Time)
    }

    pub(super) fn into_text(self) -> Option<String> {
        match self {
            Self::Text(text) => Some(text),
            _ => None,
        }
    }

    pub(super) fn as_whole(&self) -> Option<u64> {
        match self {
            Self::Whole(value) => Some(*value),
            _ => None,
        }
    }

    pub(super) fn as_number(&self) -> Option<f64> {
        match self {
            Self::Number(value) => Some(*value),
            _ => None,
        }
    }

    pub(super) fn as_time(&self) -> Option<Timestamp> {
        match self {
            Self::Time(value) => Some(*value),
            _ => None,
        }
    }

    pub(super) fn as_flag(&self) -> bool {
        *self == Self::Flag(true)
    }

    /// The cell in JSON. Numbers go as decimal text: what is read back is then the very same number.
    pub(super) fn json(&self, column: &Column) -> Value {
        match (self, column.kind) {
            (Self::Empty, _) => Value::Null,
            (Self::Text(text), _) => Value::from(text.as_str()),
            (Self::Whole(value), _) => Value::from(*value),
            (Self::Number(value), Kind::Number(decimals)) => {
                Value::from(format!("{:.decimals$}", round_to(*value, decimals)))
            }
            (Self::Number(value), _) => Value::from(value.to_string()),
            (Self::Time(time), _) => Value::from(time.to_string()),
            (Self::Flag(value), _) => Value::from(*value),
        }
    }

    /// The cell that stands in JSON; `None`: it does not fit the column.
    pub(super) fn from_json(value: &Value, column: &Column) -> Option<Self> {
        Some(match (value, column.kind) {
            (Value::Null, _) if column.nullable => Self::Empty,
            (Value::String(text), Kind::Text) => Self::Text(text.clone()),
            (Value::Number(number), Kind::Whole) => Self::Whole(number.as_u64()?),
            (Value::String(text), Kind::Number(_)) => Self::Number(text.parse().ok()?),
            (Value::String(text), Kind::Time) => Self::Time(text.parse().ok()?),
            (Value::Bool(value), Kind::Flag) => Self::Flag(*value),
            _ => return None,
        })
    }
}

fn failed(error: impl std::fmt::Display) -> Error {
    Error::new(
        ErrorKind::Io,
        format!("the Parquet table could not be written: {error}"),
    )
}

fn field(column: &Column) -> Field {
    let about = ColumnAbout {
        name: column.name,
        unit: column.unit,
        meaning: column.meaning,
    };
    let kind = match column.kind {
        Kind::Text | Kind::Whole | Kind::Flag => ColumnKind::Text,
        Kind::Number(_) => ColumnKind::Number,
        Kind::Time => ColumnKind::Time,
    };
    let field = about.field(kind, column.nullable);
    match column.kind {
        Kind::Whole => field.with_data_type(DataType::Int64),
        Kind::Flag => field.with_data_type(DataType::Boolean),
        _ => field,
    }
}

/// A table being written.
pub(super) struct PlainStream<W: Write + Send> {
    writer: ArrowWriter<W>,
    schema: Arc<Schema>,
    layout: Layout,
    rows: Vec<Vec<Cell>>,
}

impl<W: Write + Send> PlainStream<W> {
    pub(super) fn new(to: W, layout: Layout, version: &str) -> Result<Self> {
        let fields: Vec<Field> = layout.columns.iter().map(field).collect();
        let schema = Arc::new(Schema::new(fields));
        let format = KeyValue::new("weighlight.format".to_owned(), layout.format.to_owned());
        let properties = stream_properties(version, vec![format]);
        let writer =
            ArrowWriter::try_new(to, Arc::clone(&schema), Some(properties)).map_err(failed)?;
        Ok(Self {
            writer,
            schema,
            layout,
            rows: Vec::new(),
        })
    }

    /// Adds a row with a cell for each column.
    pub(super) fn push(&mut self, row: Vec<Cell>) -> Result<()> {
        self.rows.push(row);
        if self.rows.len() < BATCH_ROWS {
            return Ok(());
        }
        self.write_batch()
    }

    /// Ends the table and hands back what it was written to.
    pub(super) fn finish(mut self) -> Result<W> {
        if !self.rows.is_empty() {
            self.write_batch()?;
        }
        // Ends the file as well.
        self.writer.into_inner().map_err(failed)
    }

    fn write_batch(&mut self) -> Result<()> {
        let arrays = self
            .layout
            .columns
            .iter()
            .enumerate()
            .map(|(at, column)| array(column, at, &self.rows))
            .collect::<Result<Vec<_>>>()?;
        self.rows.clear();
        let batch = RecordBatch::try_new(Arc::clone(&self.schema), arrays).map_err(failed)?;
        self.writer.write(&batch).map_err(failed)
    }
}

fn array(column: &Column, at: usize, rows: &[Vec<Cell>]) -> Result<ArrayRef> {
    let cells = rows.iter().map(|row| row.get(at).unwrap_or(&Cell::Empty));
    Ok(match column.kind {
        Kind::Text => Arc::new(
            cells
                .map(|cell| match cell {
                    Cell::Text(text) => Some(text.as_str()),
                    _ => None,
                })
                .collect::<StringArray>(),
        ),
        Kind::Whole => Arc::new(
            cells
                .map(|cell| cell.as_whole().and_then(|value| i64::try_from(value).ok()))
                .collect::<Int64Array>(),
        ),
        Kind::Number(decimals) => Arc::new(
            cells
                .map(|cell| cell.as_number().map(|value| round_to(value, decimals)))
                .collect::<Float64Array>(),
        ),
        Kind::Flag => Arc::new(
            cells
                .map(|cell| match cell {
                    Cell::Flag(value) => Some(*value),
                    _ => None,
                })
                .collect::<BooleanArray>(),
        ),
        Kind::Time => {
            let nanoseconds = cells
                .map(|cell| match cell.as_time() {
                    None => Ok(None),
                    Some(time) => i64::try_from(time.as_nanosecond()).map(Some).map_err(|_| {
                        Error::new(ErrorKind::Unmeasurable, format!("{time}"))
                            .key(column.name)
                            .expected("a Parquet time lies in the years 1677 to 2262")
                    }),
                })
                .collect::<Result<Vec<_>>>()?;
            Arc::new(TimestampNanosecondArray::from(nanoseconds).with_timezone(UTC))
        }
    })
}

/// Reads a table that was written here, a row at a time.
///
/// # Errors
/// The file is damaged or is another table; and whatever `take` returns.
pub(super) fn read_rows(
    path: &Path,
    layout: Layout,
    take: &mut dyn FnMut(Vec<Cell>) -> Result<()>,
) -> Result<()> {
    let damaged = |error: &dyn std::fmt::Display| {
        Error::new(ErrorKind::Document, error.to_string())
            .at(path)
            .expected(
                "expected the table as the run wrote it; run again with --resume to write it anew",
            )
    };
    let file = File::open(path).map_err(|e| Error::io(path, &e))?;
    let builder = ParquetRecordBatchReaderBuilder::try_new(file).map_err(|e| damaged(&e))?;
    let fields = builder.schema().fields().clone();
    let mut places = Vec::new();
    for column in layout.columns {
        let found = fields.iter().position(|it| it.name() == column.name);
        let at = found.ok_or_else(|| damaged(&format!("no column {}", column.name)))?;
        let (there, wanted) = (fields[at].data_type(), field(column));
        if there != wanted.data_type() {
            return Err(damaged(&format!("column {} of type {there}", column.name)));
        }
        places.push(at);
    }
    for batch in builder.build().map_err(|e| damaged(&e))? {
        let batch = batch.map_err(|e| damaged(&e))?;
        for row in 0..batch.num_rows() {
            let cells = layout.columns.iter().zip(&places);
            take(
                cells
                    .map(|(column, at)| cell(column, batch.column(*at), row))
                    .collect(),
            )?;
        }
    }
    Ok(())
}

fn cell(column: &Column, array: &ArrayRef, row: usize) -> Cell {
    if array.is_null(row) {
        return Cell::Empty;
    }
    match column.kind {
        Kind::Text => Cell::Text(array.as_string::<i32>().value(row).to_owned()),
        Kind::Whole => {
            let value = array.as_primitive::<Int64Type>().value(row);
            Cell::whole(u64::try_from(value).ok())
        }
        Kind::Number(_) => Cell::Number(array.as_primitive::<Float64Type>().value(row)),
        Kind::Flag => Cell::Flag(array.as_boolean().value(row)),
        Kind::Time => {
            let ns = array.as_primitive::<TimestampNanosecondType>().value(row);
            Cell::time(Timestamp::from_nanosecond(i128::from(ns)).ok())
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const COLUMNS: [Column; 5] = {
        const fn column(name: &'static str, kind: Kind) -> Column {
            Column {
                name,
                unit: "",
                kind,
                nullable: true,
                meaning: "for the test",
            }
        }
        [
            column("text", Kind::Text),
            column("whole", Kind::Whole),
            column("number", Kind::Number(2)),
            column("time", Kind::Time),
            column("flag", Kind::Flag),
        ]
    };
    const LAYOUT: Layout = Layout {
        format: "test/1",
        columns: &COLUMNS,
    };

    fn rows() -> Vec<Vec<Cell>> {
        let full = |n: u64| {
            vec![
                Cell::Text(format!("ü, \"{n}\"\n")),
                Cell::Whole(n),
                Cell::Number(n as f64 / 100.0),
                Cell::Time(Timestamp::from_second(1_772_000_000 + n as i64).unwrap()),
                Cell::Flag(n.is_multiple_of(2)),
            ]
        };
        let mut rows: Vec<_> = (0..9000).map(full).collect();
        rows[17] = vec![Cell::Empty; 5];
        rows
    }

    #[test]
    fn rows_come_back_as_they_went_in_through_parquet_and_json() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("table.parquet");
        let mut table = PlainStream::new(File::create(&path).unwrap(), LAYOUT, "0").unwrap();
        for row in rows() {
            table.push(row).unwrap();
        }
        table.finish().unwrap();
        let mut read = Vec::new();
        read_rows(&path, LAYOUT, &mut |row| {
            read.push(row);
            Ok(())
        })
        .unwrap();
        assert_eq!(read, rows());
        for row in rows() {
            for (cell, column) in row.iter().zip(LAYOUT.columns) {
                assert_eq!(
                    Cell::from_json(&cell.json(column), column).as_ref(),
                    Some(cell)
                );
            }
        }
    }

    #[test]
    fn a_damaged_or_foreign_table_is_an_error_with_its_name() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("table.parquet");
        std::fs::write(&path, b"PAR1 and no more").unwrap();
        let error = read_rows(&path, LAYOUT, &mut |_| Ok(()))
            .unwrap_err()
            .to_string();
        assert!(error.contains("table.parquet"), "{error}");
    }
}
