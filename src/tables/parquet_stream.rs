//! A Parquet piece table of any length, written a few thousand rows at a time.

use std::io::Write;
use std::sync::Arc;

use arrow_array::{ArrayRef, RecordBatch, StringArray};
use arrow_schema::{Field, Schema};
use parquet::arrow::ArrowWriter;
use parquet::basic::{Compression, ZstdLevel};
use parquet::file::metadata::KeyValue;
use parquet::file::properties::WriterProperties;

use super::PieceRecord;
use super::columns::{Column, ColumnKind, columns_for};
use super::parquet_format::{ColumnAbout, array, failed, field};
use crate::Result;

/// The column that says by which profile a row was measured.
pub(super) const PRODUCT: &str = "product";

/// Rows that are handed to the writer at once. How rows are cut into batches shows in the file's bytes, so it depends on the rows'
/// numbers alone.
pub(crate) const BATCH_ROWS: usize = 4096;

/// Rows of a row group, the part of a file that readers can take or leave.
const GROUP_ROWS: usize = 1 << 16;

/// How tables are written that come a batch at a time, by this version of the program.
pub(crate) fn stream_properties(version: &str, metadata: Vec<KeyValue>) -> WriterProperties {
    WriterProperties::builder()
        .set_created_by(format!("weighlight {version}"))
        .set_compression(Compression::ZSTD(ZstdLevel::default()))
        .set_max_row_group_row_count(Some(GROUP_ROWS))
        .set_key_value_metadata(Some(metadata))
        .build()
}

/// What a streamed table says of itself.
#[derive(Debug, Clone)]
pub struct StreamAbout {
    /// The program's version.
    pub version: String,
    /// The classes that have columns, in order.
    pub classes: Vec<String>,
    /// Further keys and values of the file's metadata.
    pub metadata: Vec<(String, String)>,
}

/// A piece table being written: the columns of every piece table, and before them `product`.
pub struct PieceStream<W: Write + Send> {
    writer: ArrowWriter<W>,
    schema: Arc<Schema>,
    columns: Vec<Column>,
    products: Vec<String>,
    pieces: Vec<PieceRecord>,
}

impl<W: Write + Send> PieceStream<W> {
    /// Starts a table.
    ///
    /// # Errors
    /// The writer fails.
    pub fn new(to: W, about: &StreamAbout) -> Result<Self> {
        let columns = columns_for(&about.classes);
        let product = ColumnAbout {
            name: PRODUCT,
            unit: "",
            meaning: "the product profile by which the piece was measured",
        };
        let mut fields: Vec<Field> = vec![product.field(ColumnKind::Text, false)];
        fields.extend(columns.iter().map(field));
        let schema = Arc::new(Schema::new(fields));
        let mut metadata = vec![KeyValue::new(
            "weighlight.format".to_owned(),
            "weighlight-pieces/1".to_owned(),
        )];
        let further = about.metadata.iter().cloned();
        metadata.extend(further.map(|(key, value)| KeyValue::new(key, value)));
        let properties = stream_properties(&about.version, metadata);
        let writer =
            ArrowWriter::try_new(to, Arc::clone(&schema), Some(properties)).map_err(failed)?;
        Ok(Self {
            writer,
            schema,
            columns,
            products: Vec::new(),
            pieces: Vec::new(),
        })
    }

    /// Adds a row.
    ///
    /// # Errors
    /// The writer fails, or a time lies outside the years 1677 to 2262 that nanoseconds can hold.
    pub fn push(&mut self, piece: PieceRecord, product: &str) -> Result<()> {
        self.pieces.push(piece);
        self.products.push(product.to_owned());
        if self.pieces.len() < BATCH_ROWS {
            return Ok(());
        }
        self.write_batch()
    }

    /// Writes what is left and ends the table.
    ///
    /// # Errors
    /// As for [`push`](Self::push).
    pub fn finish(mut self) -> Result<()> {
        if !self.pieces.is_empty() {
            self.write_batch()?;
        }
        self.writer.close().map_err(failed)?;
        Ok(())
    }

    fn write_batch(&mut self) -> Result<()> {
        let products: StringArray = self.products.drain(..).map(Some).collect();
        let mut arrays: Vec<ArrayRef> = vec![Arc::new(products)];
        for column in &self.columns {
            arrays.push(array(column, &self.pieces)?);
        }
        self.pieces.clear();
        let batch = RecordBatch::try_new(Arc::clone(&self.schema), arrays).map_err(failed)?;
        self.writer.write(&batch).map_err(failed)
    }
}
