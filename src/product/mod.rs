//! Product profiles: what a piece is, how colour becomes class, how class becomes weight, what is in spec.

mod changes;
mod profile;
mod read;
mod wire;
mod write;

pub use changes::{Change, changes};
pub use profile::{
    ClassRule, Composition, DensityRule, DepthRule, FitProvenance, LabAxis, LabBox, LearnMethod,
    LearnRule, PieceRules, Product, Range, Spec, WeightFit,
};
pub use read::{find_product, parse_product, read_product};
pub use wire::{PRODUCT_FORMAT, product_schema};
pub use write::{
    check_new_product, dated_file_name, product_text, write_new_product, write_product,
};
