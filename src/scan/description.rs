//! What `scan.toml` says.

use std::path::PathBuf;

use jiff::Timestamp;

/// One scan as its `scan.toml` describes it, checked.
#[derive(Debug, Clone, PartialEq)]
pub struct ScanDescription {
    /// Unique in its archive.
    pub id: String,
    /// Time of row 0.
    pub captured: Timestamp,
    /// The scanner it came from.
    pub scanner: String,
    /// The product profile's id.
    pub product: Option<String>,
    /// Frames of one recording join end to end.
    pub recording: Option<String>,
    /// Number of lanes of equal width.
    pub lanes: Option<u32>,
    /// Belt speed, mm/s.
    pub belt_speed_mm_s: Option<f64>,
    /// Product temperature, °C.
    pub product_temperature_c: Option<f64>,
    /// The height frame.
    pub height: HeightPart,
    /// Height frames of the same laser line from other cameras: none, or one from the other side.
    pub views: Vec<ViewPart>,
    /// The colour frame.
    pub colour: Option<ColourPart>,
    /// The encoder's record of each row.
    pub profiles: Option<ProfilesPart>,
}

/// What a height count means.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum HeightKind {
    /// `z = offset + scale·count`, in mm.
    Range,
    /// The laser stripe's sensor row, `row = offset + scale·count`, in px.
    Stripe,
}

/// The `[height]` part.
#[derive(Debug, Clone, PartialEq)]
pub struct HeightPart {
    /// What a count means.
    pub kind: HeightKind,
    /// The file, relative to the scan folder.
    pub file: PathBuf,
    /// Column pitch, mm.
    pub pitch_across_mm: f64,
    /// Row pitch, mm.
    pub pitch_along_mm: f64,
    /// mm (range) or px (stripe) per count.
    pub scale: f64,
    /// mm (range) or px (stripe) at count 0.
    pub offset: f64,
    /// The count that means "no return"; `None` in float files, where NaN does.
    pub invalid: Option<u16>,
    /// This frame's first row, counted from the recording's start.
    pub first_profile: u64,
}

/// On which side of the laser plane a view's camera stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ViewSide {
    /// At smaller y: its shadows fall towards larger y.
    LowY,
    /// At larger y: its shadows fall towards smaller y.
    HighY,
}

/// A `[[view]]` part: the same rows of the same laser line, seen by another camera. Size, pitches, kind and sample type are
/// the height frame's.
#[derive(Debug, Clone, PartialEq)]
pub struct ViewPart {
    /// The file, relative to the scan folder.
    pub file: PathBuf,
    /// The side its camera stands on.
    pub camera_side: ViewSide,
    /// Angle between its camera's view and the upright laser plane, degrees; `None`: as the first camera's.
    pub camera_angle_deg: Option<f64>,
    /// mm per count.
    pub scale: f64,
    /// mm at count 0.
    pub offset: f64,
    /// The count that means "no return"; `None` in float files, where NaN does.
    pub invalid: Option<u16>,
}

/// The `[colour]` part.
#[derive(Debug, Clone, PartialEq)]
pub struct ColourPart {
    /// The file, relative to the scan folder.
    pub file: PathBuf,
    /// Pixel pitch across, mm.
    pub pitch_across_mm: f64,
    /// Pixel pitch along, mm.
    pub pitch_along_mm: f64,
    /// Outer corner of pixel (0, 0) relative to the height frame's outer corner, mm.
    pub origin_across_mm: f64,
    /// As above, along, mm.
    pub origin_along_mm: f64,
}

/// The `[profiles]` part.
#[derive(Debug, Clone, PartialEq)]
pub struct ProfilesPart {
    /// The CSV file, relative to the scan folder.
    pub file: PathBuf,
}
