//! From a window of the surface to the shapes of pieces: what does not depend on colour or weight.

use std::ops::Range;

use ndarray::Array2;

use crate::error::Result;
use crate::measure::{BeltKnowledge, ColourField, Footprint, Measures, measure};
use crate::pieces::{CellState, FindRules, Lighting, Mended, Region, mend, split};
use crate::surface::SurfaceGrid;

/// Where the pieces are.
#[derive(Debug, Clone)]
pub struct Site<'a> {
    /// The surface's grid.
    pub grid: SurfaceGrid,
    /// The colour, if there is any.
    pub colour: Option<&'a ColourField>,
    /// Belt and noise under the region.
    pub belt: BeltKnowledge,
    /// Where light and cameras stand.
    pub light: Lighting,
    /// Whether belt was seen near the region.
    pub belt_seen: bool,
    /// Whether footprints and classes are kept for pictures.
    pub keep_rasters: bool,
    /// Rows of the grid: pieces that reach into them keep their shape.
    pub keep_shapes: Option<Range<usize>>,
}

/// A piece as found, mended and measured, before anybody looks at its colour.
#[derive(Debug)]
pub struct Shape {
    /// Its window of the surface.
    pub region: Region,
    /// The window's heights without gaps.
    pub mended: Mended,
    /// The cells it covers.
    pub footprint: Footprint,
    /// Its size and volume.
    pub measures: Measures,
    /// Whether belt was seen near it.
    pub belt_seen: bool,
}

impl Shape {
    /// Whether its window has rows among these.
    pub fn reaches_into(&self, rows: &Range<usize>) -> bool {
        self.region.first_row < rows.end && rows.start < self.end_row()
    }

    /// One past the last row of its window.
    pub fn end_row(&self) -> usize {
        self.region.first_row + self.region.heights_mm.nrows()
    }

    /// Of each cell: 0 outside, 1 seen, 2 reconstructed.
    pub fn states(&self) -> Array2<u8> {
        let covered = &self.footprint.covered;
        Array2::from_shape_fn(covered.dim(), |at| {
            match (covered[at], self.mended.states[at]) {
                (false, _) => 0,
                (true, CellState::Seen) => 1,
                (true, _) => 2,
            }
        })
    }
}

/// Hands the shapes of a region's pieces to `take`, one after the other.
///
/// # Errors
/// Those of `take`.
pub fn each_shape(
    region: Region,
    rules: &FindRules,
    split_touching: bool,
    site: &Site<'_>,
    mut take: impl FnMut(Shape) -> Result<()>,
) -> Result<()> {
    let mended = mended(&region, rules.low_mm(), site);
    let mut regions = match split_touching {
        true => split(region, &mended.heights_mm, &site.grid, rules.min_area_mm2),
        false => vec![region],
    };
    if regions.len() == 1 {
        let whole = regions.pop().and_then(|it| shape(it, mended, rules, site));
        return whole.map_or(Ok(()), take);
    }
    for region in regions {
        // A part's shadow falls on its neighbour: what is mended depends on what is whole.
        let own = self::mended(&region, rules.low_mm(), site);
        if let Some(shape) = shape(region, own, rules, site) {
            take(shape)?;
        }
    }
    Ok(())
}

fn mended(region: &Region, low_mm: f32, site: &Site<'_>) -> Mended {
    mend(region, &site.grid, site.belt.noise_mm, low_mm, &site.light)
}

/// `None` for what covers less than a piece must.
fn shape(region: Region, mended: Mended, rules: &FindRules, site: &Site<'_>) -> Option<Shape> {
    let noise_mm = site.belt.noise_mm;
    let footprint = Footprint::new(&region, &mended, rules.low_mm(), noise_mm, &site.grid);
    let measures = measure(&region, &mended, &footprint, &site.grid, &site.belt)?;
    (measures.area_mm2 >= rules.min_area_mm2).then_some(Shape {
        region,
        mended,
        footprint,
        measures,
        belt_seen: site.belt_seen,
    })
}
