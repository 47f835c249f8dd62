//! A flood from above that merges what a shallow pass divides.

use ndarray::Array2;

/// When two basins that meet are one.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Merge {
    /// They are one if the pass between them is at least this share of the lower top.
    pub ratio: f32,
    /// They are one if either has fewer cells than this above the pass.
    pub least_cells: usize,
    /// A pass whose share lies this near to the ratio leaves a doubt.
    pub doubt: f32,
}

/// What a flood leaves.
#[derive(Debug, Clone, PartialEq)]
pub struct Basins {
    /// Parts numbered from 1 in order of their first cell; 0 is outside, and the lines between parts, a cell wide.
    pub parts: Array2<u16>,
    /// For each part, whether it was near to being divided, or to being one with a neighbour.
    pub doubtful: Vec<bool>,
}

/// A basin being flooded.
#[derive(Debug, Clone, Copy)]
struct Basin {
    parent: usize,
    top: f32,
    cells: usize,
    doubtful: bool,
}

/// Divides each part (1, 2, …; 0 is outside) into basins of `values` by flooding from the highest value down.
///
/// Equal values are flooded in order of rows and columns.
pub fn flood(values: &Array2<f32>, parts: &Array2<u16>, merge: &Merge) -> Basins {
    // With a border of one cell outside, so that every cell has eight neighbours.
    let border = Border::around(values.dim());
    let parts = border.put(parts, 0);
    let mut basins: Vec<Basin> = Vec::new();
    let mut basin_of = vec![NO_BASIN; parts.len()];
    for (at, value) in falling(values, &parts, &border) {
        let part = parts[at];
        let mut chosen: Option<usize> = None;
        let mut divides = false;
        let mut before = NO_BASIN;
        for next in border.around_cell(at) {
            let neighbour = basin_of[next];
            // What the last neighbour was of was looked at with it.
            if (neighbour >= LINE) | (neighbour == before) || parts[next] != part {
                continue;
            }
            before = neighbour;
            let root = find(&mut basins, neighbour as usize);
            let Some(other) = chosen.filter(|&other| other != root) else {
                chosen = Some(root);
                continue;
            };
            let (high, low) = if basins[other].top >= basins[root].top {
                (other, root)
            } else {
                (root, other)
            };
            let shallow = value >= merge.ratio * basins[low].top;
            let small = basins[low].cells.min(basins[high].cells) < merge.least_cells;
            let share = value / basins[low].top;
            if !small && (share - merge.ratio).abs() < merge.doubt {
                basins[low].doubtful = true;
                basins[high].doubtful = true;
            }
            if shallow || small {
                basins[low].parent = high;
                basins[high].cells += basins[low].cells;
                basins[high].doubtful |= basins[low].doubtful;
                chosen = Some(high);
            } else {
                // A lasting border. Were its cells given to one side, that side would creep along it into the other.
                divides = true;
            }
        }
        if divides {
            basin_of[at] = LINE;
            continue;
        }
        let basin = chosen.unwrap_or_else(|| {
            basins.push(Basin {
                parent: basins.len(),
                top: value,
                cells: 0,
                doubtful: false,
            });
            basins.len() - 1
        });
        basins[basin].cells += 1;
        basin_of[at] = basin as u32;
    }
    number(&basin_of, &mut basins, &border)
}

/// A cell that is not flooded yet.
const NO_BASIN: u32 = u32::MAX;
/// A cell on the line between two basins that last.
const LINE: u32 = u32::MAX - 1;

/// A raster with a border of one cell, row by row.
#[derive(Debug, Clone, Copy)]
struct Border {
    rows: usize,
    columns: usize,
    /// Cells to a row, border included.
    stride: usize,
}

impl Border {
    fn around((rows, columns): (usize, usize)) -> Self {
        Self {
            rows,
            columns,
            stride: columns + 2,
        }
    }

    fn put<T: Copy>(&self, raster: &Array2<T>, outside: T) -> Vec<T> {
        let mut cells = vec![outside; (self.rows + 2) * self.stride];
        for (row, values) in raster.outer_iter().enumerate() {
            let first = self.row(row);
            for (cell, &value) in cells[first..first + self.columns].iter_mut().zip(values) {
                *cell = value;
            }
        }
        cells
    }

    /// The first cell of a row.
    fn row(&self, row: usize) -> usize {
        (row + 1) * self.stride + 1
    }

    fn around_cell(&self, at: usize) -> [usize; 8] {
        let (above, below) = (at - self.stride, at + self.stride);
        [
            above - 1,
            above,
            above + 1,
            at - 1,
            at + 1,
            below - 1,
            below,
            below + 1,
        ]
    }
}

/// The cells of all parts from the highest value down, equal ones in order of rows and columns.
fn falling(
    values: &Array2<f32>,
    parts: &[u16],
    border: &Border,
) -> impl Iterator<Item = (usize, f32)> {
    let cells = parts.iter().filter(|&&part| part > 0).count();
    let mut keys: Vec<(u32, u32)> = Vec::with_capacity(cells);
    for (row, values) in values.outer_iter().enumerate() {
        let first = border.row(row);
        for (at, &value) in (first..).zip(values) {
            if parts[at] > 0 {
                keys.push((falling_key(value), at as u32));
            }
        }
    }
    // By digits, the lowest first: cells with equal digits keep their order.
    const DIGIT: u32 = 11;
    let mut sorted = vec![(0, 0); keys.len()];
    const SHIFTS: [u32; 3] = [0, DIGIT, 2 * DIGIT];
    let digit = |key: u32, shift: u32| (key >> shift) as usize % (1 << DIGIT);
    let mut counts = [[0_u32; 1 << DIGIT]; 3];
    for &(key, _) in &keys {
        for (counts, shift) in counts.iter_mut().zip(SHIFTS) {
            counts[digit(key, shift)] += 1;
        }
    }
    for (mut places, shift) in counts.into_iter().zip(SHIFTS) {
        let mut next = 0;
        for place in &mut places {
            next += std::mem::replace(place, next);
        }
        for &entry in &keys {
            let place = &mut places[digit(entry.0, shift)];
            sorted[*place as usize] = entry;
            *place += 1;
        }
        std::mem::swap(&mut keys, &mut sorted);
    }
    keys.into_iter()
        .map(|(key, at)| (at as usize, value_of(key)))
}

/// A number that falls as the value rises, in the order of `f32::total_cmp`.
fn falling_key(value: f32) -> u32 {
    let bits = value.to_bits();
    let negative = bits >> 31 == 1;
    !(bits ^ if negative { u32::MAX } else { 1 << 31 })
}

fn value_of(key: u32) -> f32 {
    let bits = !key;
    let negative = bits >> 31 == 0;
    f32::from_bits(bits ^ if negative { u32::MAX } else { 1 << 31 })
}

fn number(basin_of: &[u32], basins: &mut [Basin], border: &Border) -> Basins {
    let mut doubtful = Vec::new();
    let mut numbers = vec![0_u16; basins.len()];
    let mut next = 0_u16;
    let mut parts = Array2::zeros((border.rows, border.columns));
    for (row, mut parts) in parts.outer_iter_mut().enumerate() {
        let first = border.row(row);
        for (part, &basin) in parts.iter_mut().zip(&basin_of[first..]) {
            if basin >= LINE {
                continue;
            }
            let root = find(basins, basin as usize);
            if numbers[root] == 0 {
                next = next.saturating_add(1);
                numbers[root] = next;
                doubtful.push(basins[root].doubtful);
            }
            *part = numbers[root];
        }
    }
    Basins { parts, doubtful }
}

fn find(basins: &mut [Basin], mut index: usize) -> usize {
    while basins[index].parent != index {
        basins[index].parent = basins[basins[index].parent].parent;
        index = basins[index].parent;
    }
    index
}
