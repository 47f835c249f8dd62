//! Rebuilds what the laser's fan does not reach.
//!
//! The laser spreads from a point above the belt, so beside its middle it falls in slantwise, and steep edges away from the middle throw
//! shadows across the belt. These are rebuilt as a camera's shadows are ([`super::shadow`]), with rows for lanes, outwards from the
//! laser's middle on either side. A cell may lie in both kinds of shadow; then each has its say, the nearer edge the more.

use ndarray::{Array2, ArrayView2, Axis, s};

use super::super::region::{Cell, Region};
use super::flank::SeenFlanks;
use super::gaps::{self, Gap};
use super::light::{Apex, Light, infer_fan};
use super::shadow::{Fill, Lanes, Rays, fills};
use super::{CellState, Window};
use crate::surface::SurfaceGrid;

/// The columns of a window that lie to one side of the laser's middle.
#[derive(Debug, Clone, PartialEq)]
pub struct Side {
    columns: std::ops::Range<usize>,
    /// Whether the rays run towards larger x.
    to_high_x: bool,
    rays: Rays,
}

/// The sides of a window that light reaches slantwise; none where there are no such shadows.
pub fn sides(
    heights_mm: &Array2<f32>,
    region: &Region,
    grid: &SurfaceGrid,
    low_mm: f32,
    camera: Option<Light>,
    laser: Option<Apex>,
) -> Vec<Side> {
    let columns = heights_mm.ncols();
    let Some(apex) = laser else {
        let tans = infer_fan(heights_mm, &region.cells, grid, low_mm, camera);
        let side = |(tan, to_high_x): (Option<f32>, bool)| {
            tan.map(|tan| Side {
                columns: 0..columns,
                to_high_x,
                rays: Rays::Parallel(tan),
            })
        };
        let sides = tans.into_iter().zip([false, true]);
        return sides.filter_map(side).collect();
    };
    // x of the window's columns from the apex's foot.
    let from_apex_mm = |column: usize| {
        let x_mm = grid.x_mm((region.first_column + column) as f64);
        (x_mm - apex.x_mm) as f32
    };
    let middle = (0..columns)
        .find(|&column| from_apex_mm(column) >= 0.0)
        .unwrap_or(columns);
    let side = |columns: std::ops::Range<usize>, to_high_x: bool| {
        (!columns.is_empty()).then(|| Side {
            rays: Rays::Fan {
                start_mm: if to_high_x {
                    from_apex_mm(columns.start)
                } else {
                    -from_apex_mm(columns.end - 1)
                },
                height_mm: apex.height_mm as f32,
            },
            columns,
            to_high_x,
        })
    };
    [side(0..middle, false), side(middle..columns, true)]
        .into_iter()
        .flatten()
        .collect()
}

/// What a cell is expected to be, from one or two edges.
#[derive(Debug, Clone, Copy)]
struct Expected {
    weight: f32,
    weighted_mm: f32,
    ray_mm: f32,
    nearest: usize,
    state: CellState,
}

impl Expected {
    const NOTHING: Self = Self {
        weight: 0.0,
        weighted_mm: 0.0,
        ray_mm: 0.0,
        nearest: usize::MAX,
        state: CellState::Dropout,
    };

    fn add(&mut self, fill: &Fill, pitch_mm: f32) {
        let out_mm = fill.out as f32 * pitch_mm;
        let weight = 1.0 / (out_mm * out_mm);
        self.weight += weight;
        self.weighted_mm += weight * fill.height_mm;
        self.ray_mm = self.ray_mm.max(fill.ray_mm);
        if fill.out < self.nearest {
            self.nearest = fill.out;
            self.state = fill.state;
        }
    }
}

/// Rebuilds what the camera's and the laser's shadows hide. `lanes` describes the camera's lanes.
///
/// `gaps` are those along the columns.
pub fn rebuild(
    window: &mut Window<'_>,
    lanes: &Lanes,
    camera: Option<Light>,
    sides: &[Side],
    gaps: &[Gap],
) {
    let mut expected = Array2::from_elem(window.heights_mm.dim(), Expected::NOTHING);
    let (heights, cells) = (window.heights_mm.view(), window.cells.view());
    let mut columns = (heights, cells);
    let mut along = expected.view_mut();
    let turned;
    let mut gaps = gaps;
    if camera.is_some_and(|light| light.from_high_y) {
        turned = gaps::from_other_end(gaps, heights.nrows());
        gaps = &turned;
        columns.0.invert_axis(Axis(0));
        columns.1.invert_axis(Axis(0));
        along.invert_axis(Axis(0));
    }
    if camera.is_some() {
        let crossed = Lanes {
            crossed: true,
            ..*lanes
        };
        for fill in fills(&columns.0, &columns.1, &crossed, gaps, None) {
            along[fill.cell].add(&fill, lanes.pitch_mm);
        }
    }
    // Flanks seen along the belt speak for those across it where these have no like.
    let flanks_along = |fall: f32| {
        let fall_mm = fall * lanes.pitch_mm;
        let (low_mm, noise_mm) = (lanes.low_mm, lanes.noise_mm);
        SeenFlanks::new(
            &columns.0,
            &columns.1,
            low_mm,
            fall_mm,
            lanes.aspect,
            noise_mm,
            false,
        )
    };
    // Their cells are as long as those across only where the pitches are alike.
    let alike = (lanes.aspect - 1.0).abs() < 0.02;
    let more: Option<&dyn Fn(f32) -> SeenFlanks> = alike.then_some(&flanks_along);
    for side in sides {
        let across = Lanes {
            rays: side.rays,
            pitch_mm: lanes.pitch_mm / lanes.aspect,
            aspect: 1.0 / lanes.aspect,
            crossed: true,
            ..*lanes
        };
        let heights = outwards(heights.slice(s![.., side.columns.clone()]), side);
        let cells: ArrayView2<'_, Cell> = outwards(cells.slice(s![.., side.columns.clone()]), side);
        let end = side.columns.end - 1;
        let gaps = gaps::gaps(&heights);
        for fill in fills(&heights, &cells, &across, &gaps, more) {
            let (out, row) = fill.cell;
            let column = if side.to_high_x {
                side.columns.start + out
            } else {
                end - out
            };
            expected[[row, column]].add(&fill, across.pitch_mm);
        }
    }
    for (at, found) in expected.indexed_iter() {
        if found.weight > 0.0 {
            let height_mm = found.weighted_mm / found.weight;
            window.heights_mm[at] = height_mm;
            window.states[at] = found.state;
            window.ceiling_mm[at] = found.ray_mm.max(height_mm);
        }
    }
}

/// Rows as lanes, outwards from the laser's middle.
fn outwards<'a, T>(part: ArrayView2<'a, T>, side: &Side) -> ArrayView2<'a, T> {
    let mut lanes = part.reversed_axes();
    if !side.to_high_x {
        lanes.invert_axis(Axis(0));
    }
    lanes
}
