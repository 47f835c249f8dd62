//! Cells on the border of two classes, shared between them.
//!
//! **Method.** Blur spreads a border over some cells, whose colours are mixtures of the two sides' in linear light. Which side
//! of a limit in CIELAB a mixture falls on has nothing to do with where the border is; but the mixtures' parts sum to the
//! areas, because a blur moves light and loses none. So each cell of a band about the border is parted as its colour is mixed
//! from the typical colours of the two classes nearby, which are taken from cells that lie in no band. Across a border
//! with a Gaussian edge spread σ the sum of `f·(1 − f)` is `σ/√π` (integral of Φ·(1 − Φ)), which is how σ is found.

use ndarray::Array2;

use super::spans::spans;
use crate::colour::NO_CLASS;

/// A cell of two classes.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SharedCell {
    /// Row and column in the piece's window.
    pub at: (usize, usize),
    /// The class in the raster: it has the rest.
    pub own: u8,
    /// The class on the other side of the border.
    pub other: u8,
    /// The other class's share, 0 to 1.
    pub share: f32,
}

/// What borders told.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Borders {
    /// Cells of two classes, each once, ordered by border.
    pub shared: Vec<SharedCell>,
    /// Edge spread, cells; `None` with too little border to tell.
    pub spread: Option<f64>,
}

/// How far a band reaches to both sides of the border before the spread is known, cells.
const FIRST_REACH: usize = 3;
/// How many edge spreads a band reaches.
const REACH_SPREADS: f64 = 3.0;
/// Farthest reach, cells.
const MOST_REACH: usize = 9;
/// Shortest border that tells the spread, in cell sides.
const LEAST_SIDES: usize = 60;
/// Side of the tiles that typical colours are taken from, cells.
const TILE: usize = 12;
/// Every so many cells, along and across, one is asked for its colour.
const THINNING: usize = 3;
/// Two colours differ in more than lightness when the sine of the angle between them in linear RGB is above this.
const LEAST_SINE: f32 = 0.2;
/// Square of a contrast below which two colours are alike, relative to the colours'.
const LEAST_CONTRAST: f32 = 1e-4;
/// Fewest cells that make a typical colour.
const LEAST_CELLS: f32 = 8.0;
/// A border's length over its number of cell sides, mean over all directions.
const SIDE_LENGTH: f64 = std::f64::consts::FRAC_PI_4;
/// A cell in no band.
const NO_BAND: u8 = NO_CLASS;

/// Shares the cells about the borders of a cleaned class raster.
///
/// `light` gives a cell's corrected colour in linear light, `None` where it is not known. Cells that `apart` holds are
/// neither shared nor asked for typical colours: their colour is not the piece's alone.
pub fn share_borders(
    class: &Array2<u8>,
    apart: &Array2<bool>,
    light: &dyn Fn((usize, usize)) -> Option<[f32; 3]>,
) -> Borders {
    let (seeds, sides) = border_cells(class);
    if seeds.is_empty() {
        return Borders::default();
    }
    let mut reach = FIRST_REACH;
    let mut narrower = false;
    loop {
        let (band, other) = grow(class, seeds.clone(), reach);
        let typical = Typical::of(class, &other, apart, light);
        // Where all that a class has are streaks, its colour is what lies farthest from their borders.
        if reach > 1 && !typical.knows_all(&seeds) {
            reach -= 1;
            narrower = true;
            continue;
        }
        let mut shared = Vec::with_capacity(band.len());
        let mut mixed = 0.0_f64;
        for &at in &band {
            if apart[at] {
                continue;
            }
            let (own, other) = (class[at], other[at]);
            let Some(share) = light(at)
                .and_then(|light| part(light, typical.near(at, other)?, typical.near(at, own)?))
            else {
                continue;
            };
            mixed += f64::from(share * (1.0 - share));
            if share > 0.0 {
                shared.push(SharedCell {
                    at,
                    own,
                    other,
                    share,
                });
            }
        }
        let length = sides as f64 * SIDE_LENGTH;
        let spread = (sides >= LEAST_SIDES).then(|| mixed * std::f64::consts::PI.sqrt() / length);
        let needed = spread.map_or(0, |spread| (REACH_SPREADS * spread).ceil() as usize);
        if !narrower && reach < needed.min(MOST_REACH) {
            reach = needed.min(MOST_REACH);
            continue;
        }
        return Borders { shared, spread };
    }
}

/// The part of `one` in a mixture with `other`, cut to 0…1; `None` when the two are alike.
///
/// A slope is darker than a flat, on both sides of a border alike: where the two differ in hue or chroma the mixture is
/// solved as `c = α·c_one + β·c_other` by least squares, and the part is `α/(α + β)`. Where they differ in lightness alone
/// it is the place on the line between the two.
fn part(light: [f32; 3], one: [f32; 3], other: [f32; 3]) -> Option<f32> {
    let dot = |a: [f32; 3], b: [f32; 3]| a[0] * b[0] + a[1] * b[1] + a[2] * b[2];
    let (one_one, two_two, one_two) = (dot(one, one), dot(other, other), dot(one, other));
    let determinant = one_one * two_two - one_two * one_two;
    if determinant > LEAST_SINE * LEAST_SINE * one_one * two_two {
        let (with_one, with_two) = (dot(light, one), dot(light, other));
        let alpha = (with_one * two_two - with_two * one_two).max(0.0);
        let beta = (with_two * one_one - with_one * one_two).max(0.0);
        return (alpha + beta > 0.0).then(|| alpha / (alpha + beta));
    }
    let axis: [f32; 3] = std::array::from_fn(|channel| one[channel] - other[channel]);
    let from: [f32; 3] = std::array::from_fn(|channel| light[channel] - other[channel]);
    let square = dot(axis, axis);
    (square > LEAST_CONTRAST * (one_one + two_two))
        .then(|| (dot(from, axis) / square).clamp(0.0, 1.0))
}

type Seeds = Vec<((usize, usize), u8)>;

/// Cells with a side to another class, with that class; and the number of such sides.
fn border_cells(class: &Array2<u8>) -> (Seeds, usize) {
    let columns = class.ncols();
    let cells = class.as_slice().unwrap_or_default();
    let mut seeds = Vec::new();
    let mut sides = 0;
    let mut meet = |one: usize, two: usize| {
        let (a, b) = (cells[one], cells[two]);
        if a != b && a != NO_CLASS && b != NO_CLASS {
            sides += 1;
            seeds.push(((one / columns, one % columns), b));
            seeds.push(((two / columns, two % columns), a));
        }
    };
    for (row, line) in cells.chunks(columns.max(1)).enumerate() {
        let first = row * columns;
        for column in 1..line.len() {
            if line[column] != line[column - 1] {
                meet(first + column - 1, first + column);
            }
        }
        if let Some(below) = cells.get(first + columns..first + 2 * columns) {
            for (column, (a, b)) in line.iter().zip(below).enumerate() {
                if a != b {
                    meet(first + column, first + columns + column);
                }
            }
        }
    }
    (seeds, sides)
}

/// The cells up to `reach` cells from a border, each with the class beyond it.
fn grow(class: &Array2<u8>, seeds: Seeds, reach: usize) -> (Vec<(usize, usize)>, Array2<u8>) {
    let (rows, columns) = class.dim();
    let mut other = Array2::from_elem(class.dim(), NO_BAND);
    let mut band = Vec::new();
    for (at, beyond) in seeds {
        if other[at] == NO_BAND {
            other[at] = beyond;
            band.push(at);
        }
    }
    let mut first = 0;
    for _ in 1..reach {
        let end = band.len();
        for index in first..end {
            let (row, column) = band[index];
            for r in row.saturating_sub(1)..(row + 2).min(rows) {
                for c in column.saturating_sub(1)..(column + 2).min(columns) {
                    let at = (r, c);
                    if other[at] == NO_BAND && class[at] == class[(row, column)] {
                        other[at] = other[(row, column)];
                        band.push(at);
                    }
                }
            }
        }
        first = end;
    }
    (band, other)
}

/// Mean colours of classes: in tiles, and of the whole piece.
struct Typical {
    tiles: [usize; 2],
    classes: Vec<u8>,
    /// Sum of R, G, B and the count of each class, tile by tile; the last tile is the whole piece.
    sums: Vec<[f32; 4]>,
}

impl Typical {
    fn of(
        class: &Array2<u8>,
        band: &Array2<u8>,
        apart: &Array2<bool>,
        light: &dyn Fn((usize, usize)) -> Option<[f32; 3]>,
    ) -> Self {
        let (rows, columns) = class.dim();
        let tiles = [rows.div_ceil(TILE), columns.div_ceil(TILE)];
        let mut present = [false; 256];
        class.iter().for_each(|&k| present[usize::from(k)] = true);
        let classes: Vec<u8> = (0..NO_CLASS).filter(|&k| present[usize::from(k)]).collect();
        let mut place = [0_usize; 256];
        for (index, &k) in classes.iter().enumerate() {
            place[usize::from(k)] = index;
        }
        let whole = tiles[0] * tiles[1];
        let mut sums = vec![[0.0_f32; 4]; (whole + 1) * classes.len()];
        for row in (0..rows).step_by(THINNING) {
            for column in (0..columns).step_by(THINNING) {
                let at = (row, column);
                let k = class[at];
                if k == NO_CLASS || band[at] != NO_BAND || apart[at] {
                    continue;
                }
                let Some(light) = light(at) else { continue };
                let tile = row / TILE * tiles[1] + column / TILE;
                for tile in [tile, whole] {
                    let sum = &mut sums[tile * classes.len() + place[usize::from(k)]];
                    for channel in 0..3 {
                        sum[channel] += light[channel];
                    }
                    sum[3] += 1.0;
                }
            }
        }
        Self {
            tiles,
            classes,
            sums,
        }
    }

    /// Whether there is a typical colour of every class that has a border.
    fn knows_all(&self, seeds: &Seeds) -> bool {
        let mut beyond = [false; 256];
        seeds
            .iter()
            .for_each(|&(_, k)| beyond[usize::from(k)] = true);
        let whole = self.tiles[0] * self.tiles[1];
        self.classes.iter().enumerate().all(|(place, &k)| {
            !beyond[usize::from(k)]
                || self.sums[whole * self.classes.len() + place][3] >= LEAST_CELLS
        })
    }

    /// The mean colour of a class in the tiles about a cell, or of the whole piece where these hold too few cells.
    fn near(&self, (row, column): (usize, usize), class: u8) -> Option<[f32; 3]> {
        let place = self.classes.iter().position(|&k| k == class)?;
        let mean =
            |sum: [f32; 4]| (sum[3] >= LEAST_CELLS).then(|| [0, 1, 2].map(|c| sum[c] / sum[3]));
        let sum_of = |tile: usize| self.sums[tile * self.classes.len() + place];
        let (row, column) = (row / TILE, column / TILE);
        let mut sum = [0.0_f32; 4];
        for r in row.saturating_sub(1)..(row + 2).min(self.tiles[0]) {
            for c in column.saturating_sub(1)..(column + 2).min(self.tiles[1]) {
                let tile = sum_of(r * self.tiles[1] + c);
                (0..4).for_each(|i| sum[i] += tile[i]);
            }
        }
        mean(sum).or_else(|| mean(sum_of(self.tiles[0] * self.tiles[1])))
    }
}

/// Gives the cells of the outermost `depth` rings of a piece the class of what lies inside them, and tells which they are.
///
/// A rim cell's colour is mixed with that of the belt or a neighbour, and may match any class. Ring by ring from the
/// inside out, a cell takes the most frequent class among those neighbours that lie further in (over a side 2 votes,
/// over a corner 1; of equals the first class). Cells that have none further in keep their class.
pub fn settle_rim(class: &mut Array2<u8>, covered: &Array2<bool>, depth: usize) -> Array2<bool> {
    let (rows, columns) = class.dim();
    let around = move |row: usize, column: usize| {
        let near = |at: usize, end: usize| at.saturating_sub(1)..(at + 2).min(end);
        near(row, rows).flat_map(move |r| near(column, columns).map(move |c| (r, c)))
    };
    let mut ring_of = Array2::from_elem(class.dim(), 0_u8);
    let mut rings: Vec<Vec<(usize, usize)>> = vec![Vec::new()];
    for (row, span) in spans(covered) {
        for column in span {
            let at = (row, column);
            let outermost = row == 0
                || column == 0
                || row + 1 == rows
                || column + 1 == columns
                || !covered[(row - 1, column)]
                || !covered[(row + 1, column)]
                || !covered[(row, column - 1)]
                || !covered[(row, column + 1)];
            if covered[at] && outermost {
                ring_of[at] = 1;
                rings[0].push(at);
            }
        }
    }
    for ring in 2..=depth {
        let mut next = Vec::new();
        for &(row, column) in rings.last().into_iter().flatten() {
            for at in around(row, column) {
                if covered[at] && ring_of[at] == 0 {
                    ring_of[at] = ring as u8;
                    next.push(at);
                }
            }
        }
        rings.push(next);
    }
    for (index, cells) in rings.iter().enumerate().rev() {
        let ring = index + 1;
        for &(row, column) in cells {
            let mut votes = [0_u8; 256];
            let mut any = false;
            for at in around(row, column) {
                let further_in = ring_of[at] == 0 || usize::from(ring_of[at]) > ring;
                if further_in && covered[at] && class[at] != NO_CLASS {
                    let side = at.0 == row || at.1 == column;
                    votes[usize::from(class[at])] += 1 + u8::from(side);
                    any = true;
                }
            }
            if any {
                let best = (0..NO_CLASS).rev().max_by_key(|&k| votes[usize::from(k)]);
                class[(row, column)] = best.unwrap_or(class[(row, column)]);
            }
        }
    }
    ring_of.mapv(|ring| ring > 0)
}

#[cfg(test)]
mod tests {
    use super::*;

    const SIZE: (usize, usize) = (80, 80);
    const FAT: [f32; 3] = [0.686, 0.591, 0.497];
    const LEAN: [f32; 3] = [0.305, 0.080, 0.072];

    /// Φ(t) for t = −3, −2.5 … 3 (tables of the normal distribution, Abramowitz and Stegun 1964, table 26.1).
    const NORMAL: [f32; 13] = [
        0.00135, 0.00621, 0.02275, 0.06681, 0.15866, 0.30854, 0.5, 0.69146, 0.84134, 0.93319,
        0.97725, 0.99379, 0.99865,
    ];

    /// Fat's part in column `column` of a Gaussian edge at `edge` with a spread of 2 cells.
    fn part_at(column: usize, edge: f32) -> f32 {
        let place = ((column as f32 + 0.5 - edge) / 2.0 + 3.0) * 2.0;
        if place <= 0.0 {
            return 0.0;
        }
        let below = place.floor() as usize;
        match NORMAL.get(below..below + 2) {
            Some(&[low, high]) => low + (high - low) * (place - below as f32),
            _ => 1.0,
        }
    }

    /// Fat on the right of column 40, by a limit that takes what is more than 38 % fat for fat; darkness by row.
    fn blurred(dark: impl Fn(usize) -> f32) -> (Array2<u8>, Borders) {
        let light = |(row, column): (usize, usize)| {
            let part = part_at(column, 40.0);
            Some([0, 1, 2].map(|c| dark(row) * (part * FAT[c] + (1.0 - part) * LEAN[c])))
        };
        let class = Array2::from_shape_fn(SIZE, |(_, c)| u8::from(part_at(c, 40.0) > 0.38));
        let borders = share_borders(&class, &Array2::from_elem(SIZE, false), &light);
        (class, borders)
    }

    fn fat_cells(class: &Array2<u8>, borders: &Borders) -> f32 {
        let whole: f32 = class.iter().map(|&k| f32::from(k)).sum();
        let moved = borders.shared.iter();
        whole
            + moved
                .map(|s| if s.own == 1 { -s.share } else { s.share })
                .sum::<f32>()
    }

    #[test]
    fn shares_give_the_area_whatever_the_limit_and_the_light() {
        for dark in [|_: usize| 1.0, |row: usize| 1.0 - 0.005 * row as f32] {
            let (class, borders) = blurred(dark);
            let rows = SIZE.0 as f32;
            let hard: f32 = class.iter().map(|&k| f32::from(k)).sum();
            assert!(
                hard / rows - 40.0 >= 0.5,
                "the limit alone is wrong: {hard}"
            );
            let shared = fat_cells(&class, &borders) / rows;
            assert!((shared - 40.0).abs() < 0.05, "{shared}");
        }
    }

    #[test]
    fn the_edge_spread_is_found() {
        let (_, borders) = blurred(|_| 1.0);
        // π/4 for the mean over directions; this border runs along the rows, where sides are the length.
        let spread = borders.spread.unwrap_or(f64::NAN) * SIDE_LENGTH;
        assert!((spread - 2.0).abs() < 0.1, "{spread}");
    }

    #[test]
    fn a_rim_takes_the_class_inside_it() {
        let mut covered = Array2::from_elem((12, 12), false);
        covered.slice_mut(ndarray::s![2..10, 2..10]).fill(true);
        let inner = |at: usize| (4..8).contains(&at);
        let mut class = Array2::from_shape_fn((12, 12), |(r, c)| match covered[(r, c)] {
            false => NO_CLASS,
            true => u8::from(inner(r) && inner(c)),
        });
        let rim = settle_rim(&mut class, &covered, 2);
        assert_eq!(rim.iter().filter(|&&rim| rim).count(), 64 - 16);
        assert!(class.iter().all(|&k| k == 1 || k == NO_CLASS));
    }
}
