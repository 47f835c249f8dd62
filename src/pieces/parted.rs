//! Parts a coarse raster: which parts there are, and where the lines between them run.

use ndarray::{Array2, Zip, s};

use super::coarse::{CELL_MM, Coarse};
use super::distance::to_other;
use super::flood::{Basins, Merge, flood, flood_from};
use super::ridge::sink_ridges;

/// A valley parts two tops if it is lower than this share of the lower top.
const VALLEY_RATIO: f32 = 0.62;
/// A neck parts two middles if it is narrower than this share of the narrower middle.
const NECK_RATIO: f32 = 0.62;
/// A place both lower and narrower than its sides parts them if the product of height and width is below this share.
const WAIST_RATIO: f32 = 0.5;
/// Least cells of twice the size on either side of a waist: what is smaller than a ridge is wide may be an end that looks like one.
const LEAST_AT_WAIST: usize = 43;
/// Cells of twice the size on either side of a neck or waist among which the line is looked for: a neck lies at an end of a lap, not on
/// its crest.
const CREST_REACH: usize = 4;
/// How near to those a share may come before the parting is called doubtful.
const DOUBT: f32 = 0.06;
/// How far above its limit a waist is called doubtful: of 576 simulated single pieces none had one below 0.8.
const WAIST_DOUBT: f32 = 0.2;
/// A top or middle counts when this share of the least area of a piece lies above the pass.
const LEAST_SHARE: f64 = 0.3;

impl Coarse {
    /// The parts, and for each whether it was near to being divided, or to being one with a neighbour.
    ///
    /// Whether and where about to part is decided on cells of twice the size, a quarter as many; only lines that part are then looked for
    /// on these.
    pub(super) fn parted(&self, min_area_mm2: f64) -> (Array2<u16>, Vec<bool>) {
        let cell_mm = 2.0 * CELL_MM;
        let least_cells = (LEAST_SHARE * min_area_mm2 / (cell_mm * cell_mm)).ceil() as usize;
        let merge = |ratio: f32, least_cells: usize| Merge {
            ratio,
            least_cells,
            doubt: [DOUBT; 2],
        };
        let whole = halved(&self.parts, u16::max);
        let inside = |height: f32, part: u16| if part > 0 { height } else { f32::INFINITY };
        let own_mm = Zip::from(&self.heights_mm)
            .and(&self.parts)
            .map_collect(|&height, &part| inside(height, part));
        let mut heights_mm = halved(&own_mm, f32::min);
        heights_mm.mapv_inplace(|height| if height.is_finite() { height } else { 0.0 });

        let valleys = flood(&heights_mm, &whole, &merge(VALLEY_RATIO, least_cells));
        let mut parts = match valleys.doubts.len() {
            0 | 1 => self.parts.clone(),
            _ => parted_again(&self.heights_mm, &self.parts, [&whole, &valleys.parts], 1),
        };
        let reach = to_other(&parts);
        let reach_halved = halved(&reach, f32::max);
        let necks = flood(
            &reach_halved,
            &valleys.parts,
            &merge(NECK_RATIO, least_cells),
        );
        let reach_halved = match necks.doubts.len() > valleys.doubts.len() {
            true => to_other(&necks.parts).mapv_into(|cells| 2.0 * cells),
            false => reach_halved,
        };
        let highest_mm = halved(&self.highest_mm, f32::max);
        let sunk = sink_ridges(&heights_mm, &highest_mm, cell_mm);
        let waists = flood(
            &(reach_halved * &sunk),
            &necks.parts,
            &Merge {
                doubt: [DOUBT, WAIST_DOUBT],
                ..merge(WAIST_RATIO, least_cells.max(LEAST_AT_WAIST))
            },
        );
        if waists.doubts.len() > valleys.doubts.len() {
            let products = reach * &sink_ridges(&self.heights_mm, &self.highest_mm, CELL_MM);
            let from_to = [&valleys.parts, &waists.parts];
            parts = parted_again(&products, &parts, from_to, CREST_REACH);
        }
        // A part of a later flood lies within one of the floods before, and shares its doubt; but what was near to being divided by a flood
        // before, and was by a later one, leaves none.
        let mut doubtful: Vec<bool> = waists.doubts.iter().map(|doubt| doubt.any()).collect();
        for before in [&necks, &valleys] {
            let within = containing(&before.parts, &waists);
            for (doubtful, &at) in doubtful.iter_mut().zip(&within) {
                let divided = within.iter().filter(|&&other| other == at).count() > 1;
                let doubt = before.doubts.get(at).copied().unwrap_or_default();
                *doubtful |= doubt.nearly_one || (doubt.nearly_parted && !divided);
            }
        }
        (parts, doubtful)
    }
}

/// The index of the part of a flood before in which each part of a later one lies.
fn containing(before: &Array2<u16>, after: &Basins) -> Vec<usize> {
    let mut within = vec![usize::MAX; after.doubts.len()];
    for (&part, &whole) in after.parts.iter().zip(before) {
        if part > 0 && whole > 0 {
            within[usize::from(part) - 1] = usize::from(whole) - 1;
        }
    }
    within
}

/// Chooses over 2 × 2 cells.
fn halved<T: Copy>(values: &Array2<T>, choose: impl Fn(T, T) -> T) -> Array2<T> {
    let (rows, columns) = values.dim();
    let last = |at: usize, end: usize| at.min(end - 1);
    Array2::from_shape_fn((rows.div_ceil(2), columns.div_ceil(2)), |(row, column)| {
        let (above, below) = (2 * row, last(2 * row + 1, rows));
        let (left, right) = (2 * column, last(2 * column + 1, columns));
        choose(
            choose(values[[above, left]], values[[above, right]]),
            choose(values[[below, left]], values[[below, right]]),
        )
    })
}

/// Parts each of `parts` as a flood on cells of twice the size parted it: `before` are the parts there, `after` what became of them.
///
/// Farther than `near_cells` of them from the lines between two of them cells are what they are there; about the lines `values` are flooded again.
fn parted_again(
    values: &Array2<f32>,
    parts: &Array2<u16>,
    [before, after]: [&Array2<u16>; 2],
    near_cells: usize,
) -> Array2<u16> {
    let (rows, columns) = after.dim();
    let count = after.iter().copied().max().unwrap_or(0);
    let mut clear = vec![false; usize::from(count) + 1];
    let mut inner = Array2::<u16>::zeros(after.dim());
    for ((row, column), &part) in after.indexed_iter().filter(|(_, part)| **part > 0) {
        let near =
            |at: usize, end: usize| at.saturating_sub(near_cells)..(at + near_cells + 1).min(end);
        let around = s![near(row, rows), near(column, columns)];
        let (around, of) = (after.slice(around), before.slice(around));
        let alone = |(&other, &whole): (&u16, &u16)| other == part || (other | whole) == 0;
        if around.iter().zip(&of).all(alone) {
            inner[[row, column]] = part;
            clear[usize::from(part)] = true;
        }
    }
    // A part too narrow to have cells away from all lines grows from what it has.
    let markers = Array2::from_shape_fn(parts.dim(), |(row, column)| {
        let at = [row / 2, column / 2];
        let part = after[at];
        let marks = inner[at] > 0 || (part > 0 && !clear[usize::from(part)]);
        if marks && parts[[row, column]] == before[at] {
            part
        } else {
            0
        }
    });
    flood_from(values, parts, &markers)
}
