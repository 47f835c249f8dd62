//! The piece table as Parquet, for data tools: plain UTF-8, nulls, UTC times, units in the columns' metadata.

use std::collections::HashMap;
use std::io::Write;
use std::sync::Arc;

use arrow_array::{
    ArrayRef, Float64Array, RecordBatch, StringArray, TimestampNanosecondArray, UInt32Array,
};
use arrow_schema::{DataType, Field, Schema, TimeUnit};
use parquet::arrow::ArrowWriter;
use parquet::basic::{Compression, ZstdLevel};
use parquet::file::metadata::KeyValue;
use parquet::file::properties::WriterProperties;

use super::columns::{Cell, Column, ColumnKind};
use super::json_format::provenance_json;
use super::{PieceRecord, PieceTable};
use crate::{Error, ErrorKind, Result};

/// The key of the file's metadata under which the table's origin stands, as JSON text.
pub(crate) const PROVENANCE_KEY: &str = "weighlight.provenance";

/// The time zone of time columns.
pub(crate) const UTC: &str = "UTC";

/// Writes the table as Parquet.
///
/// # Errors
/// The writer fails, or a time lies outside the years 1677 to 2262 that nanoseconds can hold.
pub fn write_parquet(table: &PieceTable, to: impl Write + Send) -> Result<()> {
    let columns = table.columns();
    let fields: Vec<Field> = columns.iter().map(field).collect();
    let schema = Arc::new(Schema::new(fields));
    let arrays = columns
        .iter()
        .map(|column| array(column, &table.pieces))
        .collect::<Result<Vec<_>>>()?;
    let batch = RecordBatch::try_new(Arc::clone(&schema), arrays).map_err(failed)?;
    let properties = WriterProperties::builder()
        .set_created_by(format!("weighlight {}", table.provenance.version))
        .set_compression(Compression::ZSTD(ZstdLevel::default()))
        .set_key_value_metadata(Some(vec![
            KeyValue::new(
                "weighlight.format".to_owned(),
                "weighlight-pieces/1".to_owned(),
            ),
            KeyValue::new(
                PROVENANCE_KEY.to_owned(),
                provenance_json(&table.provenance).to_string(),
            ),
        ]))
        .build();
    let mut writer = ArrowWriter::try_new(to, schema, Some(properties)).map_err(failed)?;
    writer.write(&batch).map_err(failed)?;
    writer.close().map_err(failed)?;
    Ok(())
}

pub(super) fn failed(error: impl std::fmt::Display) -> Error {
    Error::new(
        ErrorKind::Io,
        format!("the Parquet table could not be written: {error}"),
    )
}

pub(super) fn field(column: &Column) -> Field {
    let about = ColumnAbout {
        name: &column.name,
        unit: column.unit,
        meaning: &column.meaning,
    };
    about.field(column.kind, column.nullable)
}

/// What a column of a Parquet table carries besides its values.
#[derive(Debug, Clone, Copy)]
pub(crate) struct ColumnAbout<'a> {
    pub(crate) name: &'a str,
    /// Empty where there is none.
    pub(crate) unit: &'a str,
    pub(crate) meaning: &'a str,
}

impl ColumnAbout<'_> {
    /// The column with its unit and meaning as metadata.
    pub(crate) fn field(self, kind: ColumnKind, nullable: bool) -> Field {
        let kind = match kind {
            ColumnKind::Text => DataType::Utf8,
            ColumnKind::Integer => DataType::UInt32,
            ColumnKind::Number => DataType::Float64,
            ColumnKind::Time => DataType::Timestamp(TimeUnit::Nanosecond, Some(UTC.into())),
        };
        let mut metadata = HashMap::from([("description".to_owned(), self.meaning.to_owned())]);
        if !self.unit.is_empty() {
            metadata.insert("unit".to_owned(), self.unit.to_owned());
        }
        Field::new(self.name, kind, nullable).with_metadata(metadata)
    }
}

pub(super) fn array(column: &Column, pieces: &[PieceRecord]) -> Result<ArrayRef> {
    let cells = pieces.iter().map(|piece| column.get(piece));
    Ok(match column.kind {
        ColumnKind::Text => Arc::new(
            cells
                .map(|cell| match cell {
                    Cell::Text(text) => Some(text),
                    _ => None,
                })
                .collect::<StringArray>(),
        ),
        ColumnKind::Integer => Arc::new(
            cells
                .map(|cell| match cell {
                    Cell::Integer(value) => Some(value),
                    _ => None,
                })
                .collect::<UInt32Array>(),
        ),
        ColumnKind::Number => Arc::new(
            cells
                .map(|cell| match cell {
                    Cell::Number(value) => Some(value),
                    _ => None,
                })
                .collect::<Float64Array>(),
        ),
        ColumnKind::Time => {
            let nanoseconds = cells
                .map(|cell| match cell {
                    Cell::Time(time) => {
                        i64::try_from(time.as_nanosecond()).map(Some).map_err(|_| {
                            Error::new(ErrorKind::Unmeasurable, format!("{time}"))
                                .key(column.name.as_ref())
                                .expected("a Parquet time lies in the years 1677 to 2262")
                        })
                    }
                    _ => Ok(None),
                })
                .collect::<Result<Vec<_>>>()?;
            Arc::new(TimestampNanosecondArray::from(nanoseconds).with_timezone(UTC))
        }
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::tables::table::samples;

    #[test]
    fn the_same_table_makes_the_same_bytes() {
        let once = || {
            let mut bytes = Vec::new();
            write_parquet(&samples::table(), &mut bytes).unwrap();
            bytes
        };
        let first = once();
        for _ in 0..8 {
            assert!(first == once());
        }
    }
}
