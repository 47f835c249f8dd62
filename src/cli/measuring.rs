//! The one place where the commands call the measurement itself.

use weighlight::calibration::Calibration;
use weighlight::pipeline::{FrameView, MeasuredPiece, MeasuredRecording};
use weighlight::product::Product;
use weighlight::scan::Recording;
use weighlight::{Error, ErrorKind, Result};

/// Measures one recording; `view` is shown each frame's surface with the pieces that touch it.
pub(crate) fn measure_recording(
    recording: &Recording,
    _product: &Product,
    _calibration: Option<&Calibration>,
    _view: &mut dyn FnMut(&FrameView, &[MeasuredPiece]) -> Result<()>,
) -> Result<MeasuredRecording> {
    Err(Error::new(
        ErrorKind::Unmeasurable,
        format!("recording {} cannot be measured yet", recording.name),
    ))
}
