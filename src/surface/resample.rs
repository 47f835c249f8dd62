//! Skew, lean and uneven encoder steps undone: each column's samples moved along y onto the regular grid.

use std::collections::VecDeque;

use super::grid::SurfaceGrid;
use super::scatter::{Placed, step};

/// Tallest product for which lean's shift is allowed for when rows are called complete, mm.
const TALLEST_MM: f64 = 400.0;

/// Moves rows of samples onto the grid's rows. Rows arrive in order, leave in order.
#[derive(Debug)]
pub struct Resampler {
    grid: SurfaceGrid,
    /// skew·(x − cx) of each column, mm.
    skew_mm: Vec<f64>,
    lean: f64,
    along_scale: f64,
    /// The last sample of each column, none if it was missing.
    before: Vec<Option<Placed>>,
    /// Places of a row's samples, in rows of the grid.
    places: Vec<f64>,
    /// Rows under construction: heights, and whether they were interpolated.
    open: VecDeque<(Vec<f32>, Vec<bool>)>,
    /// Grid row of `open`'s front.
    first_open: usize,
    reach_mm: f64,
}

impl Resampler {
    /// `skew_mrad` and `lean_mrad` as in the error model; `along_scale` turns a measured y into a true one.
    pub fn new(grid: SurfaceGrid, along_scale: f64, skew_mrad: f64, lean_mrad: f64) -> Self {
        let cx_mm = grid.x_origin_mm + grid.width_mm() / 2.0;
        let skew_mm: Vec<f64> = (0..grid.columns)
            .map(|column| skew_mrad * 1e-3 * (grid.x_mm(column as f64) - cx_mm))
            .collect();
        let widest_mm = skew_mm
            .iter()
            .fold(0.0_f64, |widest, shift| widest.max(shift.abs()));
        let lean = lean_mrad * 1e-3;
        Self {
            reach_mm: widest_mm + lean.abs() * TALLEST_MM + 2.0 * grid.pitch_along_mm,
            before: vec![None; grid.columns],
            places: Vec::with_capacity(grid.columns),
            open: VecDeque::new(),
            first_open: 0,
            grid,
            skew_mm,
            lean,
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
        let grid = self.grid;
        let lean = self.lean;
        let samples = heights_mm.iter().zip(&self.skew_mm);
        self.places.clear();
        self.places.extend(samples.map(|(&height_mm, skew_mm)| {
            place(&grid, y_mm - skew_mm - lean * f64::from(height_mm))
        }));
        // Places of missing samples are not numbers, which are no maximum.
        let farthest = self.places.iter().copied().fold(f64::MIN, f64::max);
        self.open_until(farthest);
        let open = self.open.make_contiguous();
        let samples = heights_mm.iter().zip(&self.places).zip(&mut self.before);
        for (column, ((&height_mm, &place), before)) in samples.enumerate() {
            if height_mm.is_nan() {
                *before = None;
                continue;
            }
            let next = Placed { place, height_mm };
            step(before.replace(next), next, |row, height_mm, exact| {
                let index = usize::try_from(row - self.first_open as i64);
                let row = index.ok().and_then(|index| open.get_mut(index));
                if let Some((heights, interpolated)) = row
                    && (exact || !interpolated[column])
                {
                    heights[column] = height_mm;
                    interpolated[column] = exact;
                }
            });
        }
        let done = place(&grid, y_mm - self.reach_mm).floor();
        while (self.first_open as f64) < done {
            self.pop(&mut complete);
        }
    }

    /// Hands over what is left, up to grid row `end`.
    pub fn finish(&mut self, end: usize, mut complete: impl FnMut(&[f32])) {
        while self.first_open < end {
            self.pop(&mut complete);
        }
    }

    fn pop(&mut self, complete: &mut impl FnMut(&[f32])) {
        match self.open.pop_front() {
            Some((row, _)) => complete(&row),
            None => complete(&vec![f32::NAN; self.grid.columns]),
        }
        self.first_open += 1;
    }

    /// Opens the rows up to the one that a sample at `place` may lie in.
    fn open_until(&mut self, place: f64) {
        let columns = self.grid.columns;
        let last = place + 0.5;
        while (self.first_open + self.open.len()) as f64 <= last {
            self.open
                .push_back((vec![f32::NAN; columns], vec![false; columns]));
        }
    }
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
