//! The product profile as checked values.

use jiff::Timestamp;

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
    /// A limit between two classes that is learned from each recording; `None`: all limits are as written.
    pub learn: Option<LearnRule>,
    /// What scale, offset, densities and depths were fitted to; `None`: nobody said.
    pub fit: Option<FitProvenance>,
}

/// What a profile's weight was fitted to.
#[derive(Debug, Clone, PartialEq)]
pub struct FitProvenance {
    /// What was fitted, in words.
    pub fitted: String,
    /// Weighed pieces that the fit rests on.
    pub pairs: u64,
    /// When the first of them was scanned.
    pub first: Option<Timestamp>,
    /// When the last was.
    pub last: Option<Timestamp>,
    /// Root mean square of estimate minus weighing with the profile as it was, g.
    pub rms_before_g: f64,
    /// The same with this profile, on pieces that the fit did not see, g.
    pub rms_unseen_g: f64,
    /// The files, each with its BLAKE3.
    pub inputs: Vec<String>,
}

impl Product {
    /// The limit between the two classes that a learned limit takes the place of, as written: the index of the class below it, that of the
    /// class above it, and the limit. `None` where the classes do not meet in one limit on that axis.
    #[must_use]
    pub fn limit_between(&self, rule: &LearnRule) -> Option<(usize, usize, f64)> {
        let place = |name: &String| self.classes.iter().position(|class| class.name == *name);
        let (one, two) = (place(&rule.between[0])?, place(&rule.between[1])?);
        let range = |index: usize| self.classes[index].lab.map(|lab| lab.axis(rule.axis));
        let inside = |limit: f64| rule.range.low < limit && limit < rule.range.high;
        // A class without a box takes what the other leaves: the limit is the other's, if one of its ends alone lies in the range.
        let alone =
            |own: Range, index: usize, rest: usize| match (inside(own.low), inside(own.high)) {
                (true, false) => Some((rest, index, own.low)),
                (false, true) => Some((index, rest, own.high)),
                _ => None,
            };
        match (range(one), range(two)) {
            (Some(a), Some(b)) if a.high == b.low && inside(b.low) => Some((one, two, b.low)),
            (Some(a), Some(b)) if b.high == a.low && inside(a.low) => Some((two, one, a.low)),
            (Some(a), None) => alone(a, one, two),
            (None, Some(b)) => alone(b, two, one),
            _ => None,
        }
    }

    /// Whether volumes become the same masses by another profile: what a fit of weights rests on.
    #[must_use]
    pub fn weighs_like(&self, other: &Self) -> bool {
        let of = |product: &Self| -> Vec<(String, DensityRule, DepthRule)> {
            let classes = product.classes.iter();
            classes
                .map(|it| (it.name.clone(), it.density.clone(), it.depth))
                .collect()
        };
        self.weight == other.weight && self.base == other.base && of(self) == of(other)
    }

    /// The same profile with another limit between these classes; as it is where they do not meet.
    #[must_use]
    pub fn with_limit(&self, rule: &LearnRule, limit: f64) -> Self {
        let mut product = self.clone();
        if let Some((below, above, _)) = self.limit_between(rule) {
            if let Some(lab) = &mut product.classes[below].lab {
                lab.axis_mut(rule.axis).high = limit;
            }
            if let Some(lab) = &mut product.classes[above].lab {
                lab.axis_mut(rule.axis).low = limit;
            }
        }
        product
    }
}

/// A limit between two classes that is learned from the colours of each recording's pieces.
#[derive(Debug, Clone, PartialEq)]
pub struct LearnRule {
    /// The two classes.
    pub between: [String; 2],
    /// How the limit is found.
    pub method: LearnMethod,
    /// The axis it lies on.
    pub axis: LabAxis,
    /// Values that are looked at; others belong to neither class.
    pub range: Range,
    /// Farthest that the limit may lie from the one written.
    pub max_move: f64,
}

/// How a limit is learned.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum LearnMethod {
    /// Otsu's criterion: the largest variance between the classes.
    Otsu,
    /// Where two normal distributions that fit best are equally likely.
    TwoGaussian,
}

/// An axis of CIELAB.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum LabAxis {
    /// Lightness.
    L,
    /// Green–red.
    A,
    /// Blue–yellow.
    B,
}

impl LearnMethod {
    /// Its name in a profile.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::Otsu => "otsu",
            Self::TwoGaussian => "two-gaussian",
        }
    }
}

impl LabAxis {
    /// Its name in a profile.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::L => "l",
            Self::A => "a",
            Self::B => "b",
        }
    }
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

impl LabBox {
    /// Its limits on an axis.
    #[must_use]
    pub fn axis(&self, axis: LabAxis) -> Range {
        match axis {
            LabAxis::L => self.l,
            LabAxis::A => self.a,
            LabAxis::B => self.b,
        }
    }

    fn axis_mut(&mut self, axis: LabAxis) -> &mut Range {
        match axis {
            LabAxis::L => &mut self.l,
            LabAxis::A => &mut self.a,
            LabAxis::B => &mut self.b,
        }
    }
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
