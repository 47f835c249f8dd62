//! How the two clocks differ.

use jiff::Timestamp;

use crate::stats::fit_line;

/// Stretches at most whose mean lags the line is laid through.
const MOST_STRETCHES: usize = 30;
/// Matches of a stretch at least.
const STRETCH: usize = 10;

/// Time from scan to weighing by the two clocks: way and clocks' difference together, and how it grows.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Clocks {
    /// Lag at the middle of the matches, s.
    pub lag_s: f64,
    /// Its standard uncertainty, s; `None` with too few matches.
    pub lag_u_s: Option<f64>,
    /// That middle, by the scanner's clock.
    pub middle: Timestamp,
    /// How much faster the checkweigher's clock runs, as a fraction of time (1e-6 is 1 ppm).
    pub rate: f64,
    /// Its standard uncertainty; `None` with too few matches.
    pub rate_u: Option<f64>,
    /// Lags of the first and last match, on the curve that was followed, s.
    pub ends_s: [f64; 2],
    /// Standard deviation of single weighings' times about that curve, s.
    pub scatter_s: f64,
    /// Standard deviation of the curve about the straight line, s.
    pub wander_s: f64,
}

/// From times by the scanner's clock and lags, s, in the order of time. The line goes through the means of stretches, so that a slow wander counts as
/// uncertainty of the line.
pub(super) fn clocks(
    lags: &[(f64, f64)],
    ends_s: [f64; 2],
    scatter_s: f64,
    start: Timestamp,
) -> Clocks {
    let count = lags.len().max(1);
    let stretches = (count / STRETCH).clamp(1, MOST_STRETCHES);
    let length = count.div_ceil(stretches);
    let mean = |stretch: &[(f64, f64)], value: fn(&(f64, f64)) -> f64| {
        stretch.iter().map(value).sum::<f64>() / stretch.len().max(1) as f64
    };
    let middle_s = mean(lags, |it| it.0);
    let points: Vec<(f64, f64, f64)> = lags
        .chunks(length)
        .map(|stretch| {
            (
                mean(stretch, |it| it.0) - middle_s,
                mean(stretch, |it| it.1),
                stretch.len() as f64,
            )
        })
        .collect();
    let middle = start
        .checked_add(jiff::SignedDuration::from_secs_f64(middle_s))
        .unwrap_or(start);
    match fit_line(&points) {
        Some(line) => Clocks {
            lag_s: line.intercept,
            lag_u_s: Some(line.intercept_se),
            middle,
            rate: line.slope,
            rate_u: Some(line.slope_se),
            ends_s,
            scatter_s,
            wander_s: line.residual_sd,
        },
        None => Clocks {
            lag_s: mean(lags, |it| it.1),
            lag_u_s: None,
            middle,
            rate: 0.0,
            rate_u: None,
            ends_s,
            scatter_s,
            wander_s: 0.0,
        },
    }
}
