//! Colour: sRGB to CIELAB, differences, correction and flat field, class rules, clean-up of class rasters.
//!
//! The chain for one pixel: 8-bit sRGB → linear light → divided by the flat field at its place → 3×3 matrix → clipped to
//! 0…1 → rounded to 8-bit sRGB → class. What the camera gave is called *raw*, what comes after the matrix *corrected*.
//! The method is written down in `docs/methods/colour.md`.

mod class_map;
mod cleanup;
mod clipping;
mod correction;
mod encoding;
mod fit;
mod lab;
mod lab_bounds;
mod painted;
mod patches;

pub use class_map::{ClassMap, LabLimits};
pub use cleanup::{
    HIGHLIGHT_MAX_AREA_MM2, Highlights, NO_CLASS, RecolouredSpecks, fill_highlights, remove_specks,
};
pub use clipping::{CLIPPED_FROM, is_clipped};
pub use correction::{Correction, CorrectionRow};
pub use encoding::{encode_srgb, encode_srgb8, linear_codes, linear_from_srgb, linear_from_srgb8};
pub use fit::{ColourPair, balance_gains, fit_matrix};
pub use lab::{Lab, delta_e00, lab_from_linear, lab_from_srgb8, linear_from_lab};
pub use painted::{FittedLimits, PaintedColour, fit_limits};
