//! The classes on a piece's surface.

use ndarray::Array2;

use super::colour_field::ColourWindow;
use crate::colour::{
    ClassMap, CorrectionRow, HIGHLIGHT_MAX_AREA_MM2, NO_CLASS, fill_highlights, is_clipped,
    remove_specks,
};
use crate::error::Result;
use crate::surface::SurfaceGrid;

/// Share of a piece without usable colour above which its class shares are called doubtful.
const DOUBTFUL_SHARE: f64 = 0.05;

/// Classes of a piece's cells.
#[derive(Debug, Clone)]
pub struct ClassRaster {
    /// Class index per cell, [`NO_CLASS`] outside the piece.
    pub class: Array2<u8>,
    /// Whether too much of the colour was clipped or missing.
    pub doubtful: bool,
}

/// Gives each covered cell its class by the profile's rules, fills highlights and removes specks.
///
/// Cells without colour take the class `base`.
///
/// # Errors
/// None that input can cause; sizes are checked by what is called.
pub fn classes(
    covered: &Array2<bool>,
    window: &ColourWindow,
    map: &ClassMap,
    base: u8,
    correction: Option<&CorrectionRow>,
    grid: &SurfaceGrid,
    min_speck_mm2: f64,
) -> Result<ClassRaster> {
    let mut class = Array2::from_elem(covered.dim(), NO_CLASS);
    let mut clipped = Array2::from_elem(covered.dim(), false);
    let (mut cells, mut missing) = (0_usize, 0_usize);
    for (at, _) in covered.indexed_iter().filter(|(_, covered)| **covered) {
        cells += 1;
        let raw = window.raw[at];
        let column = window.column[at];
        if column == u32::MAX {
            missing += 1;
            class[at] = base;
            continue;
        }
        clipped[at] = is_clipped(raw);
        class[at] = match correction.and_then(|row| row.linear(column as usize, raw)) {
            Some(linear) => map.classify_corrected(linear),
            None => map.classify(raw),
        };
    }
    let cell_mm2 = grid.cell_area_mm2();
    let highlights = fill_highlights(&mut class, &clipped, cell_mm2, HIGHLIGHT_MAX_AREA_MM2)?;
    remove_specks(&mut class, cell_mm2, min_speck_mm2);
    let unusable = (missing + highlights.left_cells) as f64;
    Ok(ClassRaster {
        class,
        doubtful: unusable > DOUBTFUL_SHARE * cells as f64,
    })
}
