//! The stages in order, for one recording: rows in, measured pieces out.

mod belt;
mod budget;
mod clock;
mod frames;
mod learn;
mod lighting;
mod piece;
mod recording;
mod result;

pub use recording::{Plan, ViewSink, measure_recording};
pub use result::{BeltSummary, FrameView, MeasuredPiece, MeasuredRecording};
