//! Checks with a reference target against known truth: what is recovered, how well that is known, and what is refused.

mod bad_input;
mod commands;
mod generator;
mod recovery;
mod registration;

use std::path::Path;

use weighlight::calibration::{GeometricErrors, Target, read_target};
use weighlight::drift::FitRequest;

/// The plate that comes along, taken as exactly what its file says.
fn plate() -> Target {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("calibration/targets/plate-420x260.toml");
    Target {
        u_mm: Some(0.0),
        ..read_target(&path).expect("it is right")
    }
}

/// Nothing known before.
const FRESH: FitRequest = FitRequest {
    expected: GeometricErrors::NONE,
    target_temperature_c: None,
};
