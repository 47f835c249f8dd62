//! Pose and errors together: robust least squares of every sample's height against the target's faces.

use rayon::prelude::*;

use crate::calibration::{FrameGeometry, GeometricErrors, Target};
use crate::error::{Error, ErrorKind, Result};
use crate::stats::{Linearised, Rules, levenberg_marquardt, mad_sd, median};

use super::faces::{Face, Faces};
use super::field::HeightField;
use super::instrument::{
    ERRORS, Instrument, Matrix, PARAMETERS, Sighting, Vector, errors_to_list, parameters,
};
use super::report::TargetPose;

/// Tukey's biweight constant for 95 % efficiency at the normal (Mosteller and Tukey 1977).
const BIWEIGHT_C: f64 = 4.685;
/// Side of the blocks over which rows are shared out and errors may be alike, mm.
pub(super) const BLOCK_MM: f64 = 16.0;
/// Rough steps first: every so-manieth row and column, and how far a sample may lie from the surface, mm.
const ROUGH: [(usize, f64); 3] = [(6, 12.0), (4, 4.0), (3, 1.5)];
/// Spread below which samples are not told apart: a tenth of a common count, mm.
const LEAST_SPREAD_MM: f64 = 1e-3;
/// How far an instrument that still works may lie from its last calibration (or from a perfect one): standard deviations of a wide prior in the
/// order of the errors. They decide nothing where the scan itself tells the value; where it does not, they keep the rest sound.
pub(super) const PRIOR: [f64; ERRORS] = [0.02, 0.02, 0.02, 5.0, 20.0, 20.0, 3.0, 20.0, 20.0];
/// Steps smaller than these change nothing that is shown.
const SMALL: [f64; PARAMETERS] = [
    2e-7, 2e-7, 2e-7, 1e-4, 2e-4, 2e-4, 1e-4, 5e-4, 5e-4, 1e-4, 1e-4, 5e-4,
];
/// Most evaluations of one descent.
const MOST_STEPS: usize = 25;
/// Fewest samples of the target that make a check.
const FEWEST_SAMPLES: usize = 5000;

/// What is fitted to what.
pub(super) struct Problem<'a> {
    pub field: &'a HeightField,
    pub frame: FrameGeometry,
    pub faces: Faces,
    /// The middle of the plate, about which it turns.
    pub middle: [f64; 2],
    /// Where the prior is centred.
    pub prior: GeometricErrors,
    /// Rows of a block.
    pub block_rows: usize,
    /// Columns of a block.
    pub block_columns: usize,
    /// For each sample, whether it lies in or beside a gap along the belt.
    gaps: Vec<bool>,
}

/// Missing samples in a row along the belt that make a gap: a shadow's edge lies beside it, where samples mix.
const GAP_ROWS: usize = 3;

/// Which samples lie in or next to a gap of [`GAP_ROWS`] or more.
fn gaps(field: &HeightField) -> Vec<bool> {
    let (columns, rows) = (field.columns, field.rows);
    let mut found = vec![false; columns * rows];
    let mut run = vec![0_usize; columns];
    for row in 0..=rows {
        for column in 0..columns {
            let missing = row < rows && field.z_mm[row * columns + column].is_nan();
            if missing {
                run[column] += 1;
                continue;
            }
            if GAP_ROWS <= run[column] {
                let first = (row - run[column]).saturating_sub(1);
                for inside in first..=row.min(rows - 1) {
                    found[inside * columns + column] = true;
                }
            }
            run[column] = 0;
        }
    }
    found
}

/// Spread of samples on level and on slanted faces, mm.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Spread {
    pub level_mm: f64,
    pub slanted_mm: f64,
}

impl Spread {
    pub(super) fn of(&self, face: &Face) -> f64 {
        if face.slanted {
            self.slanted_mm
        } else {
            self.level_mm
        }
    }
}

/// A sample on a face of the target.
pub(super) struct Landed {
    pub row: usize,
    pub column: usize,
    pub sighting: Sighting,
    pub face: Face,
    /// Measured less predicted height, mm.
    pub residual_mm: f64,
}

/// Where the fit ended.
#[derive(Debug, Clone, Copy)]
pub(super) struct Fitted {
    pub at: Vector,
    pub spread: Spread,
}

impl<'a> Problem<'a> {
    pub(super) fn new(field: &'a HeightField, target: &Target, prior: GeometricErrors) -> Self {
        let pitch_mm = field.pitch_across_mm.max(field.pitch_along_mm);
        let block = |pitch_mm: f64| ((BLOCK_MM / pitch_mm).round() as usize).max(1);
        Self {
            field,
            frame: field.geometry(),
            // A sample within a pitch of an edge may see both sides of it.
            faces: Faces::new(target, pitch_mm + 0.25),
            middle: [0.5 * target.plate.across_mm, 0.5 * target.plate.along_mm],
            prior,
            block_rows: block(field.pitch_along_mm),
            block_columns: block(field.pitch_across_mm),
            gaps: gaps(field),
        }
    }

    /// Whether a missing sample is missing by itself and not in a gap.
    pub(super) fn alone(&self, row: usize, column: usize) -> bool {
        !self.gaps[row * self.field.columns + column]
    }

    pub(super) fn blocks_along(&self) -> usize {
        self.field.rows.div_ceil(self.block_rows)
    }

    /// Visits the samples of one block row that land on a face.
    pub(super) fn visit(
        &self,
        instrument: &Instrument,
        block_row: usize,
        stride: usize,
        mut visit: impl FnMut(Landed),
    ) {
        let first = block_row * self.block_rows;
        let end = (first + self.block_rows).min(self.field.rows);
        for row in (first..end).filter(|row| row % stride == 0) {
            let y_m = self.field.y_mm[row];
            for (column, &z_m) in self.field.row(row).iter().enumerate().step_by(stride) {
                if z_m.is_nan() || self.gaps[row * self.field.columns + column] {
                    continue;
                }
                let sighting = instrument.sight(self.field.x_mm(column), y_m, f64::from(z_m));
                let Some(face) = self.faces.at(sighting.u, sighting.v) else {
                    continue;
                };
                visit(Landed {
                    row,
                    column,
                    sighting,
                    face,
                    residual_mm: instrument.residual(&sighting, &face),
                });
            }
        }
    }

    pub(super) fn instrument(&self, at: &Vector) -> Instrument {
        Instrument::new(at, self.frame, self.middle)
    }

    /// The robust loss over all samples and its linearisation (iteratively reweighted).
    fn linearise(
        &self,
        at: &Vector,
        spread: Spread,
        stride: usize,
    ) -> Option<Linearised<PARAMETERS>> {
        if !at.iter().all(|value| value.is_finite()) || at[2] <= 0.1 || at[0] <= 0.1 || at[1] <= 0.1
        {
            return None;
        }
        let instrument = self.instrument(at);
        // Block rows are summed in order whatever thread did them, so that the sum is the same each time.
        let sums: Vec<Sums> = (0..self.blocks_along())
            .into_par_iter()
            .map(|block_row| {
                let mut sums = Sums::default();
                self.visit(&instrument, block_row, stride, |landed| {
                    sums.add(&instrument, &landed, spread.of(&landed.face));
                });
                sums
            })
            .collect();
        let total = sums.into_iter().fold(Sums::default(), Sums::and);
        if total.count < FEWEST_SAMPLES / (stride * stride) {
            return None;
        }
        let mut normal = total.normal();
        let mut gradient = total.gradient;
        let prior = errors_to_list(&self.prior);
        for (i, deviation) in PRIOR.iter().enumerate() {
            let weight = 1.0 / (deviation * deviation);
            normal[(i, i)] += weight;
            gradient[i] += weight * (prior[i] - at[i]);
        }
        // The set of samples changes a little at the edges from step to step: a mean is comparable, a sum is not.
        Some(Linearised {
            cost: total.loss / total.count as f64,
            gradient,
            normal,
        })
    }

    /// The spread of samples about the surface, from their median deviation.
    fn spread(&self, at: &Vector, reach_mm: f64, stride: usize) -> Spread {
        let instrument = self.instrument(at);
        let parts: Vec<[Vec<f32>; 2]> = (0..self.blocks_along())
            .into_par_iter()
            .map(|block_row| {
                let mut found = [Vec::new(), Vec::new()];
                self.visit(&instrument, block_row, stride, |landed| {
                    if landed.residual_mm.abs() < reach_mm {
                        found[usize::from(landed.face.slanted)].push(landed.residual_mm as f32);
                    }
                });
                found
            })
            .collect();
        let mut all = [Vec::new(), Vec::new()];
        for [level, slanted] in parts {
            all[0].extend(level);
            all[1].extend(slanted);
        }
        let [level, slanted] = all.map(|mut values| {
            let centre = median(&mut values).unwrap_or(0.0);
            mad_sd(&mut values, centre).filter(|sd| LEAST_SPREAD_MM < *sd)
        });
        let level_mm = level.or(slanted).unwrap_or(LEAST_SPREAD_MM);
        Spread {
            level_mm,
            slanted_mm: slanted.unwrap_or(level_mm),
        }
    }

    /// From a pose found roughly to the best fit of all samples.
    ///
    /// # Errors
    /// Too little of the target is seen, or the descent does not settle.
    pub(super) fn solve(&self, errors: &GeometricErrors, pose: &TargetPose) -> Result<Fitted> {
        let mut at = parameters(errors, pose, self.middle);
        let rules = |slack| Rules {
            small: Vector::from(SMALL),
            most: MOST_STEPS,
            slack,
        };
        let few = || {
            Error::new(ErrorKind::Unmeasurable, "too little of the target is seen").expected(
                "lay it wholly within the scanned belt, with nothing on it, and scan again",
            )
        };
        for (stride, reach_mm) in ROUGH {
            let width = reach_mm / BIWEIGHT_C;
            let wide = Spread {
                level_mm: width,
                slanted_mm: width,
            };
            let rough = Rules {
                most: 8,
                ..rules(0.05)
            };
            at = levenberg_marquardt(at, &rough, |p| self.linearise(p, wide, stride))
                .ok_or_else(few)?
                .at;
        }
        let mut reach_mm = 1.5;
        let mut spread = self.spread(&at, reach_mm, 2);
        for _ in 0..2 {
            let minimum = levenberg_marquardt(at, &rules(1e-3), |p| self.linearise(p, spread, 1))
                .ok_or_else(few)?;
            if !minimum.settled {
                return Err(Error::new(
                    ErrorKind::Unmeasurable,
                    "the fit of the target does not settle",
                )
                .expected(
                    "check that the scan shows the target of the target file, clean and lying flat",
                ));
            }
            at = minimum.at;
            reach_mm = reach_mm.min(10.0 * spread.level_mm.max(spread.slanted_mm));
            let next = self.spread(&at, reach_mm, 1);
            let alike = |a: f64, b: f64| (a / b - 1.0).abs() < 0.02;
            let done =
                alike(next.level_mm, spread.level_mm) && alike(next.slanted_mm, spread.slanted_mm);
            spread = next;
            if done {
                break;
            }
        }
        Ok(Fitted { at, spread })
    }
}

/// Weight of the biweight at a residual in units of its reach; 0 beyond it.
#[inline]
pub(super) fn biweight(share: f64) -> f64 {
    let inside = 1.0 - share * share;
    if 0.0 < inside { inside * inside } else { 0.0 }
}

/// A residual's share of the biweight's reach.
#[inline]
pub(super) fn share(residual_mm: f64, spread_mm: f64) -> f64 {
    residual_mm / (BIWEIGHT_C * spread_mm)
}

/// Upper triangle of a sum of outer products, row by row.
pub(super) const TRIANGLE: usize = PARAMETERS * (PARAMETERS + 1) / 2;

/// Adds `weight·d·dᵀ` to an upper triangle.
#[inline]
pub(super) fn add_outer(triangle: &mut [f64; TRIANGLE], d: &[f64; PARAMETERS], weight: f64) {
    let mut at = 0;
    for i in 0..PARAMETERS {
        let scaled = weight * d[i];
        for value in &d[i..] {
            triangle[at] += scaled * value;
            at += 1;
        }
    }
}

/// The symmetric matrix of an upper triangle.
pub(super) fn symmetric(triangle: &[f64; TRIANGLE]) -> Matrix {
    let mut matrix = Matrix::zeros();
    let mut at = 0;
    for i in 0..PARAMETERS {
        for j in i..PARAMETERS {
            matrix[(i, j)] = triangle[at];
            matrix[(j, i)] = triangle[at];
            at += 1;
        }
    }
    matrix
}

struct Sums {
    count: usize,
    loss: f64,
    gradient: Vector,
    triangle: [f64; TRIANGLE],
}

impl Default for Sums {
    fn default() -> Self {
        Self {
            count: 0,
            loss: 0.0,
            gradient: Vector::zeros(),
            triangle: [0.0; TRIANGLE],
        }
    }
}

impl Sums {
    fn add(&mut self, instrument: &Instrument, landed: &Landed, spread_mm: f64) {
        self.count += 1;
        let robust = biweight(share(landed.residual_mm, spread_mm));
        // Tukey's ρ over its greatest value: 1 − (1 − share²)³.
        self.loss += 1.0 - robust * robust.sqrt();
        if robust == 0.0 {
            return;
        }
        let weight = robust / (spread_mm * spread_mm);
        let d = instrument.derivatives(&landed.sighting, &landed.face);
        for (sum, derivative) in self.gradient.iter_mut().zip(&d) {
            *sum += weight * derivative * landed.residual_mm;
        }
        add_outer(&mut self.triangle, &d, weight);
    }

    fn and(mut self, other: Self) -> Self {
        self.count += other.count;
        self.loss += other.loss;
        self.gradient += other.gradient;
        for (sum, value) in self.triangle.iter_mut().zip(&other.triangle) {
            *sum += value;
        }
        self
    }

    fn normal(&self) -> Matrix {
        symmetric(&self.triangle)
    }
}
