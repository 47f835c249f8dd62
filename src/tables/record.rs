//! One row of the piece table.

use jiff::Timestamp;

/// What is remarkable about a piece. Written space-separated, in this order.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
#[non_exhaustive]
pub enum Flag {
    /// Reaches the frame's side: part of it may be outside.
    Edge,
    /// Reaches the recording's start or end, or rows that are missing: part of it may not be there.
    Cut,
    /// Was parted from a neighbour it touches.
    Touching,
    /// Was near to being parted, or to being one with a neighbour.
    Doubtful,
    /// More than a twentieth of its footprint was reconstructed.
    Filled,
    /// So much of its colour is clipped or missing that the class shares are doubtful.
    Clipped,
    /// No belt was seen near it: its height rests on belt seen far away.
    Belt,
    /// A limit between its classes was learned from the recording.
    Learned,
    /// Mass outside the spec.
    SpecMass,
    /// Length outside the spec.
    SpecLength,
    /// Width outside the spec.
    SpecWidth,
    /// Largest height outside the spec.
    SpecHeight,
    /// Fat share outside the spec.
    SpecFat,
}

/// One class's share of a piece.
#[derive(Debug, Clone, PartialEq)]
pub struct ClassShare {
    /// The class.
    pub class: String,
    /// Footprint area of that class, cm²; `None` without colour.
    pub area_cm2: Option<f64>,
    /// Volume of that class by its depth rule, cm³; `None` without colour.
    pub volume_cm3: Option<f64>,
}

/// One contribution to a piece's standard uncertainties, independent of the others.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct BudgetPart {
    /// Where it comes from: `noise`, `belt`, `scale`, `rim`, `hidden`, `gaps`, `density`, `direction` and the sources of the fat fraction.
    pub source: String,
    /// Its part of the volume's standard uncertainty, cm³.
    pub volume_u_cm3: f64,
    /// Its part of the mass's standard uncertainty, g.
    pub mass_u_g: f64,
    /// Its part of the area's standard uncertainty, cm².
    pub area_u_cm2: f64,
    /// Its part of the length's standard uncertainty, mm.
    pub length_u_mm: f64,
    /// Its part of the width's standard uncertainty, mm.
    pub width_u_mm: f64,
    /// Its part of the fat fraction's standard uncertainty; 0 where there is no fat fraction.
    pub fat_u_fraction: f64,
}

/// One piece, one row. `None` is written as an empty cell (null in Parquet and JSON).
#[derive(Debug, Clone, PartialEq)]
pub struct PieceRecord {
    /// The recording (a scan without one is a recording of its own, under its id).
    pub recording: String,
    /// The scan (frame) that holds the piece's centroid.
    pub scan: String,
    /// 1-based number within the recording, ordered by y then x.
    pub piece: u32,
    /// 1-based lane, when the scan states lanes.
    pub lane: Option<u32>,
    /// Time at which the centroid passed, when the belt speed or row times are known.
    pub time: Option<Timestamp>,
    /// Centroid across, mm.
    pub x_mm: f64,
    /// Centroid along, mm, from the recording's start.
    pub y_mm: f64,
    /// Direction of the long side, mrad from the x axis, in (−π/2, π/2].
    pub yaw_mrad: f64,
    /// Long side of the smallest enclosing rectangle, mm.
    pub length_mm: f64,
    /// Short side of it, mm.
    pub width_mm: f64,
    /// Largest height, mm.
    pub max_height_mm: f64,
    /// Volume over footprint area, mm.
    pub mean_height_mm: f64,
    /// Footprint area, cm².
    pub area_cm2: f64,
    /// Area of the upper surface, cm².
    pub surface_cm2: f64,
    /// Length of the footprint's outline, mm.
    pub perimeter_mm: f64,
    /// Volume above the belt, cm³.
    pub volume_cm3: f64,
    /// Its standard uncertainty, cm³.
    pub volume_u_cm3: f64,
    /// Fat share of the top surface's footprint area.
    pub fat_fraction: Option<f64>,
    /// Fat share of the volume, by the depth rule.
    pub fat_volume_fraction: Option<f64>,
    /// Fat share of the mass, by the depth rule.
    pub fat_mass_fraction: Option<f64>,
    /// Mass, g.
    pub mass_g: f64,
    /// Its standard uncertainty, g.
    pub mass_u_g: f64,
    /// Share of the footprint that no sample was seen for.
    pub filled_fraction: f64,
    /// Standard uncertainty of the fat fraction; `None` as the fraction.
    pub fat_u_fraction: Option<f64>,
    /// Standard uncertainty of the footprint area, cm²; `None` when read from a table without it.
    pub area_u_cm2: Option<f64>,
    /// Standard uncertainty of the length, mm; `None` likewise.
    pub length_u_mm: Option<f64>,
    /// Standard uncertainty of the width, mm; `None` likewise.
    pub width_u_mm: Option<f64>,
    /// Sorted, without repeats.
    pub flags: Vec<Flag>,
    /// One entry per class of the profile, in the profile's order.
    pub classes: Vec<ClassShare>,
    /// What the uncertainties are made of; not a column of the table, written to JSON only. Empty when read from a table.
    pub budget: Vec<BudgetPart>,
}
