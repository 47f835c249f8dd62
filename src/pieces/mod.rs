//! Pieces: what stands on the belt, found in bands of rows, whole even where frames cut it, parted where pieces touch.

mod bits;
mod coarse;
mod components;
mod distance;
mod finder;
mod flood;
mod mask;
mod mend;
mod parted;
mod region;
mod ridge;
mod split;

pub use components::{Component, Components, Run, label};
pub use finder::PieceFinder;
pub use mask::FindRules;
pub use mend::{
    Apex, Cameras, CellState, Gap, Light, Lighting, Mended, clean, gaps_of, mend, own_unseen_mm,
};
pub use region::{Cell, Ends, Region};
pub use split::split;
