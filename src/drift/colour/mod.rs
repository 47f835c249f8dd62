//! The target's painted patches: are colours still true, and does the colour frame still lie on the height frame?

mod bare;
mod check;
mod combined;
mod edges;
mod flat_field;
mod frame;
mod patch;
mod words;

pub use check::{ColourOutcome, ColourTask, check_colour};
pub use combined::combine_colours;
