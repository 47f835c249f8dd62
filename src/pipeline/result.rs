//! What comes out of the pipeline.

use ndarray::Array2;

use crate::measure::{ShareBudget, SharedCell};
use crate::surface::ViewReport;
use crate::tables::{LearnedLimit, PieceRecord};

/// A measured piece: its row of the table, and where it lies on the recording's grid.
#[derive(Debug, Clone)]
pub struct MeasuredPiece {
    /// The row of the piece table.
    pub record: PieceRecord,
    /// What the standard uncertainty of its fat fraction is made of; `None` as the fraction.
    pub fat_budget: Option<ShareBudget>,
    /// First row of the window on the recording's surface grid.
    pub first_row: usize,
    /// First column of the window.
    pub first_column: usize,
    /// Footprint: 0 outside, 1 seen, 2 reconstructed. Empty unless views are kept.
    pub footprint: Array2<u8>,
    /// Height above the belt of the window's cells, mm, with what is reconstructed; NaN where nothing is known. Empty unless views are kept.
    pub height_mm: Array2<f32>,
    /// Class index of each footprint cell in the profile's order, 255 outside or without colour.
    /// Empty unless views are kept.
    pub class: Array2<u8>,
    /// Cells of `class` that have a part of a second class. Empty unless views are kept.
    pub shared: Vec<SharedCell>,
}

/// What was learnt of the belt and the noise on the way.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct BeltSummary {
    /// Standard deviation of single samples about the belt, mm.
    pub noise_mm: f64,
    /// Share of samples without a return.
    pub dropout_fraction: f64,
    /// Share of the area that is belt.
    pub belt_fraction: f64,
    /// Slope of the belt across, mrad.
    pub roll_mrad: f64,
    /// Largest deviation of the belt from its mean plane, mm (half the range).
    pub ripple_mm: f64,
}

/// All that was measured in one recording.
#[derive(Debug, Clone)]
pub struct MeasuredRecording {
    /// The recording's name.
    pub recording: String,
    /// Its scanner.
    pub scanner: String,
    /// Its frames' ids in order.
    pub scans: Vec<String>,
    /// `valid_from` of the calibration in force, `None`: taken as already true.
    pub calibration: Option<jiff::Timestamp>,
    /// Whether there was colour.
    pub has_colour: bool,
    /// The limit between two classes that the profile wants learned; `None`: it wants none.
    pub learned: Option<LearnedLimit>,
    /// The belt and the noise.
    pub belt: BeltSummary,
    /// How a second camera's view agrees with the first; `None` without one.
    pub views: Option<ViewReport>,
    /// Pieces ordered by y then x.
    pub pieces: Vec<MeasuredPiece>,
}

/// The surface under one frame, for pictures.
#[derive(Debug, Clone)]
pub struct FrameView {
    /// The frame's scan id.
    pub scan: String,
    /// Row of the recording's surface grid at which this view starts.
    pub first_row: usize,
    /// Grid pitch across, mm.
    pub pitch_across_mm: f64,
    /// Grid pitch along, mm.
    pub pitch_along_mm: f64,
    /// Height above the belt, mm; NaN where nothing was seen.
    pub height_mm: Array2<f32>,
    /// Corrected sRGB colour brought onto the same grid, `rows × columns`, when there is colour.
    pub colour: Option<Array2<[u8; 3]>>,
}
