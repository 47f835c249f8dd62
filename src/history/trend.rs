//! Where a quantity is heading, and when it meets its tolerance.

use jiff::{SignedDuration, Timestamp};

use crate::stats::{Line, fit_line};

use super::phases::days;
use super::series::Point;

/// Confidence at which a slope counts as more than chance. Some fifteen quantities are looked at, so one in a hundred,
/// not one in twenty.
const SLOPE_CONFIDENCE: f64 = 0.99;

/// Confidence of the band and of the dates.
pub(super) const BAND_CONFIDENCE: f64 = 0.95;

/// Fewest checks that make a trend.
const FEWEST: usize = 8;

/// Dates further off than this are not told: no belt runs that long unchanged.
const FARTHEST_DAYS: f64 = 3652.5;

/// A trend that is more than chance.
#[derive(Debug, Clone, PartialEq)]
pub struct Trend {
    /// The first point it was taken from; it reaches to the newest.
    pub start: usize,
    /// The line over days since 1970.
    pub line: Line,
    /// Change a day.
    pub per_day: f64,
    /// Its standard uncertainty.
    pub per_day_u: f64,
    /// When it meets the tolerance.
    pub meeting: Option<Meeting>,
}

/// When a trend meets a limit of the tolerance.
#[derive(Debug, Clone, PartialEq)]
pub enum Meeting {
    /// The line is beyond the limit already.
    Already {
        /// The limit.
        limit: f64,
    },
    /// At a date, with the ends of its 95 % interval; an end that is more than ten years off is absent.
    At {
        /// The limit.
        limit: f64,
        /// Where the line meets it.
        date: Timestamp,
        /// The earliest that the band allows.
        earliest: Option<Timestamp>,
        /// The latest.
        latest: Option<Timestamp>,
    },
    /// Not within ten years.
    Far {
        /// The limit.
        limit: f64,
    },
}

impl Trend {
    /// The line and half the width of its 95 % band at a time.
    #[must_use]
    pub fn at(&self, time: Timestamp) -> (f64, f64) {
        let x = days(time);
        (self.line.at(x), self.line.half_band(x, BAND_CONFIDENCE))
    }
}

/// The trend of the points from `start` on, weighted by their uncertainties where all have one.
pub(super) fn trend(points: &[Point], start: usize) -> Option<Trend> {
    let used = points.get(start..)?;
    if used.len() < FEWEST {
        return None;
    }
    let weights: Option<Vec<f64>> = used
        .iter()
        .map(|it| it.u.filter(|u| *u > 0.0).map(|u| 1.0 / (u * u)))
        .collect();
    let weighted: Vec<(f64, f64, f64)> = used
        .iter()
        .enumerate()
        .map(|(i, it)| {
            (
                days(it.time),
                it.value,
                weights.as_ref().map_or(1.0, |w| w[i]),
            )
        })
        .collect();
    let line = fit_line(&weighted)?.widened_for_neighbours();
    if !line.rises_or_falls(SLOPE_CONFIDENCE) {
        return None;
    }
    let newest = used.last()?;
    let limit = newest.tolerance.and_then(|it| match line.slope > 0.0 {
        true => Some(it.upper),
        false => it.lower,
    });
    Some(Trend {
        start,
        line,
        per_day: line.slope,
        per_day_u: line.slope_se,
        meeting: limit.and_then(|limit| meeting(&line, limit, newest.time)),
    })
}

fn meeting(line: &Line, limit: f64, newest: Timestamp) -> Option<Meeting> {
    let now = days(newest);
    if (line.at(now) - limit) * line.slope >= 0.0 {
        return Some(Meeting::Already { limit });
    }
    let crossing = line.crossing(limit, BAND_CONFIDENCE)?;
    let date = |x: f64| {
        let from_now = x - now;
        if from_now.abs() > FARTHEST_DAYS {
            return None;
        }
        let seconds = SignedDuration::from_secs((from_now * 86_400.0).round() as i64);
        newest.checked_add(seconds).ok()
    };
    Some(match date(crossing.at) {
        Some(at) => Meeting::At {
            limit,
            date: at,
            earliest: date(crossing.first),
            latest: date(crossing.last),
        },
        None => Meeting::Far { limit },
    })
}
