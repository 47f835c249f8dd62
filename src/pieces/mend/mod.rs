//! Mends the window of a piece: false samples out, missing ones in, hidden flanks rebuilt.

mod dropouts;
mod flank;
mod shadow;
mod spikes;

use ndarray::Array2;

pub use self::shadow::Light;
use super::region::Region;
use crate::surface::SurfaceGrid;

/// How a cell's height is known.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[repr(u8)]
pub enum CellState {
    /// Seen by the scanner.
    Seen,
    /// A dropout or a rejected sample, taken from the cells around it.
    Dropout,
    /// Hidden from the camera, rebuilt like flanks of the piece that are seen.
    Shadow,
    /// Hidden from the camera, rebuilt from its shoulder alone.
    Alone,
    /// Unseen over a longer stretch without a shadow to explain it, filled from around.
    Gap,
    /// Hidden from the camera, and more likely belt than piece: its height is what may still stand there on the mean.
    Beyond,
}

/// A window of heights without gaps.
#[derive(Debug, Clone)]
pub struct Mended {
    /// Heights above the belt, mm.
    pub heights_mm: Array2<f32>,
    /// How each is known.
    pub states: Array2<CellState>,
    /// Highest each rebuilt cell could be (the ray that grazes the shoulder), mm; its own height elsewhere.
    pub ceiling_mm: Array2<f32>,
}

/// Mends the window of a piece.
///
/// - Samples that stand alone far from all around them are taken for false and left out.
/// - A gap behind the piece, seen from the camera, that falls as a grazing ray does is a shadow: its flank is rebuilt,
///   by what the flanks that are seen look like.
/// - All other gaps take the mean of straight lines across them, along and across, weighted by nearness.
pub fn mend(
    region: &Region,
    grid: &SurfaceGrid,
    noise_mm: f64,
    low_mm: f32,
    light: Option<Light>,
) -> Mended {
    let mut heights_mm = region.heights_mm.clone();
    spikes::reject_spikes(&mut heights_mm, noise_mm);
    let mut states = heights_mm.map(|h| {
        if h.is_nan() {
            CellState::Dropout
        } else {
            CellState::Seen
        }
    });
    let mut ceiling_mm = Array2::from_elem(heights_mm.dim(), 0.0);
    shadow::rebuild(
        &mut heights_mm,
        &mut states,
        &mut ceiling_mm,
        &region.cells,
        grid,
        low_mm,
        noise_mm as f32,
        light,
    );
    dropouts::fill(&mut heights_mm, &mut states);
    ceiling_mm.zip_mut_with(&heights_mm, |ceiling, &height| {
        *ceiling = ceiling.max(height)
    });
    Mended {
        heights_mm,
        states,
        ceiling_mm,
    }
}
