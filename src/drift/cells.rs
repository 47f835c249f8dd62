//! A height frame made coarse, its level regions, and the bodies that stand on one of them.

use crate::calibration::Target;
use crate::stats::{median, quantile, weighted_least_squares};

use super::field::HeightField;

/// Largest slope between neighbouring cells of a level region: more than any misalignment, less than any flank.
const LEVEL_SLOPE: f32 = 0.15;
/// Cells across the narrowest thing on a target.
const CELLS_PER_FEATURE: f64 = 8.0;
/// Cells are at most this wide, mm.
const LARGEST_CELL_MM: f64 = 4.0;
/// Fewest samples' pitches in a cell.
const PITCHES_PER_CELL: f64 = 2.5;

/// Heights on a square raster; NaN where nothing was seen.
#[derive(Debug, Clone)]
pub(super) struct Cells {
    pub columns: usize,
    pub rows: usize,
    pub cell_mm: f64,
    /// y of the first row's lower edge, mm.
    pub start_mm: f64,
    pub z_mm: Vec<f32>,
}

/// A plane `z = at_origin + slope·(x, y)`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct LevelPlane {
    pub at_origin_mm: f64,
    pub slope: [f64; 2],
}

/// Neighbouring cells without a step between them.
#[derive(Debug, Clone)]
pub(super) struct LevelRegion {
    pub area_mm2: f64,
    pub plane: LevelPlane,
}

/// Something that stands on a plane.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Blob {
    /// Middle of its upper part, mm.
    pub centre: [f64; 2],
    /// Height of its top over the plane, mm.
    pub height_mm: f64,
    /// Area at half of that height, mm².
    pub area_mm2: f64,
}

impl LevelPlane {
    pub(super) fn at(&self, x_mm: f64, y_mm: f64) -> f64 {
        self.at_origin_mm + self.slope[0] * x_mm + self.slope[1] * y_mm
    }
}

/// The side of cells that show a target's bodies in a field of these pitches.
pub(super) fn cell_size_mm(target: &Target, field: &HeightField) -> f64 {
    let tops = target.frustums.iter().map(|f| 0.5 * (f.top_mm + f.base_mm));
    let steps = target.steps.iter().map(|s| s.across_mm.min(s.along_mm));
    let spheres = target.spheres.iter().map(|s| s.seen_radius_mm());
    let narrowest = tops.chain(steps).chain(spheres).fold(f64::MAX, f64::min);
    let finest = PITCHES_PER_CELL * field.pitch_across_mm.max(field.pitch_along_mm);
    (narrowest / CELLS_PER_FEATURE)
        .min(LARGEST_CELL_MM)
        .max(finest)
}

impl Cells {
    /// Medians of the samples of each cell. Rows are placed by their own y.
    pub(super) fn of_field(field: &HeightField, cell_mm: f64) -> Self {
        let columns = (field.columns as f64 * field.pitch_across_mm / cell_mm).ceil() as usize;
        let start_mm = field
            .y_mm
            .first()
            .map_or(0.0, |y| y - 0.5 * field.pitch_along_mm);
        let end_mm = field.y_mm.last().copied().unwrap_or(0.0);
        // An encoder record may claim any length; beyond a frame's own rows cells are empty and of no use.
        let rows = (((end_mm - start_mm) / cell_mm).floor() as usize + 1).min(field.rows);
        let mut z_mm = vec![f32::NAN; columns * rows];
        let mut row = 0;
        let mut samples: Vec<Vec<f32>> = vec![Vec::new(); columns];
        for cell_row in 0..rows {
            let end = start_mm + (cell_row + 1) as f64 * cell_mm;
            while row < field.rows && field.y_mm[row] < end {
                for (column, &z) in field.row(row).iter().enumerate() {
                    if !z.is_nan() {
                        let cell = (field.x_mm(column) / cell_mm) as usize;
                        samples[cell.min(columns - 1)].push(z);
                    }
                }
                row += 1;
            }
            for (column, samples) in samples.iter_mut().enumerate() {
                if let Some(z) = median(samples) {
                    z_mm[cell_row * columns + column] = z;
                }
                samples.clear();
            }
        }
        Self {
            columns,
            rows,
            cell_mm,
            start_mm,
            z_mm,
        }
    }

    /// The target itself as a perfect scanner would see it from above, lying unturned with its corner at the origin.
    pub(super) fn of_target(target: &Target, cell_mm: f64) -> Self {
        let count = |size: f64| (size / cell_mm).ceil().max(1.0) as usize;
        let (columns, rows) = (count(target.plate.across_mm), count(target.plate.along_mm));
        let z_mm = (0..rows * columns)
            .map(|index| {
                let x = ((index % columns) as f64 + 0.5) * cell_mm;
                let y = ((index / columns) as f64 + 0.5) * cell_mm;
                target.height_mm(x, y).map_or(f32::NAN, |z| z as f32)
            })
            .collect();
        Self {
            columns,
            rows,
            cell_mm,
            start_mm: 0.0,
            z_mm,
        }
    }

    pub(super) fn centre(&self, index: usize) -> [f64; 2] {
        [
            ((index % self.columns) as f64 + 0.5) * self.cell_mm,
            self.start_mm + ((index / self.columns) as f64 + 0.5) * self.cell_mm,
        ]
    }

    /// The height at a place, if a cell there has one.
    pub(super) fn height_at(&self, [x, y]: [f64; 2]) -> Option<f64> {
        let y = y - self.start_mm;
        if x < 0.0 || y < 0.0 {
            return None;
        }
        let (column, row) = ((x / self.cell_mm) as usize, (y / self.cell_mm) as usize);
        if self.columns <= column || self.rows <= row {
            return None;
        }
        let z = self.z_mm[row * self.columns + column];
        (!z.is_nan()).then_some(f64::from(z))
    }

    /// Connected sets of cells that `joins` allows into one, in the order of their first cells.
    fn connected(&self, joins: impl Fn(usize, usize) -> bool) -> Vec<Vec<usize>> {
        let mut seen = vec![false; self.z_mm.len()];
        let mut found = Vec::new();
        for start in 0..self.z_mm.len() {
            if seen[start] || !joins(start, start) {
                continue;
            }
            seen[start] = true;
            let mut members = vec![start];
            let mut next = 0;
            while let Some(&cell) = members.get(next) {
                next += 1;
                let (column, row) = (cell % self.columns, cell / self.columns);
                let beside = [
                    (column > 0).then(|| cell - 1),
                    (column + 1 < self.columns).then(|| cell + 1),
                    (row > 0).then(|| cell - self.columns),
                    (row + 1 < self.rows).then(|| cell + self.columns),
                ];
                for other in beside.into_iter().flatten() {
                    if !seen[other] && joins(cell, other) {
                        seen[other] = true;
                        members.push(other);
                    }
                }
            }
            found.push(members);
        }
        found
    }

    /// Level regions of at least `least_mm2`, largest first.
    pub(super) fn level_regions(&self, least_mm2: f64) -> Vec<LevelRegion> {
        let step = LEVEL_SLOPE * self.cell_mm as f32;
        let cell_mm2 = self.cell_mm * self.cell_mm;
        let sets = self.connected(|a, b| (self.z_mm[a] - self.z_mm[b]).abs() < step);
        let mut regions: Vec<LevelRegion> = sets
            .iter()
            .filter(|set| least_mm2 <= set.len() as f64 * cell_mm2)
            .filter_map(|set| {
                Some(LevelRegion {
                    area_mm2: set.len() as f64 * cell_mm2,
                    plane: self.plane(set)?,
                })
            })
            .collect();
        regions.sort_by(|a, b| b.area_mm2.total_cmp(&a.area_mm2));
        regions
    }

    fn plane(&self, set: &[usize]) -> Option<LevelPlane> {
        let observations = set.iter().map(|&cell| {
            let [x, y] = self.centre(cell);
            ([1.0, x, y], f64::from(self.z_mm[cell]), 1.0)
        });
        let fit = weighted_least_squares(observations, [1e-9; 3])?;
        let c = fit.coefficients;
        Some(LevelPlane {
            at_origin_mm: c[0],
            slope: [c[1], c[2]],
        })
    }

    /// What stands on a plane, `floor_mm` or more above it and wholly within the raster.
    pub(super) fn blobs(&self, plane: &LevelPlane, floor_mm: f64) -> Vec<Blob> {
        let rise: Vec<f32> = (0..self.z_mm.len())
            .map(|cell| {
                let [x, y] = self.centre(cell);
                self.z_mm[cell] - plane.at(x, y) as f32
            })
            .collect();
        let floor = floor_mm as f32;
        let sets = self.connected(|a, b| floor < rise[a] && floor < rise[b]);
        sets.iter()
            .filter(|set| 4 <= set.len())
            .filter_map(|set| {
                let cut = set.iter().any(|&cell| {
                    let (column, row) = (cell % self.columns, cell / self.columns);
                    column == 0 || row == 0 || column + 1 == self.columns || row + 1 == self.rows
                });
                if cut {
                    return None;
                }
                let mut heights: Vec<f32> = set.iter().map(|&cell| rise[cell]).collect();
                let top = quantile(&mut heights, 0.95)?;
                let upper = set.iter().filter(|&&cell| 0.8 * top < rise[cell]);
                let (mut sum, mut count) = ([0.0, 0.0], 0.0);
                for &cell in upper {
                    let [x, y] = self.centre(cell);
                    sum = [sum[0] + x, sum[1] + y];
                    count += 1.0;
                }
                let half = set.iter().filter(|&&cell| 0.5 * top < rise[cell]).count();
                Some(Blob {
                    centre: [sum[0] / count, sum[1] / count],
                    height_mm: f64::from(top),
                    area_mm2: half as f64 * self.cell_mm * self.cell_mm,
                })
            })
            .collect()
    }
}
