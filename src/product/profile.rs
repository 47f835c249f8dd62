//! The product profile as checked values.

/// A product profile.
#[derive(Debug, Clone, PartialEq)]
pub struct Product {
    /// The profile's id.
    pub name: String,
    /// Name of the class that takes what no colour rule claims, and what lies under a layer.
    pub base: String,
    /// How pieces are found.
    pub piece: PieceRules,
    /// Class rules in order: the first that fits a pixel wins. Never empty, names unique, `base` among them.
    pub classes: Vec<ClassRule>,
    /// Scale and offset from a fit against weighed pieces.
    pub weight: WeightFit,
    /// Limits for incoming pieces.
    pub spec: Spec,
}

/// How pieces are found.
#[derive(Debug, Clone, PartialEq)]
pub struct PieceRules {
    /// A piece rises at least this far above the belt, mm.
    pub min_height_mm: f64,
    /// A piece covers at least this, cm².
    pub min_area_cm2: f64,
    /// Whether touching pieces are parted.
    pub split_touching: bool,
    /// Class patches smaller than this take the class around them, mm² (0 keeps them all).
    pub min_speck_mm2: f64,
}

/// An inclusive interval.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Range {
    /// Lower limit.
    pub low: f64,
    /// Upper limit.
    pub high: f64,
}

/// A box in CIELAB (D65, 2°).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LabBox {
    /// Lightness limits.
    pub l: Range,
    /// Green–red limits.
    pub a: Range,
    /// Blue–yellow limits.
    pub b: Range,
}

/// One class of material.
#[derive(Debug, Clone, PartialEq)]
pub struct ClassRule {
    /// Its name (`fat`, `lean`, `skin`, `crust` …).
    pub name: String,
    /// Colours it claims; `None` only for the base class.
    pub lab: Option<LabBox>,
    /// Its density.
    pub density: DensityRule,
    /// How deep it goes.
    pub depth: DepthRule,
}

/// Where a class's density comes from.
#[derive(Debug, Clone, PartialEq)]
pub enum DensityRule {
    /// Given directly, kg/m³.
    Given {
        /// Density, kg/m³.
        kg_m3: f64,
    },
    /// From composition and temperature by the relations of Choi and Okos (1986), with pores.
    Composition {
        /// Mass fractions as written, before normalisation.
        composition: Composition,
        /// Temperature, °C; `None`: the scan's product temperature.
        temperature_c: Option<f64>,
        /// Share of the volume that is pores.
        void_fraction: f64,
    },
}

/// Mass fractions of a food.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Composition {
    /// Liquid water.
    pub water: f64,
    /// Ice.
    pub ice: f64,
    /// Protein.
    pub protein: f64,
    /// Fat.
    pub fat: f64,
    /// Carbohydrate without fibre.
    pub carbohydrate: f64,
    /// Fibre.
    pub fibre: f64,
    /// Ash.
    pub ash: f64,
}

/// How deep a class goes under its surface.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum DepthRule {
    /// The class owns the whole column under it.
    Through,
    /// A layer of this thickness, mm; beneath it lies the base class.
    Layer {
        /// Thickness, mm.
        depth_mm: f64,
    },
}

/// Scale and offset from a fit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct WeightFit {
    /// Factor on the mass from volume and density.
    pub scale: f64,
    /// Added after scaling, g.
    pub offset_g: f64,
    /// Relative standard uncertainty of density.
    pub density_u_rel: f64,
}

/// Limits for incoming pieces; `None` is no limit.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Spec {
    /// Mass, g.
    pub mass_g: Option<Range>,
    /// Length, mm.
    pub length_mm: Option<Range>,
    /// Width, mm.
    pub width_mm: Option<Range>,
    /// Largest height, mm.
    pub max_height_mm: Option<Range>,
    /// Fat share of the top surface.
    pub fat_fraction: Option<Range>,
}
