//! The scanner calibration as checked values.

use jiff::Timestamp;

/// One calibration of one scanner, in force from `valid_from` until that scanner's next one.
#[derive(Debug, Clone, PartialEq)]
pub struct Calibration {
    /// The scanner.
    pub scanner: String,
    /// In force from then on.
    pub valid_from: Timestamp,
    /// The nine geometric errors.
    pub errors: GeometricErrors,
    /// Their standard uncertainties (same units; zero where none is stated).
    pub errors_u: GeometricErrors,
    /// Colour correction and flat field.
    pub colour: Option<ColourCalibration>,
    /// Colour-to-height registration.
    pub registration: Registration,
    /// The camera's side and angle.
    pub camera: Option<Camera>,
    /// Where the colour camera stands; `None`: it sees every height from straight above.
    pub colour_camera: Option<ColourCamera>,
    /// The point from which the laser's fan spreads.
    pub laser: Option<Laser>,
    /// For stripe scanners.
    pub triangulation: Option<Triangulation>,
    /// Tolerances for drift checks.
    pub tolerances: Option<Tolerances>,
    /// Where it came from.
    pub provenance: Provenance,
}

/// The nine geometric errors of the instrument.
///
/// ```text
/// x_m = cx + across_scale·(x − cx)
/// y_m = along_scale·(y + skew·(x − cx) + lean·z)
/// z_m = height_scale·z + height_offset + roll·(x − cx) + pitch·(y − cy) + bow·((x − cx)/half_width)²
/// ```
/// with (cx, cy) the centre of the recording's height frame and half_width half its width.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct GeometricErrors {
    /// Scale across the belt, 1.
    pub across_scale: f64,
    /// Scale along the belt, 1.
    pub along_scale: f64,
    /// Height scale, 1.
    pub height_scale: f64,
    /// Height offset, mm.
    pub height_offset_mm: f64,
    /// Height change across, mrad.
    pub roll_mrad: f64,
    /// Height change along, mrad.
    pub pitch_mrad: f64,
    /// Bow at the frame's edges, mm.
    pub bow_mm: f64,
    /// Rows not square to travel, mrad.
    pub skew_mrad: f64,
    /// Laser plane not upright, mrad.
    pub lean_mrad: f64,
}

impl GeometricErrors {
    /// A perfect scanner: scales of 1, all else 0.
    pub const NONE: Self = Self {
        across_scale: 1.0,
        along_scale: 1.0,
        height_scale: 1.0,
        height_offset_mm: 0.0,
        roll_mrad: 0.0,
        pitch_mrad: 0.0,
        bow_mm: 0.0,
        skew_mrad: 0.0,
        lean_mrad: 0.0,
    };
    /// All zero: "no uncertainty stated".
    pub const ZERO: Self = Self {
        across_scale: 0.0,
        along_scale: 0.0,
        height_scale: 0.0,
        ..Self::NONE
    };
}

/// Colour correction.
#[derive(Debug, Clone, PartialEq)]
pub struct ColourCalibration {
    /// 3×3 matrix in linear RGB, applied after the flat field: `corrected = matrix · linear`.
    pub matrix: [[f64; 3]; 3],
    /// Flat field across the belt: relative response (1 = full) at evenly spaced stations from the frame's left outer
    /// edge to its right outer edge, one row for each of R, G, B (linear light); empty means even. Linear RGB is *divided* by it.
    pub flat_field: [Vec<f64>; 3],
}

/// Colour-to-height registration: added to the colour frame's nominal place to get its place on the height frame.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Registration {
    /// Across, mm.
    pub dx_mm: f64,
    /// Along, mm.
    pub dy_mm: f64,
}

/// Where the camera stands, which decides where shadows fall.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Camera {
    /// Its side of the laser plane.
    pub side: CameraSide,
    /// Angle between the camera's view and the laser plane (upright), degrees.
    pub angle_deg: f64,
}

/// Where the colour camera stands: a line camera that sees one line across the belt at a time.
///
/// A point at (x, y) and height z appears in the colour frame where a point of the belt at
/// `x + (x − x_c)·z/(H − z)`, `y − y_c·z/H` would.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ColourCamera {
    /// Height H of its centre over the belt, mm.
    pub height_mm: f64,
    /// Its place across from the middle of the height frame, mm.
    pub x_mm: f64,
    /// Its place along from the line on the belt that it sees, mm: 0 when it looks straight down.
    pub y_mm: f64,
}

/// On which side of the laser plane the camera stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum CameraSide {
    /// At smaller y: shadows fall towards larger y.
    LowY,
    /// At larger y: shadows fall towards smaller y.
    HighY,
}

/// The point from which the laser's fan spreads, which decides where its light does not reach.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Laser {
    /// Height above the belt, mm.
    pub apex_height_mm: f64,
    /// Place across the belt, mm.
    pub apex_x_mm: f64,
}

/// Laser triangulation of a stripe scanner.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Triangulation {
    /// Camera matrix, px.
    pub camera_matrix: [[f64; 3]; 3],
    /// Radial distortion (Brown–Conrady).
    pub k1: f64,
    /// Radial distortion (Brown–Conrady).
    pub k2: f64,
    /// From undistorted pixel (column, row, 1) to laser plane (x, z, 1) in mm.
    pub homography: [[f64; 3]; 3],
}

/// How far each error may move before it matters (same units as the errors), and colour in ΔE00.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Tolerances {
    /// One for each geometric error.
    pub errors: GeometricErrors,
    /// Largest CIEDE2000 difference of a patch.
    pub de00: f64,
}

/// Where a calibration came from.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Provenance {
    /// The target's name.
    pub target: Option<String>,
    /// The scans it was fitted to.
    pub scans: Vec<String>,
    /// Free text.
    pub note: Option<String>,
}
