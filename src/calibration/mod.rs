//! Scanner calibrations: what the instrument does to the truth, and which calibration is in force when.

mod model;

pub use model::{
    Calibration, Camera, CameraSide, ColourCalibration, GeometricErrors, Provenance, Registration,
    Tolerances, Triangulation,
};
