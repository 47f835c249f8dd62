//! Reference targets: what was machined, what is certified about it.

mod check;
mod model;
mod read;
mod wire;
mod write;

pub use model::{Frustum, Patch, Plate, Sphere, Step, Target};
pub use read::read_target;
pub use wire::{TARGET_FORMAT, target_schema};
pub use write::write_target;
