//! Scans on disk: the scan folder, its frames, and the recordings they join into.

mod description;
mod rows;

pub use description::{ColourPart, HeightKind, HeightPart, ProfilesPart, ScanDescription};
pub use rows::{ColourRows, Counts, HeightRows};
