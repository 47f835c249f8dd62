//! Reading a piece table back from Parquet, ours or one that a data tool has saved again.

use std::fs::File;
use std::path::Path;

use arrow_array::cast::AsArray;
use arrow_array::types::{
    ArrowPrimitiveType, Float64Type, Int32Type, Int64Type, TimestampMicrosecondType,
    TimestampMillisecondType, TimestampNanosecondType, UInt32Type,
};
use arrow_array::{Array, RecordBatch};
use arrow_schema::{DataType, TimeUnit};
use jiff::Timestamp;
use parquet::arrow::arrow_reader::ParquetRecordBatchReaderBuilder;

use super::PieceRecord;
use super::columns::{Cell, Column, ColumnKind, blank_record};
use super::parquet_stream::PRODUCT;
use super::table::{match_columns, store_cell};
use crate::{Error, ErrorKind, Result};

/// Reads pieces from Parquet.
///
/// # Errors
/// With the column and the 1-based row, but not the path.
pub(crate) fn read_parquet(file: File) -> Result<Vec<PieceRecord>> {
    let mut pieces = Vec::new();
    read_rows(file, &mut |piece, _| {
        pieces.push(piece);
        Ok(())
    })?;
    Ok(pieces)
}

/// Reads a Parquet piece table a row at a time, in its order, with the product that each row names (empty where the table has no
/// such column), so that a table of any length takes little memory.
///
/// # Errors
/// As for [`read_pieces`](super::read_pieces), and whatever `take` returns.
pub fn read_pieces_by_product(
    path: &Path,
    take: &mut dyn FnMut(PieceRecord, &str) -> Result<()>,
) -> Result<()> {
    let file = File::open(path).map_err(|e| Error::io(path, &e))?;
    read_rows(file, take).map_err(|e| e.at(path))
}

fn read_rows(file: File, take: &mut dyn FnMut(PieceRecord, &str) -> Result<()>) -> Result<()> {
    let damaged = |error: &dyn std::fmt::Display| {
        Error::new(ErrorKind::Document, error.to_string()).expected("a sound Parquet file")
    };
    let builder = ParquetRecordBatchReaderBuilder::try_new(file).map_err(|e| damaged(&e))?;
    let names: Vec<String> = builder
        .schema()
        .fields()
        .iter()
        .map(|field| field.name().clone())
        .collect();
    let columns = match_columns(&names)?;
    let product_at = names.iter().position(|name| name == PRODUCT);
    let reader = builder.build().map_err(|e| damaged(&e))?;
    let mut number = 0;
    for batch in reader {
        let batch = batch.map_err(|e| damaged(&e))?;
        let products = product_at.and_then(|at| batch.column(at).as_string_opt::<i32>());
        for row in 0..batch.num_rows() {
            let mut record = blank_record();
            for (column, at) in &columns {
                cell(&batch, *at, row, column)
                    .and_then(|cell| store_cell(column, &mut record, cell))
                    .map_err(|error| in_row(error, number + 1))?;
            }
            number += 1;
            let product = products.map_or("", |products| products.value(row));
            take(record, product)?;
        }
    }
    Ok(())
}

/// Parquet has rows, not lines; the row goes into the words.
fn in_row(mut error: Error, row: usize) -> Error {
    error.found = format!("row {row}: {}", error.found);
    error
}

fn cell(batch: &RecordBatch, at: usize, row: usize, column: &Column) -> Result<Cell> {
    let array = batch.column(at);
    if array.is_null(row) {
        return Ok(Cell::Empty);
    }
    let wrong = |expected: &str| {
        Error::new(
            ErrorKind::Document,
            format!("values of type {}", array.data_type()),
        )
        .key(column.name.as_ref())
        .expected(expected)
    };
    match column.kind {
        ColumnKind::Text => match array.data_type() {
            DataType::Utf8 => Ok(Cell::Text(array.as_string::<i32>().value(row).to_owned())),
            DataType::LargeUtf8 => Ok(Cell::Text(array.as_string::<i64>().value(row).to_owned())),
            DataType::Utf8View => Ok(Cell::Text(array.as_string_view().value(row).to_owned())),
            _ => Err(wrong("expected text (Utf8)")),
        },
        ColumnKind::Integer => {
            let value = match array.data_type() {
                DataType::UInt32 => Some(value::<UInt32Type>(array, row)),
                DataType::Int32 => u32::try_from(value::<Int32Type>(array, row)).ok(),
                DataType::Int64 => u32::try_from(value::<Int64Type>(array, row)).ok(),
                // A data tool that has no empty integers saves them as floats.
                DataType::Float64 => whole(value::<Float64Type>(array, row)),
                _ => None,
            };
            value
                .map(Cell::Integer)
                .ok_or_else(|| wrong("expected whole numbers, 0 or larger"))
        }
        ColumnKind::Number => match array.data_type() {
            DataType::Float64 if value::<Float64Type>(array, row).is_finite() => {
                Ok(Cell::Number(value::<Float64Type>(array, row)))
            }
            // NaN is how such a tool writes "empty" among floats.
            DataType::Float64 if column.nullable => Ok(Cell::Empty),
            _ => Err(wrong("expected finite 64-bit numbers")),
        },
        ColumnKind::Time => {
            let time = match array.data_type() {
                DataType::Timestamp(TimeUnit::Nanosecond, _) => Timestamp::from_nanosecond(
                    i128::from(value::<TimestampNanosecondType>(array, row)),
                ),
                DataType::Timestamp(TimeUnit::Microsecond, _) => {
                    Timestamp::from_microsecond(value::<TimestampMicrosecondType>(array, row))
                }
                DataType::Timestamp(TimeUnit::Millisecond, _) => {
                    Timestamp::from_millisecond(value::<TimestampMillisecondType>(array, row))
                }
                _ => return Err(wrong("expected times (timestamp, UTC)")),
            };
            time.map(Cell::Time)
                .map_err(|_| wrong("expected times of the years 1 to 9999"))
        }
    }
}

fn value<T: ArrowPrimitiveType>(array: &dyn Array, row: usize) -> T::Native {
    array.as_primitive::<T>().value(row)
}

fn whole(value: f64) -> Option<u32> {
    let fits = value.fract() == 0.0 && (0.0..=f64::from(u32::MAX)).contains(&value);
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)] // Checked above.
    fits.then_some(value as u32)
}

#[cfg(test)]
mod tests {
    use parquet::file::reader::{FileReader, SerializedFileReader};

    use super::*;
    use crate::tables::parquet_format::{PROVENANCE_KEY, write_parquet};
    use crate::tables::table::samples;
    use crate::tables::{columns_for, read_pieces};

    fn written(folder: &std::path::Path) -> std::path::PathBuf {
        let path = folder.join("pieces.parquet");
        write_parquet(&samples::table(), File::create(&path).unwrap()).unwrap();
        path
    }

    #[test]
    fn what_is_written_reads_back_as_csv_would_give_it() {
        let folder = tempfile::tempdir().unwrap();
        let read = read_pieces(&written(folder.path())).unwrap();
        assert_eq!(read, samples::rounded(&samples::table()));
    }

    #[test]
    fn the_file_says_what_its_columns_mean_and_where_it_came_from() {
        let folder = tempfile::tempdir().unwrap();
        let path = written(folder.path());
        let reader = SerializedFileReader::new(File::open(&path).unwrap()).unwrap();
        let metadata = reader.metadata().file_metadata();
        let origin = metadata
            .key_value_metadata()
            .unwrap()
            .iter()
            .find(|pair| pair.key == PROVENANCE_KEY)
            .unwrap();
        let origin: serde_json::Value =
            serde_json::from_str(origin.value.as_deref().unwrap()).unwrap();
        assert_eq!(origin["version"], "0.0.0-test");
        let builder = ParquetRecordBatchReaderBuilder::try_new(File::open(&path).unwrap()).unwrap();
        for (field, column) in builder
            .schema()
            .fields()
            .iter()
            .zip(columns_for(&samples::table().classes))
        {
            assert_eq!(field.name(), column.name.as_ref());
            assert_eq!(field.metadata()["description"], column.meaning);
            let unit = field.metadata().get("unit").map_or("", String::as_str);
            assert_eq!(unit, column.unit);
        }
    }

    #[test]
    fn a_damaged_file_is_an_error_with_its_name_and_never_a_panic() {
        let folder = tempfile::tempdir().unwrap();
        let path = written(folder.path());
        let bytes = std::fs::read(&path).unwrap();
        for length in [0, 3, 12, bytes.len() / 2, bytes.len() - 1] {
            std::fs::write(&path, &bytes[..length]).unwrap();
            let message = read_pieces(&path).unwrap_err().to_string();
            assert!(message.contains("pieces.parquet"), "{message}");
        }
    }
}
