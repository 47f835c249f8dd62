//! What a check with a reference target comes to: the values, what they are compared with, and the verdict.

use jiff::Timestamp;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// The format word of a drift report.
pub const DRIFT_FORMAT: &str = "weighlight-drift/1";

/// The outcome of a comparison with a tolerance, uncertainty taken into account (ISO 14253-1, JCGM 106).
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, JsonSchema,
)]
pub enum Verdict {
    /// The change and its expanded uncertainty lie within the tolerance.
    #[serde(rename = "in tolerance")]
    InTolerance,
    /// Not decided: the tolerance's limit lies within the expanded uncertainty, or the value could not be told. Scan again.
    #[serde(rename = "warning")]
    Warning,
    /// The change lies outside the tolerance by more than its expanded uncertainty.
    #[serde(rename = "out of tolerance")]
    OutOfTolerance,
}

/// One check of one scanner with one target.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct DriftReport {
    /// [`DRIFT_FORMAT`].
    pub format: String,
    /// The program's version.
    pub version: String,
    /// The scanner.
    pub scanner: String,
    /// The target scan's id.
    pub scan: String,
    /// The target's name.
    pub target: String,
    /// When the scan was taken.
    #[schemars(with = "String")]
    pub captured: Timestamp,
    /// The worst of all verdicts.
    pub verdict: Verdict,
    /// The nine geometric errors, in the order of the calibration file.
    pub parameters: Vec<ParameterCheck>,
    /// How well the surface was seen.
    pub surface: SurfaceCheck,
    /// The colour patches, where both scan and target have colour.
    pub colour: Option<ColourCheck>,
    /// What the change costs.
    pub weight_effect: WeightEffect,
    /// What the values were compared with: a calibration file's path or "a perfect scanner".
    pub compared_with: String,
    /// Where the target lay.
    pub pose: TargetPose,
    /// What to know and what to do, most important first.
    pub findings: Vec<String>,
    /// Cautions for whoever goes to the machine.
    pub cautions: Vec<String>,
    /// What the report was made from: files and their BLAKE3 hashes.
    pub inputs: Vec<InputHash>,
    /// The certificate of the target.
    pub certificate: Option<Certificate>,
    /// Residuals of the fit over the belt.
    pub residual_map: Option<ResidualMap>,
}

/// The JSON Schema of a drift report.
#[must_use]
pub fn drift_schema() -> schemars::Schema {
    schemars::schema_for!(DriftReport)
}

/// One geometric error of the scanner.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ParameterCheck {
    /// `across_scale` … `lean_mrad`.
    pub name: String,
    /// What this scan says; absent where the scan cannot tell it.
    pub value: Option<f64>,
    /// Its standard uncertainty (fit and certificate), same unit.
    pub u: Option<f64>,
    /// What it was, or should be.
    pub baseline: f64,
    /// `value − baseline`.
    pub change: Option<f64>,
    /// The largest change that does not matter, same unit.
    pub tolerance: f64,
    /// `1`, `mm` or `mrad`.
    pub unit: String,
    /// The outcome.
    pub verdict: Verdict,
    /// Why there is no value, or what it cannot be told apart from.
    pub remark: Option<String>,
}

/// How well the target's surface was seen. Quantities in the manner of VDI/VDE 2634 part 2.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct SurfaceCheck {
    /// Root mean square of the residuals, mm.
    pub residual_rms_mm: f64,
    /// Flatness measurement error: span of the plate's residuals after the fit, the farthest 0.3 % left out, mm.
    pub flatness_mm: f64,
    /// Noise of a single sample, mm.
    pub noise_mm: f64,
    /// Share of samples without a return where the camera could see the target.
    pub dropout_fraction: f64,
    /// Probing error of form: span of residuals on a sphere after its own fit, mm; with sphere targets only.
    pub probing_form_mm: Option<f64>,
    /// Probing error of size: fitted less certified radius times two, mm; with sphere targets only.
    pub probing_size_mm: Option<f64>,
    /// Samples used by the fit.
    pub samples: u64,
    /// Share of the target's surface that was seen.
    pub seen_fraction: f64,
}

/// The colours of a check.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ColourCheck {
    /// One a patch.
    pub patches: Vec<PatchCheck>,
    /// The largest CIEDE2000 difference after the calibration in force.
    pub max_de00: f64,
    /// The tolerance for it.
    pub tolerance_de00: f64,
    /// The outcome.
    pub verdict: Verdict,
    /// Colour frame against height frame, across and along, mm, beyond what the calibration in force states.
    pub registration_mm: Option<[f64; 2]>,
    /// Its standard uncertainty, mm.
    pub registration_u_mm: Option<[f64; 2]>,
    /// White balance: factors on linear R, G, B that make the neutral patches neutral.
    pub white_balance: Option<[f64; 3]>,
    /// Colour correction in linear RGB fitted to the patches.
    pub matrix: Option<[[f64; 3]; 3]>,
    /// The largest CIEDE2000 difference that would be left with white balance and matrix fitted to this scan.
    pub corrected_max_de00: Option<f64>,
    /// Relative response at evenly spaced stations across the belt, one row for each of R, G, B.
    pub flat_field: Option<[Vec<f64>; 3]>,
}

/// One colour patch.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct PatchCheck {
    /// Centre on the plate, mm.
    pub x_mm: f64,
    /// Centre on the plate, mm.
    pub y_mm: f64,
    /// Seen colour, CIELAB (D65).
    pub lab: [f64; 3],
    /// Certified colour.
    pub certified_lab: [f64; 3],
    /// CIEDE2000 between them.
    pub de00: f64,
    /// Share of saturated pixels.
    pub saturated_fraction: f64,
    /// Pixels used.
    pub pixels: u64,
}

/// What a change of the scanner does to weights.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct WeightEffect {
    /// Relative change of an estimated volume and weight that the changed errors cause if nothing is corrected.
    pub relative: f64,
    /// Its standard uncertainty.
    pub relative_u: f64,
    /// The share of each error.
    pub by_parameter: Vec<ParameterEffect>,
    /// By product, where pieces were re-measured.
    pub per_product: Vec<ProductEffect>,
}

/// The share of one error in the weight effect.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ParameterEffect {
    /// The error.
    pub name: String,
    /// Relative change of weight.
    pub relative: f64,
    /// Its standard uncertainty.
    #[serde(default)]
    pub relative_u: f64,
}

/// The weight effect on real pieces of one product.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ProductEffect {
    /// The product.
    pub product: String,
    /// Mean change of a piece's estimated mass, g.
    pub mass_g: f64,
    /// Its standard uncertainty, g.
    pub mass_u_g: Option<f64>,
    /// Relative.
    pub relative: f64,
    /// Pieces compared.
    pub pieces: u64,
    /// Money a day, in the user's currency, where price and tonnage are given.
    pub money_per_day: Option<f64>,
}

/// Where the target lay: plate coordinates are turned by `yaw_mrad` and moved by (x, y).
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct TargetPose {
    /// The plate corner's place across, mm.
    pub x_mm: f64,
    /// The plate corner's place along, mm.
    pub y_mm: f64,
    /// Turn about z, mrad.
    pub yaw_mrad: f64,
}

/// A file a report was made from.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct InputHash {
    /// What it is: `scan`, `height`, `colour`, `target`, `calibration`.
    pub role: String,
    /// Its path as given.
    pub path: String,
    /// BLAKE3, hexadecimal.
    pub blake3: String,
}

/// What is certified about the target.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Certificate {
    /// Its number or name.
    pub name: String,
    /// Standard uncertainty of its lengths, mm.
    pub u_mm: f64,
    /// Temperature it holds for, °C.
    pub temperature_c: Option<f64>,
}

/// Mean residual over square cells of the belt, seen from above.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ResidualMap {
    /// Outer corner of the first cell, mm.
    pub origin_mm: [f64; 2],
    /// Side of a cell, mm.
    pub cell_mm: f64,
    /// Cells across.
    pub columns: u64,
    /// Mean residual, mm, row by row (rows along the belt); absent where nothing was seen.
    pub residual_mm: Vec<Option<f32>>,
}
