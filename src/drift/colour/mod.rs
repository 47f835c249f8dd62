//! The target's painted patches: are colours still true, and does the colour frame still lie on the height frame?

mod check;
mod edges;
mod flat_field;
mod frame;
mod patch;

pub use check::{ColourOutcome, ColourTask, check_colour};
