//! A flood from above that merges what a shallow pass divides.

use ndarray::Array2;

/// When two basins that meet are one.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Merge {
    /// They are one if the pass between them is at least this share of the lower top.
    pub ratio: f32,
    /// They are one if either has fewer cells than this above the pass.
    pub least_cells: usize,
}

/// A basin being flooded.
#[derive(Debug, Clone, Copy)]
struct Basin {
    parent: usize,
    top: f32,
    cells: usize,
}

/// Divides each part (1, 2, …; 0 is outside) into basins of `values` by flooding from the highest value down.
///
/// Returns parts numbered from 1 in order of their first cell. Equal values are flooded in order of rows and columns.
pub fn flood(values: &Array2<f32>, parts: &Array2<u16>, merge: &Merge) -> Array2<u16> {
    let (rows, columns) = values.dim();
    let at = |row: usize, column: usize| row * columns + column;
    let mut order: Vec<(usize, usize)> = parts
        .indexed_iter()
        .filter(|(_, part)| **part > 0)
        .map(|(cell, _)| cell)
        .collect();
    order.sort_by(|&one, &two| values[two].total_cmp(&values[one]).then(one.cmp(&two)));
    let mut basins: Vec<Basin> = Vec::new();
    let mut basin_of = vec![usize::MAX; rows * columns];
    for (row, column) in order {
        let value = values[[row, column]];
        let part = parts[[row, column]];
        let mut chosen: Option<usize> = None;
        for (r, c) in around(row, column, rows, columns) {
            let neighbour = basin_of[at(r, c)];
            if neighbour == usize::MAX || parts[[r, c]] != part {
                continue;
            }
            let root = find(&mut basins, neighbour);
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
            if shallow || small {
                basins[low].parent = high;
                basins[high].cells += basins[low].cells;
                chosen = Some(high);
            } else {
                // A lasting border: the cell goes to the larger side.
                chosen = Some(if basins[low].cells > basins[high].cells {
                    low
                } else {
                    high
                });
            }
        }
        let basin = chosen.unwrap_or_else(|| {
            basins.push(Basin {
                parent: basins.len(),
                top: value,
                cells: 0,
            });
            basins.len() - 1
        });
        basins[basin].cells += 1;
        basin_of[at(row, column)] = basin;
    }
    number(basin_of, &mut basins, (rows, columns))
}

fn number(basin_of: Vec<usize>, basins: &mut [Basin], size: (usize, usize)) -> Array2<u16> {
    let mut numbers = vec![0_u16; basins.len()];
    let mut next = 0_u16;
    let mut parts = Array2::zeros(size);
    for (index, basin) in basin_of.into_iter().enumerate() {
        if basin == usize::MAX {
            continue;
        }
        let root = find(basins, basin);
        if numbers[root] == 0 {
            next = next.saturating_add(1);
            numbers[root] = next;
        }
        parts[[index / size.1, index % size.1]] = numbers[root];
    }
    parts
}

fn find(basins: &mut [Basin], mut index: usize) -> usize {
    while basins[index].parent != index {
        basins[index].parent = basins[basins[index].parent].parent;
        index = basins[index].parent;
    }
    index
}

fn around(
    row: usize,
    column: usize,
    rows: usize,
    columns: usize,
) -> impl Iterator<Item = (usize, usize)> {
    let near = |at: usize, end: usize| at.saturating_sub(1)..(at + 2).min(end);
    near(row, rows)
        .flat_map(move |r| near(column, columns).map(move |c| (r, c)))
        .filter(move |&cell| cell != (row, column))
}
