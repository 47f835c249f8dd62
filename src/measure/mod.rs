//! Measures of one piece: footprint, outline, volume out to the belt, uncertainty.

mod footprint;
mod outline;
mod shape;
mod uncertainty;

pub use footprint::Footprint;
pub use outline::{Rectangle, hull, perimeter_mm, smallest_rectangle};
pub use shape::{Measures, measure};
pub use uncertainty::{BeltKnowledge, VolumeBudget, volume_budget};
