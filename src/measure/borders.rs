//! Cells on the border of two classes, shared between them.
//!
//! **Method.** Blur spreads a border over some cells, whose colours are mixtures of the two sides' in linear light. Which side
//! of a limit in CIELAB a mixture falls on has nothing to do with where the border is; but the mixtures' parts sum to the
//! areas, because a blur moves light and loses none. So each cell of a band about the border is parted as its colour is mixed
//! from the typical colours of the two classes nearby, which are taken from cells that lie in no band. Across a border
//! with a Gaussian edge spread σ the sum of `f·(1 − f)` is `σ/√π` (integral of Φ·(1 − Φ)), which is how σ is found.

use ndarray::Array2;

use super::sides::Sides;
use super::typical::{Sample, Typical};
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
#[derive(Debug, Clone, PartialEq)]
pub struct Borders {
    /// The sides that bound the classes.
    pub sides: Sides,
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
/// A border's length over its number of cell sides, mean over all directions.
const SIDE_LENGTH: f64 = std::f64::consts::FRAC_PI_4;
/// The colour of a cell of which none is known.
const UNKNOWN: [f32; 3] = [f32::NAN; 3];
/// A cell in no band.
pub(super) const NO_BAND: u8 = NO_CLASS;

/// Shares the cells about the borders of a cleaned class raster.
///
/// `light` gives a cell's corrected colour in linear light, `None` where it is not known. Cells that `apart` holds are
/// neither shared nor asked for typical colours: their colour is not the piece's alone.
pub fn share_borders(
    class: &Array2<u8>,
    apart: &Array2<bool>,
    light: &impl Fn((usize, usize)) -> Option<[f32; 3]>,
) -> Borders {
    let columns = class.ncols();
    let mut seeds: Seeds = Vec::new();
    let sides = {
        let cells = class.as_slice().unwrap_or_default();
        Sides::new(class, |one, two| {
            seeds.push(((one / columns, one % columns), cells[two]));
            seeds.push(((two / columns, two % columns), cells[one]));
        })
    };
    if seeds.is_empty() {
        return Borders {
            sides,
            shared: Vec::new(),
            spread: None,
        };
    }
    let border_sides = sides.borders() as usize;
    let met = met(&seeds);
    let sample = Sample::new(class, apart, light);
    let mut band = Band::new(class, &seeds);
    // Colours of the band's cells as far as they were asked for.
    let mut lights: Vec<[f32; 3]> = Vec::new();
    let mut reach = FIRST_REACH;
    let mut narrower = false;
    loop {
        band.grow(class, reach);
        lights.truncate(band.cells.len());
        let asked = lights.len();
        let more = band.cells[asked..].iter();
        lights.extend(more.map(|&cell| {
            let at = place_of(cell);
            let light = if apart[at] { None } else { light(at) };
            light.unwrap_or(UNKNOWN)
        }));
        let typical = Typical::of(&sample, class.dim(), &band.other);
        // Where all that a class has are streaks, its colour is what lies farthest from their borders.
        if reach > 1 && !typical.knows_all(&met) {
            reach -= 1;
            narrower = true;
            // Its cells so far come first in the wider band, so that their colours need not be asked for again.
            band = Band::new(class, &seeds);
            continue;
        }
        let mut shared = Vec::with_capacity(band.cells.len());
        let mut mixed = 0.0_f64;
        let mut mixture = ((usize::MAX, [NO_CLASS; 2]), None);
        for (&cell, &light) in band.cells.iter().zip(&lights) {
            if light[0].is_nan() {
                continue;
            }
            let at = place_of(cell);
            let (own, other) = (class[at], band.other[at]);
            // Neighbours in the band mostly mix the same two colours.
            let of = (typical.tile(at), [other, own]);
            if mixture.0 != of {
                mixture = (of, typical.mixture(of.0, of.1));
            }
            let Some(share) = mixture.1.as_ref().and_then(|of| of.part(light)) else {
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
        let length = border_sides as f64 * SIDE_LENGTH;
        let spread =
            (border_sides >= LEAST_SIDES).then(|| mixed * std::f64::consts::PI.sqrt() / length);
        let needed = spread.map_or(0, |spread| (REACH_SPREADS * spread).ceil() as usize);
        if !narrower && reach < needed.min(MOST_REACH) {
            reach = needed.min(MOST_REACH);
            continue;
        }
        return Borders {
            sides,
            shared,
            spread,
        };
    }
}

/// Cells with a side to another class, with that class.
type Seeds = Vec<((usize, usize), u8)>;

/// The classes that have a border.
fn met(seeds: &Seeds) -> Vec<u8> {
    let mut has = [false; 256];
    seeds.iter().for_each(|&(_, k)| has[usize::from(k)] = true);
    (0..NO_CLASS).filter(|&k| has[usize::from(k)]).collect()
}

/// A cell's row and column in half the room, and back.
pub(super) fn cell((row, column): (usize, usize)) -> [u32; 2] {
    [row as u32, column as u32]
}

pub(super) fn place_of([row, column]: [u32; 2]) -> (usize, usize) {
    (row as usize, column as usize)
}

/// The cells about borders in order of their distance from one.
struct Band {
    cells: Vec<[u32; 2]>,
    /// The class beyond the border for cells of the band, [`NO_BAND`] elsewhere.
    other: Array2<u8>,
    /// First of the cells from which it has not grown yet, and how far it reaches.
    front: usize,
    reach: usize,
}

impl Band {
    /// The cells at borders.
    fn new(class: &Array2<u8>, seeds: &Seeds) -> Self {
        let mut other = Array2::from_elem(class.dim(), NO_BAND);
        let mut cells = Vec::with_capacity(seeds.len() * FIRST_REACH);
        for &(at, beyond) in seeds {
            if other[at] == NO_BAND {
                other[at] = beyond;
                cells.push(cell(at));
            }
        }
        Self {
            cells,
            other,
            front: 0,
            reach: 1,
        }
    }

    /// Takes in the cells up to `reach` cells from a border, each with the class beyond it.
    fn grow(&mut self, class: &Array2<u8>, reach: usize) {
        let (rows, columns) = class.dim();
        let classes = class.as_slice().unwrap_or_default();
        let Some(other) = self.other.as_slice_mut() else {
            return;
        };
        while self.reach < reach {
            let end = self.cells.len();
            for index in self.front..end {
                let (row, column) = place_of(self.cells[index]);
                let at = row * columns + column;
                let (own, beyond) = (classes[at], other[at]);
                // Most cells have eight neighbours; in the same order as at the window's ends.
                let inner = 0 < row && row + 1 < rows && 0 < column && column + 1 < columns;
                if inner {
                    for r in row - 1..row + 2 {
                        let first = r * columns + column - 1;
                        let others = &mut other[first..first + 3];
                        let classes = &classes[first..first + 3];
                        for step in 0..3 {
                            if (others[step] == NO_BAND) & (classes[step] == own) {
                                others[step] = beyond;
                                self.cells.push(cell((r, column - 1 + step)));
                            }
                        }
                    }
                    continue;
                }
                let near = column.saturating_sub(1)..(column + 2).min(columns);
                for r in row.saturating_sub(1)..(row + 2).min(rows) {
                    let line = r * columns + near.start..r * columns + near.end;
                    let cells = other[line.clone()].iter_mut().zip(&classes[line]);
                    for (column, (other, &class)) in near.clone().zip(cells) {
                        if (*other == NO_BAND) & (class == own) {
                            *other = beyond;
                            self.cells.push(cell((r, column)));
                        }
                    }
                }
            }
            self.front = end;
            self.reach += 1;
        }
    }
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
}
