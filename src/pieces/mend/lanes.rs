//! How far the piece reaches in each lane.

use std::ops::Range;

use ndarray::ArrayView2;

use super::super::region::Cell;

/// Lanes looked at together.
const BLOCK: usize = 64;

/// The first stretch of the piece's own cells of each lane (column); empty where it has none.
pub fn own_stretches(cells: &ArrayView2<'_, Cell>) -> Vec<Range<usize>> {
    let rows_lie_together = cells.outer_iter().all(|row| row.to_slice().is_some());
    if rows_lie_together {
        return by_rows(cells);
    }
    let stretch = |lane: ndarray::ArrayView1<'_, Cell>| {
        let mut cells = lane.iter();
        let Some(first) = cells.position(|&cell| cell == Cell::Own) else {
            return 0..0;
        };
        let more = cells.position(|&cell| cell != Cell::Own);
        first..more.map_or(lane.len(), |more| first + 1 + more)
    };
    cells.columns().into_iter().map(stretch).collect()
}

/// Row by row; blocks of lanes that all are in a stretch and stay in it, or are in none and stay out of any, are passed over.
fn by_rows(cells: &ArrayView2<'_, Cell>) -> Vec<Range<usize>> {
    let (rows, lanes) = cells.dim();
    let mut stretches = vec![0..0; lanes];
    // Of the row before.
    let mut inside = vec![false; lanes];
    for (row, cells) in cells.outer_iter().enumerate() {
        let cells = cells.to_slice().unwrap_or_default();
        let blocks = cells.chunks(BLOCK).zip(inside.chunks_mut(BLOCK));
        for ((cells, inside), stretches) in blocks.zip(stretches.chunks_mut(BLOCK)) {
            let states = cells.iter().zip(&*inside);
            let changes = states.fold(false, |any, (&cell, &inside)| {
                any | ((cell == Cell::Own) != inside)
            });
            if !changes {
                continue;
            }
            for ((&cell, inside), stretch) in cells.iter().zip(inside).zip(stretches) {
                let own = cell == Cell::Own;
                match (*inside, own) {
                    (false, true) if stretch.end == 0 => *stretch = row..rows,
                    (true, false) if stretch.end == rows => stretch.end = row,
                    _ => {}
                }
                *inside = own;
            }
        }
    }
    stretches
}

#[cfg(test)]
mod tests {
    use super::*;
    use ndarray::Array2;

    #[test]
    fn stretches_are_those_of_a_search() {
        let cells = Array2::from_shape_fn((40, 150), |(row, column)| {
            let one = (3 + column / 9..20).contains(&row) && column > 4;
            let two = row > 30 && column % 70 > 50;
            if one || two { Cell::Own } else { Cell::Free }
        });
        let by_rows = own_stretches(&cells.view());
        let turned = cells.t().as_standard_layout().into_owned();
        assert_eq!(by_rows, own_stretches(&turned.t()));
        for (lane, stretch) in by_rows.iter().enumerate() {
            let own = |row: usize| cells[[row, lane]] == Cell::Own;
            let first = (0..40).find(|&row| own(row));
            assert_eq!(first.unwrap_or(0), stretch.start);
            assert!(stretch.clone().all(own));
            assert!(first.is_none() || stretch.end == 40 || !own(stretch.end));
        }
    }
}
