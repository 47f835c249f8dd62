//! Product profiles: what a piece is, how colour becomes class, how class becomes weight, what is in spec.

mod profile;
mod read;
mod wire;
mod write;

pub use profile::{
    ClassRule, Composition, DensityRule, DepthRule, FitProvenance, LabAxis, LabBox, LearnMethod,
    LearnRule, PieceRules, Product, Range, Spec, WeightFit,
};
pub use read::{find_product, read_product};
pub use wire::{PRODUCT_FORMAT, product_schema};
pub use write::write_product;
