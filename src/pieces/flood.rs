//! A flood from above that merges what a shallow pass divides.

use ndarray::Array2;

/// When two basins that meet are one.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Merge {
    /// They are one if the pass between them is at least this share of the lower top.
    pub ratio: f32,
    /// They are one if either has fewer cells than this above the pass.
    pub least_cells: usize,
    /// A pass whose share lies less than this below the ratio, or above it, leaves a doubt.
    pub doubt: [f32; 2],
}

/// What a flood leaves.
#[derive(Debug, Clone, PartialEq)]
pub struct Basins {
    /// Parts numbered from 1 in order of their first cell; 0 is outside, and the lines between parts, a cell wide.
    pub parts: Array2<u16>,
    /// For each part, what was near to being otherwise.
    pub doubts: Vec<Doubt>,
}

/// What was near to being otherwise with a part.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Doubt {
    /// It was near to being divided.
    pub nearly_parted: bool,
    /// It was near to being one with a neighbour.
    pub nearly_one: bool,
}

impl Doubt {
    /// Whether anything was.
    pub fn any(self) -> bool {
        self.nearly_parted || self.nearly_one
    }
}

/// A basin being flooded.
#[derive(Debug, Clone, Copy)]
struct Basin {
    parent: usize,
    top: f32,
    cells: usize,
    doubt: Doubt,
}

/// Divides each part (1, 2, …; 0 is outside) into basins of `values` by flooding from the highest value down.
///
/// Equal values are flooded in order of rows and columns.
pub fn flood(values: &Array2<f32>, parts: &Array2<u16>, merge: &Merge) -> Basins {
    let mut flood = Flood::new(parts, merge);
    let cells = falling(values, &flood.parts, &flood.basin_of, &flood.border);
    cells.for_each(|(at, value)| flood.reach(at, value));
    flood.number()
}

/// Lets `markers` (1, 2, …; 0 is open) grow over the open cells of the parts they lie in, from the highest of `values` down: two that meet
/// leave a line between them. Cells that no marker reaches are 0, as are those on the lines.
pub fn flood_from(values: &Array2<f32>, parts: &Array2<u16>, markers: &Array2<u16>) -> Array2<u16> {
    // No pass is shallow to a marker, and what is none is too small to stand against one.
    let merge = Merge {
        ratio: 1.0,
        least_cells: MARKER_CELLS,
        doubt: [0.0; 2],
    };
    let mut flood = Flood::new(parts, &merge);
    let count = markers.iter().copied().max().unwrap_or(0);
    flood
        .basins
        .extend((0..usize::from(count)).map(|parent| Basin {
            parent,
            top: f32::INFINITY,
            cells: MARKER_CELLS,
            doubt: Doubt::default(),
        }));
    for (row, markers) in markers.outer_iter().enumerate() {
        let first = flood.border.row(row);
        for (basin, &marker) in flood.basin_of[first..].iter_mut().zip(markers) {
            if marker > 0 {
                *basin = u32::from(marker) - 1;
            }
        }
    }
    let cells = falling(values, &flood.parts, &flood.basin_of, &flood.border);
    cells.for_each(|(at, value)| flood.reach(at, value));
    let mut grown = Array2::zeros(values.dim());
    for (row, mut grown) in grown.outer_iter_mut().enumerate() {
        let first = flood.border.row(row);
        for (part, &basin) in grown.iter_mut().zip(&flood.basin_of[first..]) {
            if basin < LINE {
                let root = find(&mut flood.basins, basin as usize);
                *part = u16::try_from(root + 1).unwrap_or(0);
                *part *= u16::from(*part <= count);
            }
        }
    }
    grown
}

/// Cells that a marker counts for: more than any raster has.
const MARKER_CELLS: usize = usize::MAX / 4;

/// A flood under way.
struct Flood<'a> {
    merge: &'a Merge,
    /// With a border of one cell outside, so that every cell has eight neighbours.
    border: Border,
    parts: Vec<u16>,
    basin_of: Vec<u32>,
    basins: Vec<Basin>,
}

impl<'a> Flood<'a> {
    fn new(parts: &Array2<u16>, merge: &'a Merge) -> Self {
        let border = Border::around(parts.dim());
        let parts = border.put(parts, 0);
        Self {
            merge,
            border,
            basin_of: vec![NO_BASIN; parts.len()],
            parts,
            basins: Vec::new(),
        }
    }

    /// Floods the next cell down.
    fn reach(&mut self, at: usize, value: f32) {
        let part = self.parts[at];
        let basins = &mut self.basins;
        let mut chosen: Option<usize> = None;
        let mut divides = false;
        let mut before = NO_BASIN;
        for next in self.border.around_cell(at) {
            let neighbour = self.basin_of[next];
            // What the last neighbour was of was looked at with it.
            if (neighbour >= LINE) | (neighbour == before) || self.parts[next] != part {
                continue;
            }
            before = neighbour;
            let root = find(basins, neighbour as usize);
            let Some(other) = chosen.filter(|&other| other != root) else {
                chosen = Some(root);
                continue;
            };
            let (high, low) = if basins[other].top >= basins[root].top {
                (other, root)
            } else {
                (root, other)
            };
            let shallow = value >= self.merge.ratio * basins[low].top;
            let small = basins[low].cells.min(basins[high].cells) < self.merge.least_cells;
            let share = value / basins[low].top;
            let [below, above] = self.merge.doubt;
            let near = (self.merge.ratio - below..self.merge.ratio + above).contains(&share);
            if !small && near {
                for basin in [low, high] {
                    let doubt = &mut basins[basin].doubt;
                    doubt.nearly_parted |= shallow;
                    doubt.nearly_one |= !shallow;
                }
            }
            if shallow || small {
                basins[low].parent = high;
                basins[high].cells += basins[low].cells;
                let doubt = basins[low].doubt;
                basins[high].doubt.nearly_parted |= doubt.nearly_parted;
                basins[high].doubt.nearly_one |= doubt.nearly_one;
                chosen = Some(high);
            } else {
                // A lasting border. Were its cells given to one side, that side would creep along it into the other.
                divides = true;
            }
        }
        if divides {
            self.basin_of[at] = LINE;
            return;
        }
        let basin = chosen.unwrap_or_else(|| {
            basins.push(Basin {
                parent: basins.len(),
                top: value,
                cells: 0,
                doubt: Doubt::default(),
            });
            basins.len() - 1
        });
        basins[basin].cells += 1;
        self.basin_of[at] = basin as u32;
    }

    /// Numbers the basins that stand.
    fn number(mut self) -> Basins {
        let mut doubts = Vec::new();
        let mut numbers = vec![0_u16; self.basins.len()];
        let mut next = 0_u16;
        let mut parts = Array2::zeros((self.border.rows, self.border.columns));
        for (row, mut parts) in parts.outer_iter_mut().enumerate() {
            let first = self.border.row(row);
            for (part, &basin) in parts.iter_mut().zip(&self.basin_of[first..]) {
                if basin >= LINE {
                    continue;
                }
                let root = find(&mut self.basins, basin as usize);
                if numbers[root] == 0 {
                    next = next.saturating_add(1);
                    numbers[root] = next;
                    doubts.push(self.basins[root].doubt);
                }
                *part = numbers[root];
            }
        }
        Basins { parts, doubts }
    }
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

/// The cells of all parts that are in no basin yet from the highest value down, equal ones in order of rows and columns.
fn falling(
    values: &Array2<f32>,
    parts: &[u16],
    basin_of: &[u32],
    border: &Border,
) -> impl Iterator<Item = (usize, f32)> + use<> {
    let open = |at: usize| (parts[at] > 0) & (basin_of[at] == NO_BASIN);
    let mut keys: Vec<(u32, u32)> = Vec::with_capacity(values.len());
    for (row, values) in values.outer_iter().enumerate() {
        let first = border.row(row);
        for (at, &value) in (first..).zip(values) {
            if open(at) {
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

fn find(basins: &mut [Basin], mut index: usize) -> usize {
    while basins[index].parent != index {
        basins[index].parent = basins[basins[index].parent].parent;
        index = basins[index].parent;
    }
    index
}
