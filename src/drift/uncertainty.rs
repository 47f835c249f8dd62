//! How well the fit knows its parameters: noise as it is, and what the certificate leaves open.

use rayon::prelude::*;

use crate::error::{Error, ErrorKind, Result};
use crate::stats::scaled_inverse;

use super::faces::LENGTHS;
use super::fit::{Fitted, Landed, PRIOR, Problem, TRIANGLE, add_outer, biweight, share, symmetric};
use super::instrument::{Instrument, Matrix, PARAMETERS, Vector};

/// What is known about the target's true size besides its certificate.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Knowledge {
    /// Standard uncertainty of each certified length, mm.
    pub length_u_mm: f64,
    /// Relative standard uncertainty common to all lengths, from the target's temperature.
    pub growth_u: f64,
}

/// One block row's part of the sums.
struct Part {
    curvature: [f64; TRIANGLE],
    /// Score of each block.
    scores: Vec<[f64; PARAMETERS]>,
    /// For each body and certified length, and last for the plate's thickness: how it pulls at the parameters.
    pulls: Vec<[f64; PARAMETERS]>,
}

/// The covariance of the twelve parameters, by where it comes from.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Covariance {
    /// From the scan: another scan of the target has its own.
    pub scan: Matrix,
    /// From the certificate and the target's temperature: alike in every scan of the target.
    pub target: Matrix,
}

/// The covariance of the twelve parameters.
///
/// Noise enters by the sandwich of an M-estimate with scores summed over blocks (Huber 1967; Liang and Zeger 1986 for sums over groups), so
/// that errors that are alike within a block, or larger on some faces, are counted as they are. The certificate enters by the pull of each
/// certified length, each independent with its standard uncertainty.
///
/// # Errors
/// The parameters cannot be told apart at all.
pub(super) fn covariance(
    problem: &Problem<'_>,
    fitted: &Fitted,
    knowledge: &Knowledge,
) -> Result<Covariance> {
    let instrument = problem.instrument(&fitted.at);
    let parts: Vec<Part> = (0..problem.blocks_along())
        .into_par_iter()
        .map(|block_row| part(problem, &instrument, fitted, block_row))
        .collect();
    let mut curvature = [0.0; TRIANGLE];
    let mut meat = [0.0; TRIANGLE];
    let mut pulls = vec![Vector::zeros(); problem.faces.bodies.len() * LENGTHS + 1];
    for part in &parts {
        for (sum, value) in curvature.iter_mut().zip(&part.curvature) {
            *sum += value;
        }
        for score in &part.scores {
            add_outer(&mut meat, score, 1.0);
        }
        for (sum, value) in pulls.iter_mut().zip(&part.pulls) {
            *sum += Vector::from(*value);
        }
    }
    let mut bread = symmetric(&curvature);
    let mut filling = symmetric(&meat);
    for (i, deviation) in PRIOR.iter().enumerate() {
        let weight = 1.0 / (deviation * deviation);
        bread[(i, i)] += weight;
        filling[(i, i)] += weight;
    }
    let bread = scaled_inverse(&bread).ok_or_else(|| {
        Error::new(
            ErrorKind::Unmeasurable,
            "the scan does not tell the target's place from the scanner's errors",
        )
        .expected("lay the target so that more of it is seen, and scan again")
    })?;
    let scan = bread * filling * bread;
    let mut target = Matrix::zeros();
    for pull in &pulls {
        let shift = bread * pull * knowledge.length_u_mm;
        target += shift * shift.transpose();
    }
    // A target that is larger than thought makes all three scales seem larger alike.
    let mut growth = Vector::zeros();
    for scale in 0..3 {
        growth[scale] = fitted.at[scale] * knowledge.growth_u;
    }
    target += growth * growth.transpose();
    Ok(Covariance { scan, target })
}

fn part(problem: &Problem<'_>, instrument: &Instrument, fitted: &Fitted, block_row: usize) -> Part {
    let blocks = problem.field.columns.div_ceil(problem.block_columns);
    let mut part = Part {
        curvature: [0.0; TRIANGLE],
        scores: vec![[0.0; PARAMETERS]; blocks],
        pulls: vec![[0.0; PARAMETERS]; problem.faces.bodies.len() * LENGTHS + 1],
    };
    problem.visit(instrument, block_row, 1, |landed| {
        part.add(problem, instrument, fitted, &landed);
    });
    part
}

impl Part {
    fn add(
        &mut self,
        problem: &Problem<'_>,
        instrument: &Instrument,
        fitted: &Fitted,
        landed: &Landed,
    ) {
        let spread_mm = fitted.spread.of(&landed.face);
        let s = share(landed.residual_mm, spread_mm);
        let weight = biweight(s);
        if weight == 0.0 {
            return;
        }
        let information = 1.0 / (spread_mm * spread_mm);
        // Derivative of ψ(r) = r·(1 − s²)²: what a small change of the prediction does to the score.
        let slope = (1.0 - s * s) * (1.0 - 5.0 * s * s) * information;
        let d = instrument.derivatives(&landed.sighting, &landed.face);
        add_outer(&mut self.curvature, &d, slope);
        let score = &mut self.scores[landed.column / problem.block_columns];
        let pull = weight * information * landed.residual_mm;
        for (sum, derivative) in score.iter_mut().zip(&d) {
            *sum += pull * derivative;
        }
        let per_rise = slope * instrument.per_rise(&landed.face);
        let mut pull = |at: usize, per_length: f64| {
            if per_length != 0.0 {
                for (sum, derivative) in self.pulls[at].iter_mut().zip(&d) {
                    *sum += per_rise * per_length * derivative;
                }
            }
        };
        pull(problem.faces.bodies.len() * LENGTHS, 1.0);
        if let Some(body) = landed.face.part.checked_sub(1) {
            let (u, v) = (landed.sighting.u, landed.sighting.v);
            let per_length = problem.faces.per_length(&landed.face, u, v);
            for (length, per) in per_length.into_iter().enumerate() {
                pull(body * LENGTHS + length, per);
            }
        }
    }
}
