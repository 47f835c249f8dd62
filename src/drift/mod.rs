//! Is the scanner still true: a reference target found in a scan, the scanner's errors fitted, and what they cost.

mod archive_effect;
mod colour;
mod effect;
mod pose;
mod report;
mod triangulation;

pub use archive_effect::{ArchiveEffect, Comparison, FlagChange, Turnover, effect_on_archive};
pub use colour::{ColourOutcome, ColourTask, check_colour};
pub use effect::{ErrorCovariance, uncorrelated, weight_effect};
pub use report::{
    Certificate, ColourCheck, DRIFT_FORMAT, DriftReport, InputHash, ParameterCheck,
    ParameterEffect, PatchCheck, ProductEffect, ResidualMap, SurfaceCheck, TargetPose, Verdict,
    WeightEffect,
};
pub use triangulation::{
    NominalCamera, StripeSample, StripeScan, TriangulationFit, fit_triangulation, stripe_samples,
};
