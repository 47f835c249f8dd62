//! A piece and the weighing that belongs to it.

use jiff::Timestamp;

use crate::tables::PieceRecord;

/// A piece that was weighed by itself, with all that may explain a difference.
#[derive(Debug, Clone, PartialEq)]
pub struct PairedPiece {
    /// 1-based data row of the piece table.
    pub piece_row: usize,
    /// 1-based data row of the log.
    pub log_row: usize,
    /// How sure the match is, 0 to 1.
    pub probability: f64,
    /// When the piece was scanned.
    pub scanned: Timestamp,
    /// What the checkweigher showed, g.
    pub weighed_g: f64,
    /// The estimate, g.
    pub mass_g: f64,
    /// Its standard uncertainty, g.
    pub mass_u_g: f64,
    /// The piece's row, whole.
    pub record: PieceRecord,
}

impl PairedPiece {
    /// Estimate minus weighing, g.
    pub fn difference_g(&self) -> f64 {
        self.mass_g - self.weighed_g
    }
}
