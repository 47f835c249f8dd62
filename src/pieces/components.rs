//! Connected components of a mask by runs and union-find (8-connected).
//!
//! He, Chao, Suzuki and Wu, "Fast connected-component labeling", Pattern Recognition 42 (2009) 1977–1987, describe the
//! run-based two-scan method in its general form.

use std::collections::VecDeque;
use std::ops::Range;

use super::mask::{BELT, CORE, UNSEEN};

/// A stretch of cells of one row that belong to one component.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Run {
    /// Row of the mask.
    pub row: u32,
    /// First column.
    pub first: u32,
    /// One past the last column.
    pub end: u32,
    /// Component index.
    pub component: u32,
}

/// A connected component.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Component {
    /// Rows it spans in the mask.
    pub rows: Range<usize>,
    /// Columns it spans.
    pub columns: Range<usize>,
    /// Number of cells.
    pub cells: usize,
    /// Number of cells above the least height of a piece.
    pub core_cells: usize,
}

/// All runs in order of rows and columns, and the components in order of their first cell.
#[derive(Debug, Clone, Default)]
pub struct Components {
    /// The runs.
    pub runs: Vec<Run>,
    /// The components.
    pub components: Vec<Component>,
}

/// Labels the cells of `mask` that are neither belt nor unseen.
pub fn label(mask: &[u8], columns: usize) -> Components {
    let mut rows = RowRuns::default();
    for (row, cells) in mask.chunks_exact(columns).enumerate() {
        rows.push(row, cells);
    }
    rows.connect(0)
}

/// The runs of rows in their order, not yet told what they hang together with.
#[derive(Debug, Default)]
pub struct RowRuns {
    runs: VecDeque<RowRun>,
}

#[derive(Debug, Clone, Copy)]
struct RowRun {
    row: usize,
    first: u32,
    end: u32,
    core_cells: u32,
}

impl RowRuns {
    /// Adds the runs of the mask's row `row`, which comes after all rows before.
    pub fn push(&mut self, row: usize, cells: &[u8]) {
        let mut column = 0;
        while let Some(first) = next_where(cells, column, true) {
            let end = next_where(cells, first, false).unwrap_or(cells.len());
            self.runs.push_back(RowRun {
                row,
                first: first as u32,
                end: end as u32,
                core_cells: core_cells(&cells[first..end]),
            });
            column = end;
        }
    }

    /// Forgets rows before `row`.
    pub fn forget_before(&mut self, row: usize) {
        self.runs
            .drain(..self.runs.partition_point(|run| run.row < row));
    }

    /// Forgets rows from `row` on.
    pub fn forget_from(&mut self, row: usize) {
        self.runs
            .truncate(self.runs.partition_point(|run| run.row < row));
    }

    /// The components; rows are counted from `first_row`.
    pub fn connect(&self, first_row: usize) -> Components {
        let mut parents: Vec<u32> = Vec::with_capacity(self.runs.len());
        let mut above: Range<usize> = 0..0;
        let (mut start, mut row) = (0, 0);
        let mut candidate = 0;
        for (index, run) in self.runs.iter().enumerate() {
            if run.row != row {
                // Only the row just above touches.
                above = if run.row == row + 1 {
                    start..index
                } else {
                    index..index
                };
                candidate = above.start;
                (start, row) = (index, run.row);
            }
            let label = index as u32;
            parents.push(label);
            // Runs above that end before this one begins (diagonals included) can't touch later ones either.
            while candidate < above.end && self.runs[candidate].end < run.first {
                candidate += 1;
            }
            let mut touching = candidate;
            while touching < above.end && self.runs[touching].first <= run.end {
                union(&mut parents, touching as u32, label);
                touching += 1;
            }
        }
        self.collect(&mut parents, first_row)
    }

    fn collect(&self, parents: &mut [u32], first_row: usize) -> Components {
        let mut components: Vec<Component> = Vec::new();
        let mut runs: Vec<Run> = Vec::with_capacity(self.runs.len());
        for (label, of_row) in self.runs.iter().enumerate() {
            let row = of_row.row - first_row;
            let columns = of_row.first as usize..of_row.end as usize;
            let root = find(parents, label as u32) as usize;
            // A root comes before all that hang from it, so it has its component already.
            let index = if root == label {
                components.push(Component {
                    rows: row..row + 1,
                    columns: columns.clone(),
                    cells: 0,
                    core_cells: 0,
                });
                components.len() - 1
            } else {
                runs[root].component as usize
            };
            let component = &mut components[index];
            component.rows.end = component.rows.end.max(row + 1);
            component.columns.start = component.columns.start.min(columns.start);
            component.columns.end = component.columns.end.max(columns.end);
            component.cells += columns.len();
            component.core_cells += of_row.core_cells as usize;
            runs.push(Run {
                row: row as u32,
                first: of_row.first,
                end: of_row.end,
                component: index as u32,
            });
        }
        Components { runs, components }
    }
}

fn stands(cell: u8) -> bool {
    (cell != BELT) & (cell != UNSEEN)
}

/// The next column from `column` on whose cell stands, or does not; whole blocks of others are passed over.
fn next_where(cells: &[u8], mut column: usize, standing: bool) -> Option<usize> {
    const BLOCK: usize = 32;
    let is = |&cell: &u8| stands(cell) == standing;
    while let Some(block) = cells.get(column..column + BLOCK) {
        if block.iter().fold(false, |any, cell| any | is(cell)) {
            break;
        }
        column += BLOCK;
    }
    let next = cells.get(column..)?.iter().position(is)?;
    Some(column + next)
}

fn core_cells(cells: &[u8]) -> u32 {
    // Blocks short enough for sums of bytes.
    let count = |block: &[u8]| block.iter().map(|&cell| u8::from(cell == CORE)).sum::<u8>();
    cells.chunks(128).map(|block| u32::from(count(block))).sum()
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
    // The smaller label wins, so that components keep the order of their first cells.
    parents[one.max(two) as usize] = one.min(two);
}

#[cfg(test)]
mod tests {
    use super::*;

    #[track_caller]
    fn check(picture: &str, expected: usize) {
        let columns = picture.lines().next().unwrap().len();
        let mask: Vec<u8> = picture
            .lines()
            .flat_map(str::bytes)
            .map(|byte| u8::from(byte == b'#'))
            .collect();
        let found = label(&mask, columns);
        assert_eq!(found.components.len(), expected, "{picture}");
        let cells: usize = found
            .components
            .iter()
            .map(|component| component.cells)
            .sum();
        assert_eq!(cells, mask.iter().filter(|&&cell| cell == 1).count());
    }

    #[test]
    fn corners_connect() {
        check("#..\n.#.\n..#", 1);
        check("..#\n.#.\n#..", 1);
    }

    #[test]
    fn a_gap_of_one_cell_parts() {
        check("#.#\n#.#", 2);
        check("###\n...\n###", 2);
    }

    #[test]
    fn arms_that_meet_later_are_one() {
        check("#.#.#\n#.#.#\n#####", 1);
        check("#####\n#...#\n#.#.#\n#...#\n#####", 2);
    }

    #[test]
    fn nothing_gives_nothing() {
        check("...\n...", 0);
    }
}
