//! Lanes as slices, though they run down the columns of a window.

use ndarray::{ArrayView2, Axis, s};

use super::super::region::Cell;

/// Lanes copied side by side: a cache line of heights.
const BLOCK: usize = 16;

/// Calls `visit` for each lane (column) of a block of lanes in which there is some of the piece, in order: its number, the first
/// cell handed over, and heights and cells from there on, from one cell before the block's first own one to its last.
pub fn each_lane(
    heights_mm: &ArrayView2<'_, f32>,
    cells: &ArrayView2<'_, Cell>,
    mut visit: impl FnMut(usize, usize, &[f32], &[Cell]),
) {
    let lanes = heights_mm.ncols();
    let (mut lane_mm, mut lane_cells) = (Vec::new(), Vec::new());
    for first in (0..lanes).step_by(BLOCK) {
        let block = first..(first + BLOCK).min(lanes);
        let cells = cells.slice(s![.., block.clone()]);
        let Some(span) = own_span(&cells) else {
            continue;
        };
        let heights_mm = heights_mm.slice(s![span.clone(), block.clone()]);
        turn(&heights_mm, &mut lane_mm);
        turn(&cells.slice(s![span.clone(), ..]), &mut lane_cells);
        let each = lane_mm
            .chunks(span.len())
            .zip(lane_cells.chunks(span.len()));
        for (lane, (heights_mm, cells)) in block.zip(each) {
            visit(lane, span.start, heights_mm, cells);
        }
    }
}

/// From one cell before the first own cell of any lane to one past the last.
fn own_span(cells: &ArrayView2<'_, Cell>) -> Option<std::ops::Range<usize>> {
    let own = |cells: ndarray::ArrayView1<'_, Cell>| {
        let is_own = |any: bool, &cell: &Cell| any | (cell == Cell::Own);
        match cells.to_slice() {
            Some(cells) => cells.iter().fold(false, is_own),
            None => cells.iter().fold(false, is_own),
        }
    };
    let mut rows = cells.axis_iter(Axis(0));
    let first = rows.position(own)?;
    let after = rows.rposition(own).map_or(0, |last| last + 1);
    Some(first.saturating_sub(1)..first + 1 + after)
}

/// Lane after lane.
fn turn<T: Copy>(part: &ArrayView2<'_, T>, out: &mut Vec<T>) {
    out.clear();
    for lane in part.columns() {
        out.extend(lane.iter().copied());
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use ndarray::Array2;

    #[test]
    fn lanes_are_the_columns() {
        let heights = Array2::from_shape_fn((40, 50), |(row, column)| (row * 100 + column) as f32);
        let cells = Array2::from_shape_fn((40, 50), |(row, column)| {
            let own = row > 4 && row < 30 && column > 17 && column < 45;
            if own { Cell::Own } else { Cell::Free }
        });
        let mut lanes = Vec::new();
        each_lane(&heights.view(), &cells.view(), |lane, from, mm, of| {
            lanes.push(lane);
            assert_eq!((from, mm.len(), of.len()), (4, 26, 26));
            for (place, (&height, &cell)) in (from..).zip(mm.iter().zip(of)) {
                assert_eq!(
                    (height, cell),
                    (heights[[place, lane]], cells[[place, lane]])
                );
            }
        });
        assert_eq!(lanes, (16..48).collect::<Vec<_>>());
    }
}
