//! Measures of one piece: footprint, outline, volume out to the belt, uncertainty.

mod borders;
mod classes;
mod colour_field;
mod extent_budget;
mod footprint;
mod hidden_spread;
mod lights;
mod mixture;
mod outline;
mod rim;
mod seam;
mod seen_flanks;
mod shape;
mod share_budget;
mod sides;
mod spans;
mod tally;
mod typical;
mod uncertainty;

pub use borders::{Borders, SharedCell, share_borders};
pub use classes::{ClassRaster, ClassRules, classes};
pub use colour_field::{ColourField, ColourWindow, HeightPlace};
pub use extent_budget::{ExtentBudget, ExtentPart, extent_budget};
pub use footprint::Footprint;
pub use hidden_spread::{HiddenSpread, hidden_spread};
pub use lights::Lights;
pub use outline::{Rectangle, perimeter_mm, smallest_rectangle};
pub use rim::settle_rim;
pub use seam::{SeamBudget, seam_budget};
pub use shape::{Measures, measure};
pub use share_budget::{ShareBudget, share_budget};
pub use sides::{ClassSides, Sides};
pub use spans::Spans;
pub use tally::Tally;
pub use uncertainty::{BeltKnowledge, VolumeBudget, volume_budget};
