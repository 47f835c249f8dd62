//! A product profile as written.

use schemars::JsonSchema;
use serde::Deserialize;

use crate::document::WireTime;

/// The format this version reads and writes.
pub const PRODUCT_FORMAT: &str = "weighlight-product/1";

/// A product profile: `NAME.toml`.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct ProductRecord {
    /// `weighlight-product/1`.
    #[serde(rename = "format")]
    #[schemars(extend("const" = PRODUCT_FORMAT))]
    _format: String,
    /// The profile's id.
    pub(super) name: String,
    /// The class that takes what no colour rule claims, and what lies under a layer.
    pub(super) base: String,
    /// How pieces are found.
    pub(super) piece: PieceRecord,
    /// Class rules in order: the first that fits a pixel wins.
    #[serde(default, rename = "class")]
    #[schemars(length(min = 1))]
    pub(super) classes: Vec<ClassRecord>,
    /// Scale and offset from a fit against weighed pieces.
    pub(super) weight: WeightRecord,
    /// Limits for incoming pieces.
    #[serde(default)]
    pub(super) spec: SpecRecord,
    /// A limit between two classes learned from each recording; absent: all limits are as written.
    pub(super) learn: Option<LearnRecord>,
    /// What scale, offset, densities and depths were fitted to.
    pub(super) provenance: Option<ProvenanceRecord>,
}

/// What a profile's weight was fitted to; written by `weighlight tune`.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct ProvenanceRecord {
    /// What was fitted, in words.
    pub(super) fitted: String,
    /// Weighed pieces that the fit rests on.
    pub(super) pairs: u64,
    /// When the first of them was scanned.
    pub(super) first: Option<WireTime>,
    /// When the last was.
    pub(super) last: Option<WireTime>,
    /// Root mean square of estimate minus weighing with the profile as it was, g.
    #[schemars(range(min = 0))]
    pub(super) rms_before_g: f64,
    /// The same with this profile, on pieces that the fit did not see, g.
    #[schemars(range(min = 0))]
    pub(super) rms_unseen_g: f64,
    /// The files, each with its BLAKE3.
    #[serde(default)]
    pub(super) inputs: Vec<String>,
}

/// A limit between two classes that is learned from the colours of each recording's pieces, for light that drifts.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct LearnRecord {
    /// Two classes, which meet in one limit on `axis`.
    pub(super) between: [String; 2],
    /// How the limit is found.
    pub(super) method: LearnMethodRecord,
    /// The axis of CIELAB it lies on.
    pub(super) axis: LabAxisRecord,
    /// Values that are looked at, from and to; the written limit lies among them.
    pub(super) range: [f64; 2],
    /// Farthest that the learned limit may lie from the written one; a farther one is refused.
    #[schemars(extend("exclusiveMinimum" = 0))]
    pub(super) max_move: f64,
}

/// How a limit is learned.
#[derive(Debug, Clone, Copy, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub(super) enum LearnMethodRecord {
    /// The largest variance between the classes.
    Otsu,
    /// Where two normal distributions that fit best are equally likely.
    TwoGaussian,
}

/// An axis of CIELAB.
#[derive(Debug, Clone, Copy, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub(super) enum LabAxisRecord {
    /// Lightness.
    L,
    /// Green to red.
    A,
    /// Blue to yellow.
    B,
}

/// How pieces are found.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct PieceRecord {
    /// A piece rises at least this far above the belt, mm.
    #[schemars(extend("exclusiveMinimum" = 0))]
    pub(super) min_height_mm: f64,
    /// A piece covers at least this, cm².
    #[schemars(range(min = 0))]
    pub(super) min_area_cm2: f64,
    /// Whether touching pieces are parted.
    pub(super) split_touching: bool,
    /// Class patches smaller than this take the class around them, mm²; absent or 0 keeps them all.
    #[serde(default)]
    #[schemars(range(min = 0))]
    pub(super) min_speck_mm2: f64,
}

/// A class of material.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct ClassRecord {
    /// Its name, which becomes part of column names.
    #[schemars(regex(pattern = "^[a-z0-9_-]+$"))]
    pub(super) name: String,
    /// Colours it claims; only the base class may do without.
    pub(super) lab: Option<LabRecord>,
    /// Density, kg/m³; or give `composition`.
    #[schemars(range(min = 50, max = 3000))]
    pub(super) density_kg_m3: Option<f64>,
    /// Mass fractions, from which density follows at `temperature_c`; or give `density_kg_m3`.
    pub(super) composition: Option<CompositionRecord>,
    /// Temperature for `composition`, °C; absent: the scan's product temperature.
    pub(super) temperature_c: Option<f64>,
    /// With `composition`: the share of the volume that is pores; absent: 0.
    #[schemars(range(min = 0), extend("exclusiveMaximum" = 1))]
    pub(super) void_fraction: Option<f64>,
    /// The class owns the whole column under it; or give `depth_mm`. The base class needs neither.
    pub(super) depth: Option<DepthRecord>,
    /// A layer of this thickness, mm, over the base class; or give `depth`.
    #[schemars(extend("exclusiveMinimum" = 0))]
    pub(super) depth_mm: Option<f64>,
}

/// How deep a class goes.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub(super) enum DepthRecord {
    /// All the way to the belt.
    Through,
}

/// A box in CIELAB (D65, 2°).
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct LabRecord {
    /// Lightness, from and to.
    pub(super) l: [f64; 2],
    /// Green to red, from and to.
    pub(super) a: [f64; 2],
    /// Blue to yellow, from and to.
    pub(super) b: [f64; 2],
}

/// Mass fractions; they sum to 1 within 0.015.
#[derive(Debug, Default, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub(super) struct CompositionRecord {
    /// Liquid water.
    #[schemars(range(min = 0, max = 1))]
    pub(super) water: f64,
    /// Ice.
    #[schemars(range(min = 0, max = 1))]
    pub(super) ice: f64,
    /// Protein.
    #[schemars(range(min = 0, max = 1))]
    pub(super) protein: f64,
    /// Fat.
    #[schemars(range(min = 0, max = 1))]
    pub(super) fat: f64,
    /// Carbohydrate without fibre.
    #[schemars(range(min = 0, max = 1))]
    pub(super) carbohydrate: f64,
    /// Fibre.
    #[schemars(range(min = 0, max = 1))]
    pub(super) fibre: f64,
    /// Ash.
    #[schemars(range(min = 0, max = 1))]
    pub(super) ash: f64,
}

/// Scale and offset from a fit against weighed pieces; 1 and 0 until then.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct WeightRecord {
    /// Factor on the mass from volume and density.
    #[schemars(extend("exclusiveMinimum" = 0))]
    pub(super) scale: f64,
    /// Added after scaling, g.
    pub(super) offset_g: f64,
    /// Relative standard uncertainty of density.
    #[schemars(range(min = 0, max = 1))]
    pub(super) density_u_rel: f64,
}

/// Limits for incoming pieces, each from and to; an absent key is no limit.
#[derive(Debug, Default, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub(super) struct SpecRecord {
    /// Mass, g.
    pub(super) mass_g: Option<[f64; 2]>,
    /// Length, mm.
    pub(super) length_mm: Option<[f64; 2]>,
    /// Width, mm.
    pub(super) width_mm: Option<[f64; 2]>,
    /// Largest height, mm.
    pub(super) max_height_mm: Option<[f64; 2]>,
    /// Fat share of the top surface.
    pub(super) fat_fraction: Option<[f64; 2]>,
}

/// The JSON Schema of a product profile.
#[must_use]
pub fn product_schema() -> schemars::Schema {
    schemars::schema_for!(ProductRecord)
}
