//! Rebuilds the flank that a shadow hides.
//!
//! What is hidden behind a shoulder lies between a wall straight down and the ray that grazes the shoulder. Where between, the
//! flanks of the same piece that are seen tell ([`super::flank`]). Where none is like the hidden one, the shoulder itself must: if
//! it rounds off to the ray's slope, it goes on as the parabola `z² ∝ distance` that an ellipse's rim follows; if it is a crease,
//! the flank goes straight down.

use ndarray::{ArrayView2, Axis};

use super::super::region::{Cell, Region};
use super::flank::{Answer, SeenFlanks, directions};
use super::gaps::{self, Gap};
use super::{CellState, Window};

/// Shortest gap, cells, that can be told from a dropout.
pub const LEAST_GAP: usize = 2;
/// A gap is a shadow if it falls at least by this share of what the ray does.
const LEAST_FALL: f32 = 0.6;
/// Lanes on either side whose shoulders are averaged.
const POOLED_LANES: usize = 4;
/// Cells of a neighbour's rim that may belong to nobody.
const RIM_CELLS: usize = 2;
/// Cells from the shoulder over which its slope is taken.
const SHOULDER_CELLS: usize = 3;

/// How the rays run that graze the lanes' shoulders.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Rays {
    /// All alike: the tangent of their angle to upright.
    Parallel(f32),
    /// From a point at `height_mm` above the belt, `start_mm` before the first cell's centre.
    Fan {
        /// From the point's foot to the first cell's centre, mm.
        start_mm: f32,
        /// The point's height above the belt, mm.
        height_mm: f32,
    },
}

/// Lanes seen from their low end.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Lanes {
    /// How the rays run.
    pub rays: Rays,
    /// Length of a cell along the lane, mm.
    pub pitch_mm: f32,
    /// That length over the distance of two lanes.
    pub aspect: f32,
    /// The low threshold, mm.
    pub low_mm: f32,
    /// Standard deviation of a sample, mm.
    pub noise_mm: f32,
    /// Whether another light's shadows lie about: a gap may then be longer than its ray, which fills only its own share.
    pub crossed: bool,
}

impl Lanes {
    /// Tangent of the ray that grazes the cell `at` of a lane, `height_mm` above the belt.
    fn tan(&self, at: usize, height_mm: f32) -> f32 {
        match self.rays {
            Rays::Parallel(tan) => tan,
            Rays::Fan {
                start_mm,
                height_mm: apex_mm,
            } => {
                let out_mm = start_mm + at as f32 * self.pitch_mm;
                (out_mm / (apex_mm - height_mm).max(1.0)).max(1e-3)
            }
        }
    }
}

/// The last seen cell before a shadow.
#[derive(Debug, Clone, Copy)]
struct Shoulder {
    at: usize,
    /// Height above the floor, mm.
    height_mm: f32,
    /// Hidden cells behind it.
    gap: usize,
    /// Fall of the grazing ray per cell, mm.
    fall_mm: f32,
    /// Height of what the shadow ends on, if that is the piece itself, mm.
    floor_mm: f32,
}

/// A rebuilt cell.
#[derive(Debug, Clone, Copy)]
pub struct Fill {
    /// Place along the lane, and the lane.
    pub cell: (usize, usize),
    /// Expected height, mm.
    pub height_mm: f32,
    /// Height of the grazing ray, mm.
    pub ray_mm: f32,
    /// How it is known.
    pub state: CellState,
    /// Cells from the nearest seen one along the lane.
    pub out: usize,
}

/// Rebuilds hidden flanks in a window, as one camera's view leaves them. `gaps` are those along the columns.
pub fn rebuild(window: &mut Window<'_>, lanes: &Lanes, gaps: &[Gap], from_high_y: bool) {
    let mut heights = window.heights_mm.view_mut();
    let mut states = window.states.view_mut();
    let mut ceiling = window.ceiling_mm.view_mut();
    let mut cells = window.cells.view();
    // Lanes are columns, seen from their low end.
    let turned;
    let mut gaps = gaps;
    if from_high_y {
        turned = gaps::from_other_end(gaps, heights.nrows());
        gaps = &turned;
        heights.invert_axis(Axis(0));
        states.invert_axis(Axis(0));
        ceiling.invert_axis(Axis(0));
        cells.invert_axis(Axis(0));
    }
    for fill in fills(&heights.view(), &cells, lanes, gaps, None) {
        heights[fill.cell] = fill.height_mm;
        states[fill.cell] = fill.state;
        ceiling[fill.cell] = fill.ray_mm.max(fill.height_mm);
    }
}

/// Heights of cells in shadows that fall on the piece itself, mm. `gaps` are some of those along the columns.
pub fn on_piece(
    region: &Region,
    lanes: &Lanes,
    gaps: &[Gap],
    from_high_y: bool,
) -> Vec<((usize, usize), f32)> {
    let rows = region.cells.nrows();
    let (mut heights, mut cells) = (region.heights_mm.view(), region.cells.view());
    let turned;
    let mut gaps = gaps;
    if from_high_y {
        turned = gaps::from_other_end(gaps, rows);
        gaps = &turned;
        heights.invert_axis(Axis(0));
        cells.invert_axis(Axis(0));
    }
    let mut found = Vec::new();
    for gap in gaps {
        let Some(shoulder) = shoulder(&heights, &cells, lanes, gap).filter(|s| s.floor_mm > 0.0)
        else {
            continue;
        };
        let slope_mm = shoulder_slope(&heights, gap.lane, shoulder.at);
        found.extend((1..=shoulder.gap).map(|j| {
            let above_mm = parabola(shoulder.height_mm, shoulder.fall_mm, slope_mm, j);
            let at = shoulder.at + j;
            let row = if from_high_y { rows - 1 - at } else { at };
            ((row, gap.lane), shoulder.floor_mm + above_mm)
        }));
    }
    found
}

/// What hidden cells are expected to be. Lanes are columns, seen from their low end, and `gaps` what is unseen of them; where no flank
/// in view is like a hidden one, `more` flanks are asked.
pub fn fills(
    heights: &ArrayView2<'_, f32>,
    cells: &ArrayView2<'_, Cell>,
    lanes: &Lanes,
    gaps: &[Gap],
    more: Option<&dyn Fn(f32) -> SeenFlanks>,
) -> Vec<Fill> {
    let low_mm = lanes.low_mm;
    let shoulders = shoulders(heights, cells, lanes, gaps);
    let fall_mm = match lanes.rays {
        Rays::Parallel(tan) => lanes.pitch_mm / tan,
        // The flanks that are seen are asked about the rays as they fall on those that are not.
        Rays::Fan { .. } => {
            let mut falls: Vec<f32> = shoulders.iter().flatten().map(|s| s.fall_mm).collect();
            match crate::stats::median(&mut falls) {
                Some(fall_mm) => fall_mm,
                None => return Vec::new(),
            }
        }
    };
    // Neighbours' shadows on the piece's front are told by the fall of a camera's rays.
    let hidden_fronts = match lanes.rays {
        Rays::Parallel(_) if !lanes.crossed => hidden_fronts(heights, cells, gaps, fall_mm, low_mm),
        _ => vec![None; heights.ncols()],
    };
    if shoulders.iter().all(Vec::is_empty) && hidden_fronts.iter().all(Option::is_none) {
        return Vec::new();
    }
    let flanks = SeenFlanks::new(
        heights,
        cells,
        low_mm,
        fall_mm,
        lanes.aspect,
        lanes.noise_mm,
        hidden_fronts.iter().flatten().any(|front| front.on_own),
    );
    let more = more.map(|more| more(fall_mm / lanes.pitch_mm));
    let last: Vec<Option<usize>> = shoulders
        .iter()
        .map(|lane| lane.last().map(|shoulder| shoulder.at))
        .collect();
    let edge = directions(&last);
    let mut answer = Answer::default();
    let hidden = shoulders.iter().flatten().map(|shoulder| shoulder.gap);
    let mut fills: Vec<Fill> = Vec::with_capacity(hidden.sum());
    for (lane, found) in shoulders.iter().enumerate() {
        for (index, shoulder) in found.iter().enumerate() {
            let outer = index + 1 == found.len() && shoulder.floor_mm == 0.0;
            let like_seen = edge[lane].filter(|_| outer).is_some_and(|direction| {
                let height_mm = pooled_height(heights, &shoulders, lane, shoulder);
                let mut ask = |flanks: &SeenFlanks| {
                    flanks.behind(height_mm, direction, shoulder.gap, &mut answer)
                };
                ask(&flanks) || more.as_ref().is_some_and(ask)
            });
            let like_seen = like_seen.then_some(&answer.cells);
            let slope_mm = shoulder_slope(heights, lane, shoulder.at);
            let fall_mm = shoulder.fall_mm;
            for j in 1..=shoulder.gap {
                let ray_mm = (shoulder.height_mm - j as f32 * fall_mm).max(0.0);
                let (height_mm, covered) = match like_seen {
                    Some(behind) => behind
                        .get(j - 1)
                        .map_or((0.0, false), |e| (e.height_mm, e.covered >= 0.5)),
                    None => {
                        let height_mm = parabola(shoulder.height_mm, fall_mm, slope_mm, j);
                        (height_mm, height_mm > low_mm)
                    }
                };
                fills.push(Fill {
                    cell: (shoulder.at + j, lane),
                    height_mm: shoulder.floor_mm + height_mm.max(0.0),
                    ray_mm: shoulder.floor_mm + ray_mm,
                    state: match (like_seen, covered || shoulder.floor_mm > 0.0) {
                        (_, false) => CellState::Beyond,
                        (Some(_), true) => CellState::Shadow,
                        (None, true) => CellState::Alone,
                    },
                    out: j,
                });
            }
        }
    }
    fills.extend(fronts(&hidden_fronts, heights, &flanks, low_mm));
    fills
}

/// Unseen cells on the camera's side, in the shadow of a neighbour.
#[derive(Debug, Clone, Copy)]
struct HiddenFront {
    first: usize,
    /// One past the last: the first cell seen again.
    end: usize,
    /// Whether that is the piece, and not belt.
    on_own: bool,
}

/// The neighbour's shadow of each lane before the piece's first seen cell; behind a neighbour, or from the window's start on.
fn hidden_fronts(
    heights: &ArrayView2<'_, f32>,
    cells: &ArrayView2<'_, Cell>,
    gaps: &[Gap],
    fall_mm: f32,
    low_mm: f32,
) -> Vec<Option<HiddenFront>> {
    let mut fronts = vec![None; heights.ncols()];
    for gap in gaps {
        let (lane, end) = (gap.lane, gap.end);
        if end == heights.nrows() || fronts[lane].is_some() {
            continue;
        }
        let shadowed = match gap.before() {
            None => end > LEAST_GAP,
            Some(last) => {
                // A sample on the neighbour's rim may be too low to be anybody's: what casts the shadow is just before it.
                let casts = |at: usize| {
                    let ray_mm = (end - at) as f32 * fall_mm;
                    cells[[at, lane]] == Cell::Other && heights[[at, lane]] >= LEAST_FALL * ray_mm
                };
                end - last > LEAST_GAP
                    && cells[[last, lane]] != Cell::Own
                    && (last.saturating_sub(RIM_CELLS)..=last).any(casts)
            }
        };
        let own = |at: usize| cells[[at, lane]] == Cell::Own && !heights[[at, lane]].is_nan();
        if shadowed && !(0..gap.first).any(own) {
            fronts[lane] = Some(HiddenFront {
                first: gap.first,
                end,
                on_own: cells[[end, lane]] == Cell::Own && heights[[end, lane]] > low_mm,
            });
        }
    }
    fronts
}

/// Fills for hidden fronts: belt, and before the piece's first seen cell what its seen fronts look like below that height.
fn fronts(
    hidden: &[Option<HiddenFront>],
    heights: &ArrayView2<'_, f32>,
    flanks: &SeenFlanks,
    low_mm: f32,
) -> Vec<Fill> {
    let edge: Vec<Option<usize>> = hidden
        .iter()
        .map(|front| front.filter(|f| f.on_own).map(|f| f.end))
        .collect();
    let directions = directions(&edge);
    let mut fills = Vec::new();
    for (lane, front) in hidden.iter().enumerate() {
        let Some(front) = front else { continue };
        let expected = directions[lane]
            .and_then(|direction| flanks.before(heights[[front.end, lane]], direction));
        for (index, at) in (front.first..front.end).rev().enumerate() {
            let height_mm = expected
                .as_ref()
                .and_then(|e| e.get(index))
                .copied()
                .unwrap_or(0.0);
            let state = if height_mm > low_mm {
                CellState::Shadow
            } else {
                CellState::Beyond
            };
            let ray_mm = if front.on_own {
                heights[[front.end, lane]]
            } else {
                height_mm
            };
            fills.push(Fill {
                cell: (at, lane),
                height_mm,
                ray_mm,
                state,
                out: index + 1,
            });
        }
    }
    fills
}

/// The shoulders of each lane, in order away from the light or camera.
fn shoulders(
    heights: &ArrayView2<'_, f32>,
    cells: &ArrayView2<'_, Cell>,
    lanes: &Lanes,
    gaps: &[Gap],
) -> Vec<Vec<Shoulder>> {
    let mut shoulders: Vec<Vec<Shoulder>> = vec![Vec::new(); heights.ncols()];
    for gap in gaps {
        shoulders[gap.lane].extend(shoulder(heights, cells, lanes, gap));
    }
    shoulders
}

/// The shoulder before a gap, if it is a shadow of the piece.
fn shoulder(
    heights: &ArrayView2<'_, f32>,
    cells: &ArrayView2<'_, Cell>,
    lanes: &Lanes,
    gap: &Gap,
) -> Option<Shoulder> {
    let (low_mm, pitch_mm) = (lanes.low_mm, lanes.pitch_mm);
    let (lane, at) = (gap.lane, gap.end);
    let before = gap.before().filter(|before| at - before > LEAST_GAP)?;
    let own_mm = heights[[before, lane]];
    if cells[[before, lane]] != Cell::Own || own_mm <= low_mm {
        return None;
    }
    let end_mm = heights.get([at, lane]).copied().unwrap_or(0.0);
    let on_own = cells.get([at, lane]) == Some(&Cell::Own) && end_mm > low_mm;
    let tan = lanes.tan(before, own_mm);
    let ray_mm = (at - before) as f32 * pitch_mm / tan;
    // A ray that ends at the foot of a neighbour's wall is seen to end on top of it.
    let on_neighbour = cells.get([at, lane]) == Some(&Cell::Other);
    let drop_mm = match on_neighbour {
        true => own_mm,
        false => own_mm - end_mm.max(0.0),
    };
    let fall_mm = pitch_mm / tan;
    let own_share = (drop_mm / fall_mm).ceil().max(0.0) as usize;
    let cells_hidden = at - before - 1;
    let floor_mm = if on_own { end_mm } else { 0.0 };
    let hidden = if drop_mm >= LEAST_FALL * ray_mm {
        cells_hidden
    } else if lanes.crossed && !on_own && own_share > LEAST_GAP {
        // What is hidden beyond the ray's end is hidden by the other light.
        own_share.min(cells_hidden)
    } else {
        return None;
    };
    Some(Shoulder {
        at: before,
        height_mm: own_mm - floor_mm,
        gap: hidden,
        fall_mm,
        floor_mm,
    })
}

/// Height of a shoulder, by the line through those around it: less noise than its own sample has.
fn pooled_height(
    heights: &ArrayView2<'_, f32>,
    shoulders: &[Vec<Shoulder>],
    lane: usize,
    shoulder: &Shoulder,
) -> f32 {
    let first = lane.saturating_sub(POOLED_LANES);
    let end = (lane + POOLED_LANES + 1).min(shoulders.len());
    let near = (first..end).filter_map(|near| {
        let reach = 4 * (near.abs_diff(lane) + 1);
        let found = shoulders[near]
            .iter()
            .find(|s| s.at.abs_diff(shoulder.at) <= reach)?;
        let x = near as f64 - lane as f64;
        Some(([1.0, x], f64::from(heights[[found.at, near]]), 1.0))
    });
    let fit = crate::stats::weighted_least_squares(near, [0.0, 1e-6]);
    fit.map_or(shoulder.height_mm, |fit| {
        fit.coefficients[0] as f32 - shoulder.floor_mm
    })
}

/// Fall per cell towards the shoulder, coming from its seen side, mm.
pub fn shoulder_slope(heights: &ArrayView2<'_, f32>, lane: usize, at: usize) -> f32 {
    let inner = at
        .checked_sub(SHOULDER_CELLS)
        .map(|inner| heights[[inner, lane]]);
    let fall = inner
        .filter(|h| !h.is_nan())
        .map(|h| (h - heights[[at, lane]]) / SHOULDER_CELLS as f32);
    fall.map_or(0.0, |fall| fall.max(0.0))
}

/// Height of the `j`-th cell behind a shoulder by the parabola that the shoulder's slope begins; half as long as the ray when
/// the shoulder has the ray's slope, less in proportion when it is more of a crease.
pub fn parabola(height_mm: f32, fall_mm: f32, slope_mm: f32, j: usize) -> f32 {
    let share = (slope_mm / fall_mm).clamp(0.0, 1.0);
    let reach = share * height_mm / fall_mm / 2.0;
    let out = j as f32;
    if out >= reach {
        0.0
    } else {
        height_mm * (1.0 - out / reach).sqrt()
    }
}
