//! Patches of one class on a raster, by runs and union-find (8-connected).
//!
//! He, Chao, Suzuki and Wu, "Fast connected-component labeling", Pattern Recognition 42 (2009) 1977–1987, describe the
//! run-based two-scan method in its general form.

use ndarray::Array2;

use super::cleanup::NO_CLASS;

/// A stretch of cells of one row and one class.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Run {
    /// Cell number of the first, row by row.
    pub(super) first: usize,
    /// One past the last.
    pub(super) end: usize,
    /// Its patch.
    pub(super) patch: u32,
}

/// A connected set of cells of one class.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Patch {
    pub(super) class: u8,
    pub(super) cells: usize,
    pub(super) first_cell: usize,
}

/// All runs in order of their cells, and the patches in order of their first cell. Cells outside the piece are in none.
pub(super) fn patches(class: &Array2<u8>) -> (Vec<Run>, Vec<Patch>) {
    let columns = class.ncols().max(1);
    let mut runs: Vec<Run> = Vec::new();
    let mut parents: Vec<u32> = Vec::new();
    let mut above = 0..0;
    for (row, cells) in class.outer_iter().enumerate() {
        let cells = cells.to_slice().unwrap_or_default();
        let start = runs.len();
        let (row_first, above_first) = (row * columns, (row * columns).wrapping_sub(columns));
        let mut candidate = above.start;
        let mut column = next_inside(cells, 0);
        while column < cells.len() {
            let own = cells[column];
            let end = run_end(cells, column);
            let label = runs.len() as u32;
            parents.push(label);
            // Runs above that end before this one begins (diagonals included) can't touch later ones either.
            while candidate < above.end && runs[candidate].end - above_first < column {
                candidate += 1;
            }
            let mut touching = candidate;
            while touching < above.end && runs[touching].first - above_first <= end {
                if class_of(class, &runs[touching]) == own {
                    union(&mut parents, touching as u32, label);
                }
                touching += 1;
            }
            runs.push(Run {
                first: row_first + column,
                end: row_first + end,
                patch: 0,
            });
            column = next_inside(cells, end);
        }
        above = start..runs.len();
    }
    let mut patches: Vec<Patch> = Vec::new();
    for label in 0..runs.len() {
        let root = find(&mut parents, label as u32) as usize;
        // A root comes before all that hang from it, so it has its patch already.
        let patch = if root == label {
            patches.push(Patch {
                class: class_of(class, &runs[label]),
                cells: 0,
                first_cell: runs[label].first,
            });
            patches.len() - 1
        } else {
            runs[root].patch as usize
        };
        runs[label].patch = patch as u32;
        patches[patch].cells += runs[label].end - runs[label].first;
    }
    (runs, patches)
}

fn class_of(class: &Array2<u8>, run: &Run) -> u8 {
    class
        .as_slice()
        .and_then(|cells| cells.get(run.first))
        .copied()
        .unwrap_or(NO_CLASS)
}

/// The next cell inside the piece, from `column` on; whole blocks outside are passed over.
fn next_inside(cells: &[u8], mut column: usize) -> usize {
    const BLOCK: usize = 32;
    while let Some(block) = cells.get(column..column + BLOCK) {
        if block.iter().fold(NO_CLASS, |all, &cell| all & cell) != NO_CLASS {
            break;
        }
        column += BLOCK;
    }
    let rest = cells.get(column..).unwrap_or_default();
    let inside = rest.iter().position(|&cell| cell != NO_CLASS);
    inside.map_or(cells.len(), |inside| column + inside)
}

/// One past the last cell of the run of one class that begins at `first`; whole blocks of it are passed over.
fn run_end(cells: &[u8], first: usize) -> usize {
    const BLOCK: usize = 32;
    let own = cells[first];
    let mut next = first;
    while let Some(block) = cells.get(next..next + BLOCK) {
        if block.iter().fold(0, |any, &cell| any | (cell ^ own)) != 0 {
            break;
        }
        next += BLOCK;
    }
    let length = cells[next..].iter().position(|&cell| cell != own);
    length.map_or(cells.len(), |length| next + length)
}

fn find(parents: &mut [u32], mut label: u32) -> u32 {
    while parents[label as usize] != label {
        parents[label as usize] = parents[parents[label as usize] as usize];
        label = parents[label as usize];
    }
    label
}

fn union(parents: &mut [u32], one: u32, two: u32) {
    let (one, two) = (find(parents, one), find(parents, two));
    // The smaller label wins, so that patches keep the order of their first cells.
    parents[one.max(two) as usize] = one.min(two);
}
