//! Simulated recordings with exact truth: analytic shapes with colour patterns, laid on a belt and seen by a scanner
//! with known errors.
//!
//! Everything is made in memory from a [`Scenario`] and a seed; the same two give the same bytes, whatever the number
//! of threads and wherever the recording is cut into frames. See `docs/simulation.md` for the formulas.

mod colours;
mod day;
mod field;
mod heights;
mod kinds;
mod layout;
mod mesh;
mod outline;
mod pattern;
mod piece;
mod quadrature;
mod recording;
mod scanner;
mod scenario;
mod score;
mod shape;
mod star;
mod stream;
mod target;
#[cfg(test)]
mod tests;
mod truth;

pub use day::{Day, DayFault, DayWeighing, SimulatedDay, simulate_day};
pub use field::SmoothField;
pub use kinds::Kind;
pub use layout::{Contact, Placing, lay_against};
pub use mesh::MeshShape;
pub use pattern::{Material, Pattern, Region, direction};
pub use piece::{PlacedPiece, Pose};
pub use recording::{Scene, SimulatedFrame, SimulatedRecording, simulate, simulate_scene};
pub use scanner::{BeltMesh, BeltModel, ColourModel, ScannerModel, SecondViewModel};
pub use scenario::{SCENARIOS, Scenario};
pub use score::{Match, Score, Spread, score};
pub use shape::{Shape, Size};
pub use star::{Bump, Star, Taper, Wave};
pub use target::{TARGET_SCENARIO, target_scenario, target_scene};
pub use truth::TruthPiece;
