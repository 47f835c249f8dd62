//! The triangulation of a stripe scanner from scans of a reference target.

mod fit;
mod model;
mod nominal;
mod samples;
mod scans;
mod surface;

pub use fit::{StripeScan, TriangulationFit, fit_triangulation};
pub use nominal::NominalCamera;
pub use samples::{StripeSample, stripe_samples};
pub use scans::{calibrate_stripes, stripe_field};
