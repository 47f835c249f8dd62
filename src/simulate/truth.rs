//! What is true of each piece.

use serde::{Deserialize, Serialize};

/// The truth about one piece; one row of `truth.csv`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct TruthPiece {
    /// 1-based number, ordered by y then x.
    pub piece: u32,
    /// What it is.
    pub kind: String,
    /// Centroid of the footprint across, mm.
    pub x_mm: f64,
    /// Centroid of the footprint along, mm.
    pub y_mm: f64,
    /// Direction of the long side of the smallest enclosing rectangle, mrad from x, in (−π/2, π/2].
    pub yaw_mrad: f64,
    /// Long side of that rectangle, mm.
    pub length_mm: f64,
    /// Short side of that rectangle, mm.
    pub width_mm: f64,
    /// Largest height, mm.
    pub max_height_mm: f64,
    /// Footprint area, cm².
    pub area_cm2: f64,
    /// Volume of the unsampled shape, cm³.
    pub volume_cm3: f64,
    /// Share of the footprint whose top is of class `fat` (0 when there is no such class).
    pub fat_fraction: f64,
    /// Share of the volume that is fat by the depth rule.
    pub fat_volume_fraction: f64,
    /// Mass from volume, densities and depth rule, g.
    pub mass_g: f64,
    /// Words on its form, space-separated: `steep` (much of the surface is steeper than 60°), `flat` (thin for its
    /// width), `small` (under 100 cm³).
    pub form: String,
    /// Whether it touches or overlaps a neighbour.
    pub touching: bool,
    /// Whether the end of a frame runs through it.
    pub frame_end: bool,
    /// Whether it reaches beyond the recording or the belt's side.
    pub cut: bool,
}
