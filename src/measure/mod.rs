//! Measures of one piece: footprint, outline, volume out to the belt, uncertainty.

mod borders;
mod classes;
mod colour_field;
mod footprint;
mod lights;
mod outline;
mod rim;
mod shape;
mod share_budget;
mod spans;
mod uncertainty;

pub use borders::{Borders, SharedCell, share_borders};
pub use classes::{ClassRaster, ClassRules, classes};
pub use colour_field::{ColourField, ColourWindow, HeightPlace};
pub use footprint::Footprint;
pub use outline::{Rectangle, perimeter_mm, smallest_rectangle};
pub use rim::settle_rim;
pub use shape::{Measures, measure};
pub use share_budget::{ShareBudget, share_budget};
pub use uncertainty::{BeltKnowledge, VolumeBudget, volume_budget};
