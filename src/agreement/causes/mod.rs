//! Why estimated weights differ from a checkweigher's: which of the known causes leave the pattern that the differences have.
//!
//! Every cause has a physical term, such as volume for a density or footprint for the belt's height. The smallest set of terms that explains the
//! differences is named, each with its size and interval, and with the other causes that the data cannot tell from it. Method and how often it
//! is right: `docs/methods/causes.md`.

mod advice;
mod cause;
mod densities;
mod effects;
mod find;
mod matching;
mod model;
mod report;
mod robust_fit;
mod search;
mod terms;

pub use cause::Cause;
pub use densities::{ImpliedDensities, implied_densities};
pub use find::{CauseSettings, FEWEST_PAIRS, TargetCheck, find_causes};
pub use matching::MatchingTrouble;
pub use report::{Alternative, Causes, NamedCause, Size, Unexamined};
