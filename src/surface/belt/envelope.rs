//! The belt as a lower envelope: a line across that most low zones lie on and hardly any lie below.

use super::blocks::{Block, Sampling};
use super::{COARSE, ENVELOPE_REACH};
use crate::stats::quantile;

/// Quantile of a zone's heights taken as its low end: above stray returns below the belt, below most product.
const LOW_QUANTILE: f64 = 0.1;
/// Share of a zone's samples that must be seen for the zone to speak.
const LEAST_SEEN: f64 = 0.05;
/// A zone is on the line when it is this close, mm: covers bow and undulation inside a coarse block.
const ON_LINE_MM: f64 = 0.6;
/// How many zones on the line one zone below it outweighs: nothing lies below the belt.
const BELOW_COST: f64 = 4.0;
/// Steepest believable tilt across, mm per mm.
const STEEPEST: f64 = 0.03;
/// A coarse block lying higher than a neighbour by more than this plus [`STEEPEST_ALONG`] is covered by product.
const COVERED_MM: f64 = 0.8;
/// Steepest believable slope along, mm per mm.
const STEEPEST_ALONG: f64 = 0.01;

/// `z = centre_mm + slope_mm·u`, u from −1 (left edge) to 1.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct EnvelopeLine {
    /// Row the line is at.
    pub row: f64,
    /// Height in the middle, mm.
    pub centre_mm: f64,
    /// Height change from the middle to the right edge, mm.
    pub slope_mm: f64,
}

impl EnvelopeLine {
    /// Height at `u`, mm.
    pub fn height_mm(&self, u: f64) -> f64 {
        self.centre_mm + self.slope_mm * u
    }
}

/// The envelope of a coarse block; `None` when nothing was seen.
pub fn line(blocks: &[Block], sampling: &Sampling) -> Option<EnvelopeLine> {
    let (first, last) = (blocks.first()?, blocks.last()?);
    let row = (first.centre_row + last.centre_row) / 2.0;
    let low = low_zones(blocks, sampling);
    let steepest_mm = STEEPEST * sampling.half_width_mm();
    let mut best: Option<(f64, EnvelopeLine)> = None;
    let mut consider = |centre_mm: f64, slope_mm: f64| {
        let candidate = EnvelopeLine {
            row,
            centre_mm,
            slope_mm,
        };
        let score = score(&low, &candidate);
        // Of equally good lines the lower one is the belt.
        let better = best.is_none_or(|(best_score, best)| {
            score > best_score || (score == best_score && centre_mm < best.centre_mm)
        });
        if better {
            best = Some((score, candidate));
        }
    };
    for (index, &(u1, z1)) in low.iter().enumerate() {
        consider(z1, 0.0);
        for &(u2, z2) in &low[index + 1..] {
            let slope_mm = (z2 - z1) / (u2 - u1);
            if slope_mm.abs() <= steepest_mm {
                consider(z1 - slope_mm * u1, slope_mm);
            }
        }
    }
    best.map(|(_, line)| refine(&low, line, steepest_mm))
}

fn low_zones(blocks: &[Block], sampling: &Sampling) -> Vec<(f64, f64)> {
    let mut heights_mm = Vec::new();
    (0..sampling.zones())
        .filter_map(|zone| {
            heights_mm.clear();
            let mut taken = 0;
            // Every third block is plenty for a quantile.
            for block in blocks.iter().step_by(3) {
                let (seen, count) = block.zone(zone, sampling);
                heights_mm.extend(seen.map(|(_, height)| height));
                taken += count;
            }
            let enough = heights_mm.len() as f64 >= (LEAST_SEEN * taken as f64).max(8.0);
            let low = quantile(&mut heights_mm, LOW_QUANTILE).filter(|_| enough)?;
            Some((sampling.zone_u[zone], f64::from(low)))
        })
        .collect()
}

fn score(low: &[(f64, f64)], line: &EnvelopeLine) -> f64 {
    low.iter()
        .map(|&(u, z)| {
            let above_mm = z - line.height_mm(u);
            if above_mm < -ON_LINE_MM {
                -BELOW_COST
            } else if above_mm <= ON_LINE_MM {
                1.0
            } else {
                0.0
            }
        })
        .sum()
}

/// Least squares through the zones on the line.
fn refine(low: &[(f64, f64)], line: EnvelopeLine, steepest_mm: f64) -> EnvelopeLine {
    let on = low
        .iter()
        .filter(|&&(u, z)| (z - line.height_mm(u)).abs() <= ON_LINE_MM);
    let fit = crate::stats::weighted_least_squares(
        on.map(|&(u, z)| ([1.0, u], z - line.centre_mm, 1.0)),
        [0.0, 1e-3],
    );
    match fit {
        Some(fit) if fit.coefficients[1].abs() <= steepest_mm => EnvelopeLine {
            centre_mm: line.centre_mm + fit.coefficients[0],
            slope_mm: fit.coefficients[1],
            ..line
        },
        _ => line,
    }
}

/// The envelope at a row, between the coarse blocks that show belt; `None` if none within reach does.
pub fn at(
    envelopes: &[Option<EnvelopeLine>],
    row: f64,
    sampling: &Sampling,
) -> Option<EnvelopeLine> {
    let coarse_rows = (COARSE * sampling.block_rows) as f64;
    let own = ((row + 0.5) / coarse_rows).floor() as usize;
    let seen = |index: usize| {
        envelopes
            .get(index)
            .copied()
            .flatten()
            .filter(|line| !is_covered(envelopes, line, index, sampling))
    };
    let before = (0..=own.min(envelopes.len().saturating_sub(1)))
        .rev()
        .take(ENVELOPE_REACH + 1)
        .filter_map(seen)
        .find(|line| line.row <= row);
    let after = (own..(own + 2 + ENVELOPE_REACH).min(envelopes.len()))
        .take(2)
        .filter_map(seen)
        .find(|line| line.row > row);
    match (before, after) {
        (Some(one), Some(two)) => {
            let t = (row - one.row) / (two.row - one.row);
            Some(EnvelopeLine {
                row,
                centre_mm: one.centre_mm + t * (two.centre_mm - one.centre_mm),
                slope_mm: one.slope_mm + t * (two.slope_mm - one.slope_mm),
            })
        }
        (line, None) | (None, line) => line.map(|line| EnvelopeLine { row, ..line }),
    }
}

fn is_covered(
    envelopes: &[Option<EnvelopeLine>],
    line: &EnvelopeLine,
    index: usize,
    sampling: &Sampling,
) -> bool {
    let first = index.saturating_sub(ENVELOPE_REACH);
    let end = (index + ENVELOPE_REACH + 1).min(envelopes.len());
    envelopes[first..end].iter().flatten().any(|other| {
        let apart_mm =
            (line.row - other.row).abs() * sampling.block_mm() / sampling.block_rows as f64;
        line.centre_mm - other.centre_mm > COVERED_MM + STEEPEST_ALONG * apart_mm
    })
}
