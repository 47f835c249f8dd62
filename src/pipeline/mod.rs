//! The stages in order, for one recording: rows in, measured pieces out.

mod clock;
mod frames;
mod lighting;
mod piece;
mod recording;
mod result;

pub use recording::{Plan, ViewSink, measure_recording};
pub use result::{BeltSummary, FrameView, MeasuredPiece, MeasuredRecording};
