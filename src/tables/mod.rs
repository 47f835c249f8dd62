//! Tables: one registry of columns; CSV, Parquet, JSON and text from it.

mod record;

pub use record::{ClassShare, Flag, PieceRecord};
