//! From a window of the surface to the shapes of pieces: what does not depend on colour or weight.

use std::ops::Range;

use ndarray::Array2;

use crate::error::Result;
use crate::measure::{BeltKnowledge, ColourField, Footprint, Measures, measure};
use crate::pieces::{
    CellState, FindRules, Gap, Lighting, Mended, Region, clean, gaps_of, mend, own_unseen_mm, split,
};
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
        self.region.first_row + self.mended.heights_mm.nrows()
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
    mut region: Region,
    rules: &FindRules,
    split_touching: bool,
    site: &Site<'_>,
    mut take: impl FnMut(Shape) -> Result<()>,
) -> Result<()> {
    let (noise_mm, low_mm) = (site.belt.noise_mm, rules.low_mm());
    let gaps = clean(&mut region, noise_mm);
    let mut parts = match split_touching {
        true => {
            let unseen_mm =
                own_unseen_mm(&region, &gaps, &site.grid, noise_mm, low_mm, &site.light);
            split(region, &unseen_mm, &site.grid, rules.min_area_mm2)
        }
        false => vec![region],
    };
    let mended = |part: &mut Region, gaps: &[Gap]| {
        mend(part, gaps, &site.grid, noise_mm, low_mm, &site.light)
    };
    if parts.len() == 1 {
        let whole = parts.pop().and_then(|mut whole| {
            let mended = mended(&mut whole, &gaps);
            shape(whole, mended, rules, site)
        });
        return whole.map_or(Ok(()), take);
    }
    for mut part in parts {
        // A part's shadow falls on its neighbour: each is mended by itself.
        let gaps = gaps_of(&part);
        let mended = mended(&mut part, &gaps);
        if let Some(shape) = shape(part, mended, rules, site) {
            take(shape)?;
        }
    }
    Ok(())
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
