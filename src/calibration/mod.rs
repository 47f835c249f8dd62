//! Scanner calibrations: what the instrument does to the truth, and which calibration is in force when; reference targets.

mod geometry;
mod model;
mod read;
mod set;
mod target;
mod triangulation;
mod wire;
mod write;

pub use geometry::FrameGeometry;
pub use model::{
    Calibration, Camera, CameraSide, ColourCalibration, ColourCamera, GeometricErrors, Laser,
    Provenance, Registration, Tolerances, Triangulation,
};
pub use read::read_calibration;
pub use set::CalibrationSet;
pub use target::{
    Frustum, Patch, Plate, Sphere, Step, TARGET_FORMAT, Target, read_target, target_schema,
    write_target,
};
pub use triangulation::PlanePoint;
pub use wire::{CALIBRATION_FORMAT, calibration_schema};
pub use write::write_calibration;
