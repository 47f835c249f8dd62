//! A reference target as written.

use schemars::JsonSchema;
use serde::Deserialize;

/// The format this version reads and writes.
pub const TARGET_FORMAT: &str = "weighlight-target/1";

/// A reference target: `calibration/targets/<name>.toml`.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct TargetRecord {
    /// `weighlight-target/1`.
    #[serde(rename = "format")]
    #[schemars(extend("const" = TARGET_FORMAT))]
    _format: String,
    /// Its name.
    pub(super) name: String,
    /// Standard uncertainty of each certified length, mm.
    #[schemars(range(min = 0, max = 1))]
    pub(super) u_mm: Option<f64>,
    /// The certificate's number or name.
    pub(super) certificate: Option<String>,
    /// Temperature the lengths hold for, °C.
    #[schemars(range(min = -60, max = 150))]
    pub(super) temperature_c: Option<f64>,
    /// Linear thermal expansion, 1/K.
    #[schemars(range(min = 0, max = 0.001))]
    pub(super) expansion_per_k: Option<f64>,
    /// The plate; it lies on the belt, and coordinates count from one of its corners.
    pub(super) plate: PlateRecord,
    /// Square frustums.
    #[serde(default)]
    pub(super) frustum: Vec<FrustumRecord>,
    /// Treads of machined stairs.
    #[serde(default)]
    pub(super) step: Vec<StepRecord>,
    /// Spheres.
    #[serde(default)]
    pub(super) sphere: Vec<SphereRecord>,
    /// Painted squares.
    #[serde(default)]
    pub(super) patch: Vec<PatchRecord>,
}

/// The plate.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct PlateRecord {
    /// Size along its x, mm.
    #[schemars(extend("exclusiveMinimum" = 0))]
    pub(super) across_mm: f64,
    /// Size along its y, mm.
    #[schemars(extend("exclusiveMinimum" = 0))]
    pub(super) along_mm: f64,
    /// Height of its top above the belt, mm.
    #[schemars(extend("exclusiveMinimum" = 0))]
    pub(super) thickness_mm: f64,
}

/// A square frustum, its edges parallel to the plate's, standing on the plate's top.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct FrustumRecord {
    /// Centre, mm.
    pub(super) x_mm: f64,
    /// Centre, mm.
    pub(super) y_mm: f64,
    /// Side of its base, mm.
    #[schemars(extend("exclusiveMinimum" = 0))]
    pub(super) base_mm: f64,
    /// Side of its top, mm; less than the base's.
    #[schemars(extend("exclusiveMinimum" = 0))]
    pub(super) top_mm: f64,
    /// Height above the plate's top, mm.
    #[schemars(extend("exclusiveMinimum" = 0))]
    pub(super) height_mm: f64,
}

/// One tread of a machined stair: a block with upright sides, its edges parallel to the plate's.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct StepRecord {
    /// Centre, mm.
    pub(super) x_mm: f64,
    /// Centre, mm.
    pub(super) y_mm: f64,
    /// Size along the plate's x, mm.
    #[schemars(extend("exclusiveMinimum" = 0))]
    pub(super) across_mm: f64,
    /// Size along the plate's y, mm.
    #[schemars(extend("exclusiveMinimum" = 0))]
    pub(super) along_mm: f64,
    /// Height above the plate's top, mm.
    #[schemars(extend("exclusiveMinimum" = 0))]
    pub(super) height_mm: f64,
}

/// A sphere on the plate, or sunk into it.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct SphereRecord {
    /// Centre, mm.
    pub(super) x_mm: f64,
    /// Centre, mm.
    pub(super) y_mm: f64,
    /// Radius, mm.
    #[schemars(extend("exclusiveMinimum" = 0))]
    pub(super) radius_mm: f64,
    /// Height of its centre above the plate's top, mm; negative where it is sunk into the plate.
    pub(super) centre_height_mm: f64,
}

/// A painted square on the plate's top, its edges parallel to the plate's.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct PatchRecord {
    /// Centre, mm.
    pub(super) x_mm: f64,
    /// Centre, mm.
    pub(super) y_mm: f64,
    /// Side, mm.
    #[schemars(extend("exclusiveMinimum" = 0))]
    pub(super) size_mm: f64,
    /// Certified colour, CIELAB (D65, 2°).
    pub(super) lab: [f64; 3],
}

/// The JSON Schema of a reference target.
#[must_use]
pub fn target_schema() -> schemars::Schema {
    schemars::schema_for!(TargetRecord)
}
