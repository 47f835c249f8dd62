//! Skew, lean and uneven encoder steps undone: each column's samples moved along y onto the regular grid.

use std::collections::VecDeque;

use super::grid::SurfaceGrid;
use super::scatter::{STEEPEST_SLOPE_MM, WIDEST_GAP_CELLS};

/// Tallest product for which lean's shift is allowed for when rows are called complete, mm.
const TALLEST_MM: f64 = 400.0;

/// Columns worked on at a time: their arithmetic runs side by side, and all but few blocks move to one row of the grid.
const BLOCK: usize = 16;

/// One value a column of a block.
type Block = [f32; BLOCK];

/// Moves rows of samples onto the grid's rows. Rows arrive in order, leave in order.
///
/// Every column is treated as [`step`](super::scatter::step) does, block by block. Columns that are missing in the last block
/// count as not seen.
#[derive(Debug)]
pub struct Resampler {
    grid: SurfaceGrid,
    /// skew·(x − cx) of each column, in rows of the grid.
    skew_rows: Vec<Block>,
    /// What a millimetre of height moves a sample, in rows of the grid.
    lean_rows: f32,
    along_scale: f64,
    /// The samples that are taken, and the ones before them.
    next: Samples,
    before: Samples,
    /// Rows under construction.
    open: VecDeque<OpenRow>,
    /// One that is done with, to be used again.
    spare: Option<OpenRow>,
    /// Grid row of `open`'s front.
    first_open: i64,
    reach_mm: f64,
}

/// One row of samples, in blocks; a missing one is not a number.
#[derive(Debug)]
struct Samples {
    /// Places along, in rows of the grid from `base`.
    places: Vec<Block>,
    heights_mm: Vec<Block>,
    base: i64,
}

/// A row of the grid: heights between two samples, and those of a lone sample that lies in the cell, which give way.
#[derive(Debug)]
struct OpenRow {
    between_mm: Vec<Block>,
    lone_mm: Vec<Block>,
}

impl Resampler {
    /// `skew_mrad` and `lean_mrad` as in the error model; `along_scale` turns a measured y into a true one.
    pub fn new(grid: SurfaceGrid, along_scale: f64, skew_mrad: f64, lean_mrad: f64) -> Self {
        let cx_mm = grid.x_origin_mm + grid.width_mm() / 2.0;
        let mut skew_rows = blocks(grid.columns, 0.0);
        let mut widest_mm = 0.0_f64;
        for (column, rows) in skew_rows.as_flattened_mut()[..grid.columns]
            .iter_mut()
            .enumerate()
        {
            let shift_mm = skew_mrad * 1e-3 * (grid.x_mm(column as f64) - cx_mm);
            widest_mm = widest_mm.max(shift_mm.abs());
            *rows = (shift_mm / grid.pitch_along_mm) as f32;
        }
        let lean = lean_mrad * 1e-3;
        Self {
            reach_mm: widest_mm + lean.abs() * TALLEST_MM + 2.0 * grid.pitch_along_mm,
            next: Samples::missing(grid.columns),
            before: Samples::missing(grid.columns),
            open: VecDeque::new(),
            spare: None,
            first_open: 0,
            grid,
            skew_rows,
            lean_rows: (lean / grid.pitch_along_mm) as f32,
            along_scale,
        }
    }

    /// Takes the next row, measured at `y_measured_mm`; rows that are now complete are handed to `complete`.
    pub fn push(
        &mut self,
        y_measured_mm: f64,
        heights_mm: &[f32],
        mut complete: impl FnMut(&[f32]),
    ) {
        let y_mm = y_measured_mm / self.along_scale;
        let straight = place(&self.grid, y_mm);
        let base = straight.floor();
        self.next.base = base as i64;
        self.next.heights_mm.as_flattened_mut()[..heights_mm.len()].copy_from_slice(heights_mm);
        let farthest = self
            .next
            .put((straight - base) as f32, &self.skew_rows, self.lean_rows);
        // What is so high that lean moves it farther than rows are waited for has no place: it must not open rows without end.
        let reach = (self.reach_mm / self.grid.pitch_along_mm) as i64 + 1;
        self.open_until(self.next.base + (farthest as i64).saturating_add(1).min(reach));
        // Places count from the base of their own row.
        let back = (self.before.base - self.next.base) as f32;
        for block in 0..self.skew_rows.len() {
            self.step(block, back);
        }
        std::mem::swap(&mut self.before, &mut self.next);
        let done = place(&self.grid, y_mm - self.reach_mm).floor() as i64;
        while self.first_open < done {
            self.pop(&mut complete);
        }
    }

    /// Hands over what is left, up to grid row `end`.
    pub fn finish(&mut self, end: usize, mut complete: impl FnMut(&[f32])) {
        while self.first_open < end as i64 {
            self.pop(&mut complete);
        }
    }

    /// What the step from the samples before to the next decides, for one block of columns.
    fn step(&mut self, block: usize, back: f32) {
        let next = &self.next.places[block];
        let next_mm = &self.next.heights_mm[block];
        let before_mm = &self.before.heights_mm[block];
        let first = self.next.base - self.first_open;
        let [mut before, mut lone, mut last, mut last_but_one] = [[0.0_f32; BLOCK]; 4];
        for at in 0..BLOCK {
            before[at] = self.before.places[block][at] + back;
            lone[at] = floor(next[at] + 0.5);
            last[at] = floor(next[at]);
            last_but_one[at] = last[at] - 1.0;
        }
        put(&mut self.open, first, &lone, next_mm, |row| {
            &mut row.lone_mm[block]
        });
        let two = any(|at| last_but_one[at] >= before[at]);
        for cells in &[last_but_one, last][usize::from(!two)..] {
            let mut between_mm = [f32::NAN; BLOCK];
            for at in 0..BLOCK {
                let gap = next[at] - before[at];
                let rise_mm = next_mm[at] - before_mm[at];
                let decided =
                    (gap > 0.0) & (gap <= WIDEST_GAP_CELLS as f32) & (cells[at] >= before[at]);
                let share = (cells[at] - before[at]) / gap;
                let nearer = if share < 0.5 { 0.0 } else { 1.0 };
                let edge = rise_mm.abs() > STEEPEST_SLOPE_MM * gap;
                let share = if edge { nearer } else { share };
                let height_mm = before_mm[at] + share * rise_mm;
                between_mm[at] = if decided { height_mm } else { f32::NAN };
            }
            put(&mut self.open, first, cells, &between_mm, |row| {
                &mut row.between_mm[block]
            });
        }
    }

    fn pop(&mut self, complete: &mut impl FnMut(&[f32])) {
        self.first_open += 1;
        let Some(mut row) = self.open.pop_front() else {
            complete(&vec![f32::NAN; self.grid.columns]);
            return;
        };
        let lone = row.lone_mm.as_flattened();
        for (height_mm, &lone_mm) in row.between_mm.as_flattened_mut().iter_mut().zip(lone) {
            *height_mm = if height_mm.is_nan() {
                lone_mm
            } else {
                *height_mm
            };
        }
        complete(&row.between_mm.as_flattened()[..self.grid.columns]);
        self.spare = Some(row);
    }

    /// Opens the rows up to `last`.
    fn open_until(&mut self, last: i64) {
        while self.first_open + (self.open.len() as i64) <= last {
            let row = match self.spare.take() {
                Some(mut row) => {
                    row.between_mm.as_flattened_mut().fill(f32::NAN);
                    row.lone_mm.as_flattened_mut().fill(f32::NAN);
                    row
                }
                None => OpenRow {
                    between_mm: blocks(self.grid.columns, f32::NAN),
                    lone_mm: blocks(self.grid.columns, f32::NAN),
                },
            };
            self.open.push_back(row);
        }
    }
}

impl Samples {
    fn missing(columns: usize) -> Self {
        Self {
            places: blocks(columns, f32::NAN),
            heights_mm: blocks(columns, f32::NAN),
            base: 0,
        }
    }

    /// Places the samples, which without errors would lie at `place` from the base; returns the farthest.
    fn put(&mut self, place: f32, skew_rows: &[Block], lean_rows: f32) -> f32 {
        let mut farthest = [f32::MIN; BLOCK];
        let blocks = self.places.iter_mut().zip(&self.heights_mm).zip(skew_rows);
        for ((places, heights_mm), skew_rows) in blocks {
            for at in 0..BLOCK {
                let place = place - skew_rows[at] - lean_rows * heights_mm[at];
                places[at] = place;
                // Places of missing samples are not numbers, which are greater than none.
                farthest[at] = if place > farthest[at] {
                    place
                } else {
                    farthest[at]
                };
            }
        }
        farthest.into_iter().fold(f32::MIN, f32::max)
    }
}

/// Puts values into the rows of their cells, `first` being the place of cell 0 among the open rows; what is not a number stays out.
fn put(
    open: &mut VecDeque<OpenRow>,
    first: i64,
    cells: &Block,
    values_mm: &Block,
    of: impl Fn(&mut OpenRow) -> &mut Block,
) {
    let Some(one) = values_mm.iter().position(|value_mm| !value_mm.is_nan()) else {
        return;
    };
    let row = |cell: f32| usize::try_from(first.saturating_add(cell as i64)).ok();
    let wanted = cells[one];
    let apart = any(|at| (cells[at] != wanted) & !values_mm[at].is_nan());
    if !apart {
        if let Some(row) = row(cells[one]).and_then(|row| open.get_mut(row)) {
            let row_mm = of(row);
            // Written whole, so that no column is a choice.
            let mut put_mm = *row_mm;
            for at in 0..BLOCK {
                let (there_mm, value_mm) = (put_mm[at], values_mm[at]);
                put_mm[at] = if value_mm.is_nan() {
                    there_mm
                } else {
                    value_mm
                };
            }
            *row_mm = put_mm;
        }
        return;
    }
    for at in 0..BLOCK {
        if values_mm[at].is_nan() {
            continue;
        }
        if let Some(row) = row(cells[at]).and_then(|row| open.get_mut(row)) {
            of(row)[at] = values_mm[at];
        }
    }
}

/// Whether it is so for any column of a block.
#[inline]
fn any(so: impl Fn(usize) -> bool) -> bool {
    // No choice in it, so that all columns are asked at once.
    (0..BLOCK).fold(false, |any, at| any | so(at))
}

/// Blocks for so many columns.
fn blocks(columns: usize, value: f32) -> Vec<Block> {
    vec![[value; BLOCK]; columns.div_ceil(BLOCK)]
}

/// The next whole number below, of places up to some millions: without a call, and for several at once.
fn floor(place: f32) -> f32 {
    /// Where single precision has no digits behind the point any more.
    const WHOLE: f32 = (1 << 23) as f32 + (1 << 22) as f32;
    let nearest = (place + WHOLE) - WHOLE;
    nearest - if nearest > place { 1.0 } else { 0.0 }
}

/// Place along, in rows of the grid.
fn place(grid: &SurfaceGrid, y_mm: f64) -> f64 {
    (y_mm - grid.y_origin_mm) / grid.pitch_along_mm - 0.5
}

#[cfg(test)]
mod tests {
    use super::*;

    fn run(
        resampler: &mut Resampler,
        rows: usize,
        sample: impl Fn(f64, f64) -> f32,
    ) -> Vec<Vec<f32>> {
        let grid = resampler.grid;
        let mut out = Vec::new();
        for row in 0..rows {
            let y = (row as f64 + 0.5) * grid.pitch_along_mm * resampler.along_scale;
            let heights: Vec<f32> = (0..grid.columns)
                .map(|column| sample(grid.x_mm(column as f64), y))
                .collect();
            resampler.push(y, &heights, |row| out.push(row.to_vec()));
        }
        resampler.finish(rows, |row| out.push(row.to_vec()));
        out
    }

    #[test]
    fn skew_is_undone() {
        let grid = SurfaceGrid {
            columns: 60,
            x_origin_mm: 0.0,
            y_origin_mm: 0.0,
            pitch_across_mm: 0.5,
            pitch_along_mm: 0.5,
        };
        let mut resampler = Resampler::new(grid, 1.0, 20.0, 0.0);
        // Truth: z = 0.3·y. The instrument shows it at y_m = y + skew·(x − cx).
        let out = run(&mut resampler, 80, |x, y_m| {
            (0.3 * (y_m - 0.02 * (x - 15.0))) as f32
        });
        assert_eq!(out.len(), 80);
        for (row, heights) in out.iter().enumerate().skip(3).take(70) {
            for &height in heights {
                assert!((f64::from(height) - 0.3 * grid.y_mm(row as f64)).abs() < 1e-4);
            }
        }
    }

    /// Uneven steps, edges, missing samples, skew and lean: column by column what [`step`] decides.
    #[test]
    fn every_column_is_treated_as_the_step_between_two_samples_says() {
        use super::super::scatter::{Placed, step};
        let grid = SurfaceGrid {
            columns: 37,
            x_origin_mm: 0.0,
            y_origin_mm: 3.0,
            pitch_across_mm: 0.5,
            pitch_along_mm: 0.4,
        };
        let (rows, along_scale, skew_mrad, lean_mrad) = (60, 1.002, 40.0, 9.0);
        let mut resampler = Resampler::new(grid, along_scale, skew_mrad, lean_mrad);
        let mut expected = vec![vec![(f32::NAN, false); grid.columns]; rows];
        let mut before = vec![None; grid.columns];
        let mut out = Vec::new();
        let mut y_measured_mm = 3.2;
        for row in 0..rows {
            y_measured_mm += 0.4 + 0.3 * (row as f64 * 1.7).sin();
            let heights: Vec<f32> = (0..grid.columns)
                .map(|column| match (row * 7 + column * 5) % 23 {
                    0 | 1 => f32::NAN,
                    2..=9 => 30.0 + column as f32 * 0.1,
                    kind => kind as f32 * 0.05,
                })
                .collect();
            for (column, &height_mm) in heights.iter().enumerate() {
                let x_mm = grid.x_mm(column as f64) - 37.0 * 0.25;
                let shift_mm = 1e-3 * (skew_mrad * x_mm + lean_mrad * f64::from(height_mm));
                let place = place(&grid, y_measured_mm / along_scale - shift_mm);
                if height_mm.is_nan() {
                    before[column] = None;
                    continue;
                }
                let next = Placed { place, height_mm };
                step(
                    before[column].replace(next),
                    next,
                    |cell, value_mm, between| {
                        let row = usize::try_from(cell)
                            .ok()
                            .and_then(|row| expected.get_mut(row));
                        if let Some(row) = row
                            && (between || !row[column].1)
                        {
                            row[column] = (value_mm, between);
                        }
                    },
                );
            }
            resampler.push(y_measured_mm, &heights, |row| out.push(row.to_vec()));
        }
        resampler.finish(rows, |row| out.push(row.to_vec()));
        let mut seen = 0;
        for (row, (found, expected)) in out.iter().zip(&expected).enumerate() {
            for (found, (expected, _)) in found.iter().zip(expected) {
                let apart = (found - expected).abs() < 1e-4 * expected.abs().max(1.0);
                assert!(
                    apart || (found.is_nan() && expected.is_nan()),
                    "{row}: {found}, {expected}"
                );
                seen += usize::from(!found.is_nan());
            }
        }
        assert!(seen > rows * grid.columns / 2, "{seen}");
    }

    #[test]
    fn an_absurd_height_opens_no_rows_without_end() {
        let grid = SurfaceGrid {
            columns: 3,
            x_origin_mm: 0.0,
            y_origin_mm: 0.0,
            pitch_across_mm: 0.5,
            pitch_along_mm: 0.5,
        };
        for lean_mrad in [-2.0, 2.0] {
            let mut resampler = Resampler::new(grid, 1.0, 0.0, lean_mrad);
            let out = run(&mut resampler, 40, |x, y| match (x, y) {
                (0.75, 10.25) => 1e30,
                (1.25, 10.25) => -1e30,
                _ => 5.0,
            });
            assert_eq!(out.len(), 40);
            assert!(resampler.open.len() < 10, "{}", resampler.open.len());
            // The column beside them is as it was.
            assert!(out.iter().skip(1).take(38).all(|row| row[0] == 5.0));
        }
    }

    #[test]
    fn without_errors_nothing_changes() {
        let grid = SurfaceGrid {
            columns: 5,
            x_origin_mm: 0.0,
            y_origin_mm: 0.0,
            pitch_across_mm: 0.5,
            pitch_along_mm: 0.5,
        };
        let mut resampler = Resampler::new(grid, 1.0, 0.0, 0.0);
        let sample = |x: f64, y: f64| {
            if (x - y).abs() < 0.1 {
                f32::NAN
            } else {
                (x * y) as f32
            }
        };
        let out = run(&mut resampler, 10, sample);
        for (row, heights) in out.iter().enumerate() {
            for (column, &height) in heights.iter().enumerate() {
                let expected = sample(grid.x_mm(column as f64), grid.y_mm(row as f64));
                assert!(height == expected || (height.is_nan() && expected.is_nan()));
            }
        }
    }
}
