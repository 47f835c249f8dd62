//! From counts to heights above the belt: calibrated millimetres on a regular grid, and the belt under the pieces.
//!
//! Frame: the recording's (x across, y along from the recording's first row, z up).

mod belt;
mod fusion;
mod grid;
mod ramp;
mod rectify;
mod resample;
mod scatter;
mod stream;
mod stripe;

pub use belt::{BeltLine, BeltReport, belt_misfit_mm};
pub use fusion::ViewReport;
pub use grid::{SurfaceBand, SurfaceGrid};
pub(crate) use scatter::whole_below;
pub use stream::{FrameLayout, SurfaceStream};
pub use stripe::heights_mm as stripe_heights_mm;
