//! Is the scanner still true: a reference target found in a scan, the scanner's errors fitted, and what they cost.

mod archive_effect;
mod calibrate;
mod cells;
mod check;
mod colour;
mod compared;
mod completed;
mod effect;
mod faces;
mod field;
mod find;
mod findings;
mod fit;
mod instrument;
mod pose;
mod report;
mod rigid;
mod surface_check;
mod target_fit;
mod triangulation;
mod uncertainty;
mod verdict;
mod whole;

pub use archive_effect::{ArchiveEffect, Comparison, FlagChange, Turnover, effect_on_archive};
pub use calibrate::{Combined, LeftOut, ScanFit, combine, new_calibration};
pub use check::{Baseline, Check, check_geometry};
pub use colour::{ColourOutcome, ColourTask, check_colour, combine_colours};
pub use compared::Compared;
pub use completed::{check_colours_of, complete};
pub use effect::{ErrorCovariance, uncorrelated, weight_effect};
pub use field::HeightField;
pub use instrument::{ERROR_NAMES, errors_from_list, errors_to_list};
pub use report::{
    Certificate, ColourCheck, DRIFT_FORMAT, DriftReport, InputHash, ParameterCheck,
    ParameterEffect, PatchCheck, ProductEffect, ResidualMap, SurfaceCheck, TargetPose, Verdict,
    WeightEffect, drift_schema,
};
pub use rigid::rigid_motion;
pub use target_fit::{FitRequest, TargetFit, fit_target};
pub use triangulation::{
    NominalCamera, StripeSample, StripeScan, TriangulationFit, calibrate_stripes,
    fit_triangulation, stripe_field, stripe_samples,
};
pub use verdict::{COVERAGE_FACTOR, DEFAULT_TOLERANCES};
pub use whole::{CheckTask, add_cost, check_scan};
