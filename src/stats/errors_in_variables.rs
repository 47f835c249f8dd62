//! Straight lines where both sides carry error: Deming's and Passing and Bablok's.

use super::line::student_quantile;
use super::robust::middle;
use statrs::distribution::{ContinuousCDF, Normal};

/// A line between two ways to measure the same.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct MethodLine {
    /// Slope.
    pub slope: f64,
    /// Lower end of its 95 % interval.
    pub slope_low: f64,
    /// Upper end of it.
    pub slope_high: f64,
    /// Value at x = 0.
    pub intercept: f64,
    /// Lower end of its 95 % interval.
    pub intercept_low: f64,
    /// Upper end of it.
    pub intercept_high: f64,
}

/// Deming's line through `(x, y)`: maximum likelihood where `variance_ratio` is the variance of y's errors over that of x's.
///
/// Intervals from the jackknife with n − 2 degrees of freedom (Linnet 1990, Statistics in Medicine 9:1463). `None` with fewer than four
/// pairs, without spread, or a ratio that is not positive.
#[must_use]
pub fn deming(pairs: &[(f64, f64)], variance_ratio: f64) -> Option<MethodLine> {
    let sound = variance_ratio > 0.0
        && variance_ratio.is_finite()
        && pairs.iter().all(|(x, y)| x.is_finite() && y.is_finite());
    if pairs.len() < 4 || !sound {
        return None;
    }
    let sums = Sums::of(pairs);
    let (slope, intercept) = sums.line(variance_ratio)?;
    let n = pairs.len() as f64;
    let mut slopes = Vec::with_capacity(pairs.len());
    let mut intercepts = Vec::with_capacity(pairs.len());
    for &pair in pairs {
        let (without_slope, without_intercept) = sums.without(pair).line(variance_ratio)?;
        slopes.push(n * slope - (n - 1.0) * without_slope);
        intercepts.push(n * intercept - (n - 1.0) * without_intercept);
    }
    let t = student_quantile(0.95, n - 2.0);
    let half = |values: &[f64]| {
        let mean = values.iter().sum::<f64>() / n;
        let squares: f64 = values.iter().map(|v| (v - mean).powi(2)).sum();
        t * (squares / (n - 1.0) / n).sqrt()
    };
    let (slope_half, intercept_half) = (half(&slopes), half(&intercepts));
    Some(MethodLine {
        slope,
        slope_low: slope - slope_half,
        slope_high: slope + slope_half,
        intercept,
        intercept_low: intercept - intercept_half,
        intercept_high: intercept + intercept_half,
    })
}

/// Centred sums from which one pair can be taken off without going through the others.
#[derive(Debug, Clone, Copy)]
struct Sums {
    n: f64,
    x_mean: f64,
    y_mean: f64,
    sxx: f64,
    syy: f64,
    sxy: f64,
}

impl Sums {
    fn of(pairs: &[(f64, f64)]) -> Self {
        let n = pairs.len() as f64;
        let x_mean = pairs.iter().map(|p| p.0).sum::<f64>() / n;
        let y_mean = pairs.iter().map(|p| p.1).sum::<f64>() / n;
        let (mut sxx, mut syy, mut sxy) = (0.0, 0.0, 0.0);
        for (x, y) in pairs {
            let (u, v) = (x - x_mean, y - y_mean);
            sxx += u * u;
            syy += v * v;
            sxy += u * v;
        }
        Self {
            n,
            x_mean,
            y_mean,
            sxx,
            syy,
            sxy,
        }
    }

    fn without(&self, (x, y): (f64, f64)) -> Self {
        let rest = self.n - 1.0;
        let (u, v) = (x - self.x_mean, y - self.y_mean);
        let factor = self.n / rest;
        Self {
            n: rest,
            x_mean: self.x_mean - u / rest,
            y_mean: self.y_mean - v / rest,
            sxx: self.sxx - factor * u * u,
            syy: self.syy - factor * v * v,
            sxy: self.sxy - factor * u * v,
        }
    }

    fn line(&self, ratio: f64) -> Option<(f64, f64)> {
        let gap = self.syy - ratio * self.sxx;
        let root = (gap * gap + 4.0 * ratio * self.sxy * self.sxy).sqrt();
        let slope = (gap + root) / (2.0 * self.sxy);
        slope
            .is_finite()
            .then_some((slope, self.y_mean - slope * self.x_mean))
    }
}

/// Most pairs of pairs whose slopes are looked at: beyond, memory and time grow with the square, and a sample serves.
const MOST_PAIRS: usize = 2000;

/// Passing and Bablok's line through `(x, y)`: the shifted median of all slopes, and intervals from their ranks (Passing and Bablok 1983,
/// J. Clin. Chem. Clin. Biochem. 21:709).
///
/// Equal pairs and slopes of exactly −1 are left out, as there; the shift is the number of slopes below −1. The intercept is the median of
/// `y − slope·x`, its interval from the slope's ends. It takes both sides as equally uncertain in proportion and of a positive relation.
/// Of more than 2000 pairs every k-th in the order given is taken, so that no more than 2000 are left. `None` with fewer than three pairs or where no slopes are left.
#[must_use]
pub fn passing_bablok(pairs: &[(f64, f64)]) -> Option<MethodLine> {
    if pairs.len() < 3 || !pairs.iter().all(|(x, y)| x.is_finite() && y.is_finite()) {
        return None;
    }
    let stride = pairs.len().div_ceil(MOST_PAIRS);
    let pairs: Vec<(f64, f64)> = pairs.iter().copied().step_by(stride).collect();
    let n = pairs.len() as f64;
    let mut slopes = Vec::with_capacity(pairs.len() * (pairs.len() - 1) / 2);
    for (i, &(x1, y1)) in pairs.iter().enumerate() {
        for &(x2, y2) in &pairs[i + 1..] {
            let (dx, dy) = (x2 - x1, y2 - y1);
            let slope = if dx == 0.0 {
                if dy == 0.0 {
                    continue;
                }
                // Upright: larger than any other, on the side of its sign.
                f64::INFINITY.copysign(dy)
            } else {
                dy / dx
            };
            if slope != -1.0 {
                slopes.push(slope);
            }
        }
    }
    let count = slopes.len();
    if count == 0 {
        return None;
    }
    let shift = slopes.iter().filter(|slope| **slope < -1.0).count();
    slopes.sort_unstable_by(f64::total_cmp);
    // 1-based rank of the shifted order, kept inside.
    let at = |rank: f64| {
        let index = (rank.max(1.0) as usize + shift).min(count) - 1;
        slopes[index]
    };
    let slope = if count % 2 == 1 {
        at((count as f64 + 1.0) / 2.0)
    } else {
        f64::midpoint(at(count as f64 / 2.0), at(count as f64 / 2.0 + 1.0))
    };
    let z = Normal::standard().inverse_cdf(0.975);
    let reach = z * (n * (n - 1.0) * (2.0 * n + 5.0) / 18.0).sqrt();
    let first = ((count as f64 - reach) / 2.0).round();
    let last = count as f64 - first + 1.0;
    let (slope_low, slope_high) = (at(first), at(last));
    let through = |slope: f64| {
        let mut levels: Vec<f64> = pairs.iter().map(|(x, y)| y - slope * x).collect();
        middle(&mut levels).filter(|level| level.is_finite())
    };
    let line = MethodLine {
        slope,
        slope_low,
        slope_high,
        intercept: through(slope)?,
        intercept_low: through(slope_high).unwrap_or(f64::NEG_INFINITY),
        intercept_high: through(slope_low).unwrap_or(f64::INFINITY),
    };
    slope.is_finite().then_some(line)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_clean_line_is_met_by_both() {
        let pairs: Vec<(f64, f64)> = (0..40)
            .map(|i| f64::from(i) + 100.0)
            .map(|x| (x, 1.02 * x - 3.0))
            .collect();
        for line in [
            deming(&pairs, 1.0).unwrap(),
            passing_bablok(&pairs).unwrap(),
        ] {
            assert!((line.slope - 1.02).abs() < 1e-9);
            assert!((line.intercept + 3.0).abs() < 1e-6);
        }
    }

    #[test]
    fn a_pair_taken_off_is_as_if_it_had_never_been() {
        let pairs = [(1.0, 2.0), (2.0, 1.5), (4.0, 5.0), (7.0, 6.0), (9.0, 12.0)];
        let rest = Sums::of(&pairs[1..]);
        let without = Sums::of(&pairs).without(pairs[0]);
        for (one, other) in [
            (rest.sxx, without.sxx),
            (rest.syy, without.syy),
            (rest.sxy, without.sxy),
            (rest.x_mean, without.x_mean),
            (rest.y_mean, without.y_mean),
        ] {
            assert!((one - other).abs() < 1e-12);
        }
    }

    #[test]
    fn without_spread_there_is_no_line() {
        let same = [(5.0, 5.0); 6];
        assert_eq!(deming(&same, 1.0), None);
        assert_eq!(passing_bablok(&same), None);
        assert_eq!(deming(&[(1.0, 1.0), (2.0, 2.0), (3.0, 3.0)], 1.0), None);
        let nan = [(1.0, 1.0), (2.0, f64::NAN), (3.0, 3.0), (4.0, 4.0)];
        assert_eq!(deming(&nan, 1.0), None);
        assert_eq!(passing_bablok(&nan), None);
        assert_eq!(
            deming(&[(1.0, 1.0), (2.0, 2.0), (3.0, 3.5), (4.0, 4.0)], 0.0),
            None
        );
    }
}
