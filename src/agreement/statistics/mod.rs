//! How well estimated weights agree with a checkweigher's: bias, limits of agreement, lines, concordance, shares, groups, and what it costs.
//!
//! Methods and their sources: `docs/methods/agreement.md`.

mod estimated;
mod giveaway;
mod groups;
mod limits;
mod proportional;
mod scale_class;
mod summary;
pub(in crate::agreement) mod words;

pub use estimated::Estimated;
pub use giveaway::{Giveaway, Nominal, giveaway, tolerable_negative_error_g};
pub use groups::{Group, GroupBy, groups};
pub use limits::{Limits, LimitsInterval, limits_of_agreement};
pub use proportional::{Proportional, proportional_bias};
pub use scale_class::{ClassStage, ClassYardstick, ScaleClass, XClass, class_yardstick};
pub use summary::{Agreement, AgreementSettings, agreement, agreement_of};
