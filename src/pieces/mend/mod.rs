//! Mends the window of a piece: false samples out, missing ones in, hidden flanks rebuilt.

mod dropouts;
mod fan;
mod flank;
mod gaps;
mod lanes;
mod light;
mod shadow;
mod slot;
mod spikes;

use std::collections::BTreeSet;

use ndarray::Array2;

pub use self::gaps::Gap;
pub use self::light::{Apex, Cameras, Light, Lighting};
use self::shadow::{Lanes, Rays};
use super::region::{Cell, Region};
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
    /// Highest each rebuilt cell could be (the ray that grazes the shoulder), mm; 0 elsewhere.
    pub ceiling_mm: Array2<f32>,
}

/// The window of a piece while it is mended.
struct Window<'a> {
    heights_mm: &'a mut Array2<f32>,
    states: &'a mut Array2<CellState>,
    ceiling_mm: &'a mut Array2<f32>,
    cells: &'a Array2<Cell>,
}

/// Marks false samples of a region, which stand alone far from all around them, as unseen; and says where it is not seen then.
pub fn clean(region: &mut Region, noise_mm: f64) -> Vec<Gap> {
    spikes::reject_spikes(&mut region.heights_mm, noise_mm);
    gaps::gaps(&region.heights_mm.view())
}

/// Where nothing is seen of a clean region.
pub fn gaps_of(region: &Region) -> Vec<Gap> {
    gaps::gaps(&region.heights_mm.view())
}

/// Heights of a clean region's own cells that are not seen, mm: all that is needed to see whether it is one piece.
///
/// `gaps` are the region's. Shadows that end on the region itself go on as their shoulders begin, all else is taken from around.
pub fn own_unseen_mm(
    region: &Region,
    gaps: &[Gap],
    grid: &SurfaceGrid,
    noise_mm: f64,
    low_mm: f32,
    lighting: &Lighting,
) -> Vec<((usize, usize), f32)> {
    let cells = &region.cells;
    let on_own = |gap: &Gap| gap.cells().any(|at| cells[at] == Cell::Own);
    let own: Vec<Gap> = gaps.iter().copied().filter(on_own).collect();
    let camera = match lighting.cameras {
        _ if own.is_empty() => return Vec::new(),
        Cameras::One(light) => Some(light),
        Cameras::Unknown => light::infer(&region.heights_mm, cells, gaps, grid, low_mm),
        Cameras::Both { .. } => {
            // What is hidden from both lies between flanks, which may be those of two pieces.
            let mended = mend(&mut region.clone(), gaps, grid, noise_mm, low_mm, lighting);
            let found = own.iter().flat_map(Gap::cells);
            return found.map(|at| (at, mended.heights_mm[at])).collect();
        }
    };
    let lanes = lanes(camera, grid, noise_mm, low_mm);
    let mut heights_mm: Vec<((usize, usize), f32)> = Vec::new();
    let mut hidden = BTreeSet::new();
    if let Some(light) = camera {
        for (at, height_mm) in shadow::on_piece(region, &lanes, &own, light.from_high_y) {
            hidden.insert(at);
            heights_mm.push((at, height_mm));
        }
    }
    let rest = own.iter().flat_map(Gap::cells);
    let rest = rest.filter(|at| cells[*at] == Cell::Own && !hidden.contains(at));
    heights_mm.extend(rest.map(|at| (at, dropouts::height_mm(&region.heights_mm, at).0)));
    heights_mm
}

fn lanes(camera: Option<Light>, grid: &SurfaceGrid, noise_mm: f64, low_mm: f32) -> Lanes {
    Lanes {
        rays: Rays::Parallel(camera.map_or(0.0, |light| light.tan_angle)),
        pitch_mm: grid.pitch_along_mm as f32,
        aspect: (grid.pitch_along_mm / grid.pitch_across_mm) as f32,
        low_mm,
        noise_mm: noise_mm as f32,
        crossed: false,
    }
}

/// Mends the window of a clean piece, whose heights move into the result. `gaps` are where they are not seen.
///
/// - A gap behind the piece, seen from the camera, that falls as a grazing ray does is a shadow: its flank is rebuilt,
///   by what the flanks that are seen look like. The same goes for what the laser's fan does not reach, in rows.
/// - Where two cameras look from either side, only slots between flanks are left to rebuild.
/// - All other gaps take the mean of straight lines across them, along and across, weighted by nearness.
pub fn mend(
    region: &mut Region,
    gaps: &[Gap],
    grid: &SurfaceGrid,
    noise_mm: f64,
    low_mm: f32,
    lighting: &Lighting,
) -> Mended {
    let mut heights_mm = std::mem::take(&mut region.heights_mm);
    let region = &*region;
    let mut states = Array2::from_elem(heights_mm.dim(), CellState::Seen);
    for cell in gaps.iter().flat_map(gaps::Gap::cells) {
        states[cell] = CellState::Dropout;
    }
    let mut ceiling_mm = Array2::zeros(heights_mm.dim());
    let cells = &region.cells;
    let (camera, tans) = match lighting.cameras {
        Cameras::One(light) => (Some(light), None),
        Cameras::Unknown => (light::infer(&heights_mm, cells, gaps, grid, low_mm), None),
        Cameras::Both { low_tan, high_tan } => (None, low_tan.zip(high_tan)),
    };
    let fan = fan::sides(&heights_mm, region, grid, low_mm, camera, lighting.laser);
    let lanes = lanes(camera, grid, noise_mm, low_mm);
    let mut window = Window {
        heights_mm: &mut heights_mm,
        states: &mut states,
        ceiling_mm: &mut ceiling_mm,
        cells,
    };
    match (fan.is_empty(), camera) {
        (true, None) => {}
        (true, Some(light)) => shadow::rebuild(&mut window, &lanes, gaps, light.from_high_y),
        (false, _) => fan::rebuild(&mut window, &lanes, camera, &fan, gaps),
    }
    if let Some((low_tan, high_tan)) = tans {
        slot::rebuild(&mut window, grid, low_mm, [low_tan, high_tan]);
    }
    dropouts::fill(&mut heights_mm, &mut states, gaps);
    Mended {
        heights_mm,
        states,
        ceiling_mm,
    }
}
