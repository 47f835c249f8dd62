//! The typical colours of a piece's classes, from cells away from their borders.

use ndarray::Array2;

use super::borders::{NO_BAND, cell, place_of};
use super::mixture::Mixture;
use super::spans::{class_counts, row_of};
use crate::colour::NO_CLASS;

/// Side of the tiles that typical colours are taken from, cells.
const TILE: usize = 12;
/// Every so many cells, along and across, one is asked for its colour.
const THINNING: usize = 3;
/// Fewest cells that make a typical colour.
const LEAST_CELLS: f32 = 8.0;

/// Colours of every so many cells, along and across, that are known and the piece's alone.
pub struct Sample {
    cells: Vec<Sampled>,
    /// The classes of the piece.
    classes: Vec<u8>,
}

struct Sampled {
    cell: [u32; 2],
    class: u8,
    light: [f32; 3],
}

impl Sample {
    /// Of a class raster; `light` gives a cell's colour, cells that `apart` holds are left out.
    pub fn new(
        class: &Array2<u8>,
        apart: &Array2<bool>,
        light: &impl Fn((usize, usize)) -> Option<[f32; 3]>,
    ) -> Self {
        let (rows, columns) = class.dim();
        let counts = class_counts(class);
        let own = (rows * columns) as i64 - counts[usize::from(NO_CLASS)];
        let mut cells = Vec::with_capacity(own as usize / (THINNING * THINNING));
        for row in (0..rows).step_by(THINNING) {
            let classes = row_of(class, row, &(0..columns)).iter().step_by(THINNING);
            for (column, &class) in (0..columns).step_by(THINNING).zip(classes) {
                let at = (row, column);
                if class != NO_CLASS
                    && !apart[at]
                    && let Some(light) = light(at)
                {
                    cells.push(Sampled {
                        cell: cell(at),
                        class,
                        light,
                    });
                }
            }
        }
        Self {
            cells,
            classes: (0..NO_CLASS)
                .filter(|&k| counts[usize::from(k)] > 0)
                .collect(),
        }
    }
}

/// Mean colours of classes: in tiles, and of the whole piece.
pub struct Typical {
    tiles: [usize; 2],
    classes: usize,
    /// Place of each class among those of the piece.
    place: [usize; 256],
    /// Mean colour of each class in the tiles about each tile, or of the whole piece where these hold too few cells.
    means: Vec<Option<[f32; 3]>>,
    /// Whether the whole piece has cells enough of a class for a typical colour.
    known: [bool; 256],
}

impl Typical {
    /// From those of the sample that lie in no `band`, in a window of so many rows and columns.
    pub fn of(sample: &Sample, (rows, columns): (usize, usize), band: &Array2<u8>) -> Self {
        let tiles = [rows.div_ceil(TILE), columns.div_ceil(TILE)];
        let classes = sample.classes.len();
        let mut place = [usize::MAX; 256];
        for (index, &k) in sample.classes.iter().enumerate() {
            place[usize::from(k)] = index;
        }
        let whole = tiles[0] * tiles[1];
        let mut sums = vec![[0.0_f32; 4]; (whole + 1) * classes];
        for seen in &sample.cells {
            let at = place_of(seen.cell);
            if band[at] != NO_BAND {
                continue;
            }
            let tile = at.0 / TILE * tiles[1] + at.1 / TILE;
            let sum = &mut sums[tile * classes + place[usize::from(seen.class)]];
            for (sum, light) in sum.iter_mut().zip(seen.light) {
                *sum += light;
            }
            sum[3] += 1.0;
        }
        let (of_tiles, of_whole) = sums.split_at_mut(whole * classes);
        for of_tile in of_tiles.chunks_exact(classes.max(1)) {
            for (all, one) in of_whole.iter_mut().flatten().zip(of_tile.iter().flatten()) {
                *all += one;
            }
        }
        let mut means = Vec::with_capacity(whole * classes);
        for tile in 0..whole {
            for place in 0..classes {
                let sum_of = |tile: usize| sums[tile * classes + place];
                let (row, column) = (tile / tiles[1], tile % tiles[1]);
                let mut sum = [0.0_f32; 4];
                for r in row.saturating_sub(1)..(row + 2).min(tiles[0]) {
                    for c in column.saturating_sub(1)..(column + 2).min(tiles[1]) {
                        let tile = sum_of(r * tiles[1] + c);
                        (0..4).for_each(|i| sum[i] += tile[i]);
                    }
                }
                let mean = |sum: [f32; 4]| {
                    (sum[3] >= LEAST_CELLS).then(|| [0, 1, 2].map(|c| sum[c] / sum[3]))
                };
                means.push(mean(sum).or_else(|| mean(sum_of(whole))));
            }
        }
        let mut known = [false; 256];
        for (place, &k) in sample.classes.iter().enumerate() {
            known[usize::from(k)] = sums[whole * classes + place][3] >= LEAST_CELLS;
        }
        Self {
            known,
            tiles,
            classes,
            place,
            means,
        }
    }

    /// Whether there is a typical colour of every class that has a border.
    pub fn knows_all(&self, met: &[u8]) -> bool {
        met.iter().all(|&k| self.known[usize::from(k)])
    }

    /// The tile that a cell lies in.
    pub fn tile(&self, (row, column): (usize, usize)) -> usize {
        row / TILE * self.tiles[1] + column / TILE
    }

    /// A mixture of the mean colours of two classes in the tiles about one, or of the whole piece where these hold too few cells.
    pub fn mixture(&self, tile: usize, of: [u8; 2]) -> Option<Mixture> {
        let means = self
            .means
            .get(tile * self.classes..(tile + 1) * self.classes)?;
        let mean = |class: u8| *means.get(self.place[usize::from(class)])?;
        Some(Mixture::new(mean(of[0])?, mean(of[1])?))
    }
}
