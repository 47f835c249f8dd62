//! The stages in order, for one recording: rows in, measured pieces out.

mod belt;
mod budget;
mod clock;
mod frames;
mod kept;
mod learn;
mod lighting;
mod piece;
mod place;
mod recording;
mod result;
mod shape;
mod work;

pub use kept::{Classed, KeptScan, LAB_BINS, LabCounts, NamedCell, NamedColour, keep_scan};
pub use piece::lab_limits;
pub use recording::{Plan, ViewSink, measure_recording};
pub use result::{BeltSummary, FrameView, MeasuredPiece, MeasuredRecording};
