//! A scanner calibration as written.

use schemars::JsonSchema;
use serde::Deserialize;

use crate::document::WireTime;

/// The format this version reads and writes.
pub const CALIBRATION_FORMAT: &str = "weighlight-calibration/1";

/// A scanner calibration: `calibration/scanners/<scanner>/<date>.toml`.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct CalibrationRecord {
    /// `weighlight-calibration/1`.
    #[serde(rename = "format")]
    #[schemars(extend("const" = CALIBRATION_FORMAT))]
    _format: String,
    /// The scanner; also the name of the folder the file lies in.
    pub(super) scanner: String,
    /// In force from then on, until the scanner's next one.
    pub(super) valid_from: WireTime,
    /// The nine geometric errors.
    pub(super) errors: ErrorsRecord,
    /// Their standard uncertainties; an absent key states none.
    #[serde(default)]
    pub(super) errors_u: ErrorsURecord,
    /// Colour correction and flat field.
    pub(super) colour: Option<ColourRecord>,
    /// Colour-to-height registration.
    #[serde(default)]
    pub(super) registration: RegistrationRecord,
    /// The camera's side and angle.
    pub(super) camera: Option<CameraRecord>,
    /// Where the colour camera stands; absent means it sees every height from straight above.
    pub(super) colour_camera: Option<ColourCameraRecord>,
    /// The point from which the laser's fan spreads; without it, the laser's shadows are told from the pieces.
    pub(super) laser: Option<LaserRecord>,
    /// For stripe scanners.
    pub(super) triangulation: Option<TriangulationRecord>,
    /// How far each error may move before it matters.
    pub(super) tolerances: Option<TolerancesRecord>,
    /// Where the calibration came from.
    #[serde(default)]
    pub(super) provenance: ProvenanceRecord,
}

/// The nine geometric errors; a perfect scanner has scales of 1 and zeros.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct ErrorsRecord {
    /// Scale across the belt, 1.
    #[schemars(range(min = 0.5, max = 2))]
    pub(super) across_scale: f64,
    /// Scale along the belt, 1.
    #[schemars(range(min = 0.5, max = 2))]
    pub(super) along_scale: f64,
    /// Height scale, 1.
    #[schemars(range(min = 0.5, max = 2))]
    pub(super) height_scale: f64,
    /// Height offset, mm.
    pub(super) height_offset_mm: f64,
    /// Height change across, mrad.
    #[schemars(range(min = -300, max = 300))]
    pub(super) roll_mrad: f64,
    /// Height change along, mrad.
    #[schemars(range(min = -300, max = 300))]
    pub(super) pitch_mrad: f64,
    /// Bow at the frame's edges, mm.
    pub(super) bow_mm: f64,
    /// Rows not square to travel, mrad.
    #[schemars(range(min = -300, max = 300))]
    pub(super) skew_mrad: f64,
    /// Laser plane not upright, mrad.
    #[schemars(range(min = -300, max = 300))]
    pub(super) lean_mrad: f64,
}

/// Standard uncertainties of the nine errors, in the same units.
#[derive(Debug, Default, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub(super) struct ErrorsURecord {
    /// Of the scale across, 1.
    #[schemars(range(min = 0))]
    pub(super) across_scale: f64,
    /// Of the scale along, 1.
    #[schemars(range(min = 0))]
    pub(super) along_scale: f64,
    /// Of the height scale, 1.
    #[schemars(range(min = 0))]
    pub(super) height_scale: f64,
    /// Of the height offset, mm.
    #[schemars(range(min = 0))]
    pub(super) height_offset_mm: f64,
    /// Of roll, mrad.
    #[schemars(range(min = 0))]
    pub(super) roll_mrad: f64,
    /// Of pitch, mrad.
    #[schemars(range(min = 0))]
    pub(super) pitch_mrad: f64,
    /// Of bow, mm.
    #[schemars(range(min = 0))]
    pub(super) bow_mm: f64,
    /// Of skew, mrad.
    #[schemars(range(min = 0))]
    pub(super) skew_mrad: f64,
    /// Of lean, mrad.
    #[schemars(range(min = 0))]
    pub(super) lean_mrad: f64,
}

/// Colour correction in linear RGB: divide by the flat field, then multiply by the matrix.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct ColourRecord {
    /// Three rows of three.
    pub(super) matrix: [[f64; 3]; 3],
    /// Relative response across the belt; absent means even.
    #[serde(default)]
    pub(super) flat_field: FlatFieldRecord,
}

/// Relative response (1 = full) at evenly spaced stations from the frame's left outer edge to its right outer edge.
#[derive(Debug, Default, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub(super) struct FlatFieldRecord {
    /// Of red.
    pub(super) red: Vec<f64>,
    /// Of green.
    pub(super) green: Vec<f64>,
    /// Of blue.
    pub(super) blue: Vec<f64>,
}

/// Added to the colour frame's nominal place to get its place on the height frame.
#[derive(Debug, Default, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub(super) struct RegistrationRecord {
    /// Across, mm.
    pub(super) dx_mm: f64,
    /// Along, mm.
    pub(super) dy_mm: f64,
}

/// Where the camera stands, which decides where shadows fall.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct CameraRecord {
    /// Its side of the laser plane.
    pub(super) side: SideRecord,
    /// Angle between the camera's view and the upright laser plane, degrees.
    #[schemars(extend("exclusiveMinimum" = 0, "exclusiveMaximum" = 90))]
    pub(super) angle_deg: f64,
}

#[derive(Debug, Clone, Copy, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub(super) enum SideRecord {
    /// At smaller y: shadows fall towards larger y.
    LowY,
    /// At larger y: shadows fall towards smaller y.
    HighY,
}

/// Where the colour camera, a line camera, stands.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct ColourCameraRecord {
    /// Height of its centre over the belt, mm.
    #[schemars(range(min = 100, max = 100_000))]
    pub(super) height_mm: f64,
    /// Its place across from the middle of the height frame, mm.
    #[serde(default)]
    pub(super) x_mm: f64,
    /// Its place along from the line on the belt that it sees, mm: 0 when it looks straight down.
    #[serde(default)]
    pub(super) y_mm: f64,
}

/// The point from which the laser's fan spreads, which decides where its light does not reach.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct LaserRecord {
    /// Its height above the belt, mm.
    #[schemars(extend("exclusiveMinimum" = 0))]
    pub(super) apex_height_mm: f64,
    /// Its place across the belt, mm.
    pub(super) apex_x_mm: f64,
}

/// Laser triangulation of a stripe scanner.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct TriangulationRecord {
    /// Three rows of three, px; the last row is 0, 0, 1.
    pub(super) camera_matrix: [[f64; 3]; 3],
    /// Radial distortion (Brown–Conrady).
    pub(super) k1: f64,
    /// Radial distortion (Brown–Conrady).
    pub(super) k2: f64,
    /// From undistorted pixel (column, row, 1) to laser plane (x, z, 1) in mm: three rows of three.
    pub(super) homography: [[f64; 3]; 3],
}

/// One tolerance for each geometric error, in its unit, and one for colour.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct TolerancesRecord {
    /// Scale across, 1.
    #[schemars(extend("exclusiveMinimum" = 0))]
    pub(super) across_scale: f64,
    /// Scale along, 1.
    #[schemars(extend("exclusiveMinimum" = 0))]
    pub(super) along_scale: f64,
    /// Height scale, 1.
    #[schemars(extend("exclusiveMinimum" = 0))]
    pub(super) height_scale: f64,
    /// Height offset, mm.
    #[schemars(extend("exclusiveMinimum" = 0))]
    pub(super) height_offset_mm: f64,
    /// Roll, mrad.
    #[schemars(extend("exclusiveMinimum" = 0))]
    pub(super) roll_mrad: f64,
    /// Pitch, mrad.
    #[schemars(extend("exclusiveMinimum" = 0))]
    pub(super) pitch_mrad: f64,
    /// Bow, mm.
    #[schemars(extend("exclusiveMinimum" = 0))]
    pub(super) bow_mm: f64,
    /// Skew, mrad.
    #[schemars(extend("exclusiveMinimum" = 0))]
    pub(super) skew_mrad: f64,
    /// Lean, mrad.
    #[schemars(extend("exclusiveMinimum" = 0))]
    pub(super) lean_mrad: f64,
    /// Largest CIEDE2000 difference of a patch.
    #[schemars(extend("exclusiveMinimum" = 0))]
    pub(super) de00: f64,
}

/// Where a calibration came from.
#[derive(Debug, Default, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub(super) struct ProvenanceRecord {
    /// The target's name.
    pub(super) target: Option<String>,
    /// The ids of the scans it was fitted to.
    pub(super) scans: Vec<String>,
    /// Free text.
    pub(super) note: Option<String>,
}

/// The JSON Schema of a scanner calibration.
#[must_use]
pub fn calibration_schema() -> schemars::Schema {
    schemars::schema_for!(CalibrationRecord)
}
