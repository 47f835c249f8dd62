//! A product profile fitted to weighed pieces: scale, offset, densities or the depth of a layer, tried on pieces the fit did not see, and refused where the
//! weighings do not carry it.
//!
//! Method and how often its intervals hold: `docs/methods/tune.md`.

mod bounds;
mod choose;
mod fit;
mod pairs_cells;
mod pairs_file;
mod problem;
mod profile;
mod refuse;
mod report;
mod tuning;

pub use bounds::{DensityBounds, density_bounds};
pub use fit::FitKind;
pub use pairs_file::{PairsFile, read_pairs};
pub use report::{FittedValue, MassErrors, NotFitted, Tuned};
pub use tuning::{FitSource, TuneSettings, tune};
