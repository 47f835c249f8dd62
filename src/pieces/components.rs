//! Connected components of a mask by runs and union-find (8-connected).
//!
//! He, Chao, Suzuki and Wu, "Fast connected-component labeling", Pattern Recognition 42 (2009) 1977–1987, describe the
//! run-based two-scan method in its general form.

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
    let mut runs: Vec<Run> = Vec::new();
    let mut parents: Vec<u32> = Vec::new();
    let mut cores: Vec<u32> = Vec::new();
    let mut above: Range<usize> = 0..0;
    for (row, cells) in mask.chunks_exact(columns).enumerate() {
        let start = runs.len();
        let mut candidate = above.start;
        let mut column = 0;
        while let Some(first) = next_where(cells, column, true) {
            let end = next_where(cells, first, false).unwrap_or(columns);
            let label = runs.len() as u32;
            parents.push(label);
            cores.push(core_cells(&cells[first..end]));
            // Runs above that end before this one begins (diagonals included) can't touch later ones either.
            while candidate < above.end && (runs[candidate].end as usize) < first {
                candidate += 1;
            }
            let mut touching = candidate;
            while touching < above.end && runs[touching].first as usize <= end {
                union(&mut parents, touching as u32, label);
                touching += 1;
            }
            runs.push(Run {
                row: row as u32,
                first: first as u32,
                end: end as u32,
                component: 0,
            });
            column = end;
            if column >= columns {
                break;
            }
        }
        above = start..runs.len();
    }
    collect(runs, &mut parents, &cores)
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

fn collect(mut runs: Vec<Run>, parents: &mut [u32], cores: &[u32]) -> Components {
    let mut components: Vec<Component> = Vec::new();
    let mut index_of_root = vec![u32::MAX; runs.len()];
    for label in 0..runs.len() {
        let root = find(parents, label as u32) as usize;
        if index_of_root[root] == u32::MAX {
            index_of_root[root] = components.len() as u32;
            let run = &runs[label];
            components.push(Component {
                rows: run.row as usize..run.row as usize + 1,
                columns: run.first as usize..run.end as usize,
                cells: 0,
                core_cells: 0,
            });
        }
        let run = &mut runs[label];
        run.component = index_of_root[root];
        let component = &mut components[run.component as usize];
        component.rows.start = component.rows.start.min(run.row as usize);
        component.rows.end = component.rows.end.max(run.row as usize + 1);
        component.columns.start = component.columns.start.min(run.first as usize);
        component.columns.end = component.columns.end.max(run.end as usize);
        component.cells += (run.end - run.first) as usize;
        component.core_cells += cores[label] as usize;
    }
    Components { runs, components }
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
