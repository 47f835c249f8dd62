//! Is the scanner still true: a reference target found in a scan, the scanner's errors fitted, and what they cost.

mod pose;
mod report;

pub use report::{
    Certificate, ColourCheck, DRIFT_FORMAT, DriftReport, InputHash, ParameterCheck,
    ParameterEffect, PatchCheck, ProductEffect, ResidualMap, SurfaceCheck, TargetPose, Verdict,
    WeightEffect,
};
