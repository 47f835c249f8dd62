//! The first guess of the time between scan and weighing: by the likeness of masses alone, over all lags within reach.
//!
//! For each stretch of pieces the products of mass scores of all pairs are summed by the pair's lag (a cross-correlation of two marked
//! point processes). Where the lag is right, like meets like; elsewhere products cancel. The lag is then followed from
//! stretch to stretch by dynamic programming, so that clocks may run at different rates and be set in between.

use super::sequence::Item;

/// Usual number of pieces of a stretch.
const STRETCH: usize = 80;
/// Largest rate at which two clocks are taken to part, as a fraction (2000 ppm; quartz clocks stay far below).
const LARGEST_RATE: f64 = 2e-3;
/// What following the lag by one bin costs, in standard deviations of the sums.
const STEP_COST: f64 = 1.0;
/// What a jump of the lag costs, in the same: a stretch at the right lag gains about ten, and chance some four for each stretch that the log does not
/// reach to.
const JUMP_COST: f64 = 25.0;

/// The lag at some times; straight in between.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Track {
    /// (time by the scanner's clock, lag), s, in the order of time; at least one.
    knots: Vec<(f64, f64)>,
}

impl Track {
    pub(super) fn new(knots: Vec<(f64, f64)>) -> Self {
        Self { knots }
    }

    pub(super) fn knots(&self) -> &[(f64, f64)] {
        &self.knots
    }

    /// The lag at a time by the scanner's clock; beyond the ends as at the ends.
    pub(super) fn at(&self, time_s: f64) -> f64 {
        let after = self.knots.partition_point(|knot| knot.0 < time_s);
        match (
            after.checked_sub(1).and_then(|at| self.knots.get(at)),
            self.knots.get(after),
        ) {
            (Some(one), Some(other)) => {
                let share = (time_s - one.0) / (other.0 - one.0).max(f64::MIN_POSITIVE);
                one.1 + share * (other.1 - one.1)
            }
            (Some(only), None) | (None, Some(only)) => only.1,
            (None, None) => 0.0,
        }
    }
}

/// What is looked at.
#[derive(Debug, Clone, Copy)]
pub(super) struct Search {
    /// Lags from and to, s.
    pub(super) from_s: f64,
    pub(super) to_s: f64,
    /// Width of a bin, s.
    pub(super) bin_s: f64,
}

/// Follows the lag; `used` says which pieces take part.
pub(super) fn follow(
    pieces: &[Item],
    piece_scores: &[f64],
    weighings: &[Item],
    weighing_scores: &[f64],
    search: Search,
    used: impl Fn(usize) -> bool,
) -> Option<Track> {
    let bins = ((search.to_s - search.from_s) / search.bin_s).ceil() as usize + 1;
    let taking_part: Vec<usize> = (0..pieces.len()).filter(|at| used(*at)).collect();
    if taking_part.is_empty() || weighings.is_empty() {
        return None;
    }
    let stretches = (taking_part.len() / STRETCH).max(1);
    let length = taking_part.len().div_ceil(stretches);
    let mut centres = Vec::new();
    let mut sums = Vec::new();
    for stretch in taking_part.chunks(length) {
        let mut sum = vec![0.0f64; bins];
        for &at in stretch {
            let piece = &pieces[at];
            let first = weighings.partition_point(|it| it.time_s < piece.time_s + search.from_s);
            for (weighing, score) in weighings[first..].iter().zip(&weighing_scores[first..]) {
                let lag = weighing.time_s - piece.time_s;
                if lag > search.to_s {
                    break;
                }
                let bin = ((lag - search.from_s) / search.bin_s) as usize;
                if let Some(sum) = sum.get_mut(bin) {
                    *sum += piece_scores[at] * score;
                }
            }
        }
        let times = stretch.iter().map(|at| pieces[*at].time_s);
        centres.push(times.sum::<f64>() / stretch.len() as f64);
        sums.push(standardised(&smoothed(&sum)));
    }
    Some(best_path(&centres, &sums, search))
}

/// Sums over neighbouring bins: a lag near a bin's edge falls into two, and clocks jitter.
fn smoothed(sum: &[f64]) -> Vec<f64> {
    const WEIGHTS: [f64; 5] = [0.25, 0.75, 1.0, 0.75, 0.25];
    (0..sum.len())
        .map(|at| {
            WEIGHTS
                .iter()
                .enumerate()
                .filter_map(|(k, weight)| sum.get((at + k).checked_sub(2)?).map(|it| weight * it))
                .sum()
        })
        .collect()
}

/// In standard deviations of all bins, nearly all of which hold chance only.
fn standardised(sum: &[f64]) -> Vec<f64> {
    let squares: f64 = sum.iter().map(|it| it * it).sum();
    let sd = (squares / sum.len() as f64).sqrt();
    if sd > 0.0 {
        sum.iter().map(|it| it / sd).collect()
    } else {
        vec![0.0; sum.len()]
    }
}

fn best_path(centres: &[f64], sums: &[Vec<f64>], search: Search) -> Track {
    let bins = sums.first().map_or(0, Vec::len);
    let mut reached = sums.first().cloned().unwrap_or_default();
    let mut came_from: Vec<Vec<u32>> = Vec::new();
    for (k, sum) in sums.iter().enumerate().skip(1) {
        let apart = centres[k] - centres[k - 1];
        let reach = 1 + (LARGEST_RATE * apart / search.bin_s).ceil() as usize;
        // A whole reach costs as much as a step, however long the time between.
        let cost = STEP_COST / reach as f64;
        let (best, best_value) = largest(&reached);
        let mut from = vec![0u32; bins];
        let mut next = vec![0.0; bins];
        for bin in 0..bins {
            let mut source = best;
            let mut value = best_value - JUMP_COST;
            let first = bin.saturating_sub(reach);
            let last = (bin + reach + 1).min(bins);
            for (step, before) in reached[first..last].iter().enumerate() {
                let other = first + step;
                let candidate = before - cost * other.abs_diff(bin) as f64;
                if candidate > value {
                    (source, value) = (other, candidate);
                }
            }
            from[bin] = source as u32;
            next[bin] = value + sum[bin];
        }
        reached = next;
        came_from.push(from);
    }
    let (mut bin, _) = largest(&reached);
    let lag = |bin: usize| search.from_s + (bin as f64 + 0.5) * search.bin_s;
    let mut knots = Vec::with_capacity(centres.len());
    for k in (0..centres.len()).rev() {
        knots.push((centres[k], lag(bin)));
        if let Some(from) = k.checked_sub(1).and_then(|k| came_from.get(k)) {
            bin = from[bin] as usize;
        }
    }
    knots.reverse();
    Track::new(knots)
}

fn largest(values: &[f64]) -> (usize, f64) {
    let mut best = (0, f64::NEG_INFINITY);
    for (at, &value) in values.iter().enumerate() {
        if value > best.1 {
            best = (at, value);
        }
    }
    best
}
