//! Tables: one registry of columns; CSV, Parquet, JSON and text from it, and readers for what was written.

mod columns;
mod csv_format;
mod digits;
mod flags;
mod json_format;
mod parquet_format;
mod parquet_read;
mod parquet_stream;
mod provenance;
mod record;
mod table;
mod text_format;
mod totals;

pub use columns::{Column, ColumnKind, columns_for, describe_columns, fixed_columns};
pub use csv_format::{read_csv, write_csv};
pub use digits::{round_to, with_uncertainty};
pub use json_format::{provenance_json, write_json};
pub use parquet_format::write_parquet;
pub(crate) use parquet_format::{ColumnAbout, UTC};
pub use parquet_read::read_pieces_by_product;
pub(crate) use parquet_stream::{BATCH_ROWS, stream_properties};
pub use parquet_stream::{PieceStream, StreamAbout};
pub use provenance::{LearnedLimit, ProductUsed, Provenance, RecordingUsed};
pub use record::{BudgetPart, ClassShare, Flag, PieceRecord};
pub use table::{PieceTable, Rejected, read_pieces};
pub use text_format::write_text;
pub use totals::Totals;
