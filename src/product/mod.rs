//! Product profiles: what a piece is, how colour becomes class, how class becomes weight, what is in spec.

mod profile;

pub use profile::{
    ClassRule, Composition, DensityRule, DepthRule, LabBox, PieceRules, Product, Range, Spec,
    WeightFit,
};
