//! One quantity over all checks, with its charts.

use jiff::Timestamp;

use crate::drift::Verdict;
use crate::stats::{CusumPoint, EwmaPoint, Learned, ZoneBreak};

use super::log::Logged;
use super::phases::{Change, Phase};
use super::trend::Trend;

/// A value of one check.
#[derive(Debug, Clone, PartialEq)]
pub struct Point {
    /// The entry.
    pub sequence: u64,
    /// When the scan was taken.
    pub time: Timestamp,
    /// The value.
    pub value: f64,
    /// Its standard uncertainty.
    pub u: Option<f64>,
    /// What it was compared with, and the largest change that does not matter.
    pub tolerance: Option<Tolerance>,
    /// The target.
    pub target: String,
}

/// Between which values a quantity is in tolerance.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Tolerance {
    /// The lower limit; absent where only too much is too much.
    pub lower: Option<f64>,
    /// The upper limit.
    pub upper: f64,
}

/// What the charts say of one point.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Charted {
    /// What it was compared with.
    pub learned: Learned,
    /// How many standard deviations it is off, as a normal score.
    pub score: f64,
    /// The average of the scores up to here.
    pub ewma: EwmaPoint,
    /// The sums of the scores.
    pub cusum: CusumPoint,
}

/// A rule broken at a point.
#[derive(Debug, Clone, PartialEq)]
pub struct Signal {
    /// The point.
    pub index: usize,
    /// The rules, in words.
    pub rules: Vec<&'static str>,
}

/// One quantity over all checks that told it, in the order of time.
#[derive(Debug, Clone, PartialEq)]
pub struct Series {
    /// Its name: of a geometric error as in the calibration file, else as in the log.
    pub name: String,
    /// `1`, `mm`, `mrad` or `ΔE00`.
    pub unit: String,
    /// The values.
    pub points: Vec<Point>,
    /// The stretches between changes of known cause, each with limits of its own.
    pub phases: Vec<Phase>,
    /// Lasting changes.
    pub changes: Vec<Change>,
    /// What the charts say of each point; absent where nothing is known yet to compare it with.
    pub charted: Vec<Option<Charted>>,
    /// Zone rules broken.
    pub breaks: Vec<ZoneBreak>,
    /// Every point at which a chart calls.
    pub signals: Vec<Signal>,
    /// The trend since the last change, where it is more than chance.
    pub trend: Option<Trend>,
}

impl Series {
    /// Whether the newest value lies in its tolerance, its expanded uncertainty (k = 2) taken into account as in a check.
    /// `None` without a tolerance.
    #[must_use]
    pub fn verdict(&self) -> Option<Verdict> {
        let newest = self.points.last()?;
        let tolerance = newest.tolerance?;
        let expanded = 2.0 * newest.u.unwrap_or(0.0);
        let below = tolerance
            .lower
            .map_or(f64::NEG_INFINITY, |it| it - newest.value);
        let over = below.max(newest.value - tolerance.upper);
        Some(if over + expanded <= 0.0 {
            Verdict::InTolerance
        } else if over - expanded > 0.0 {
            Verdict::OutOfTolerance
        } else {
            Verdict::Warning
        })
    }

    /// What the charts call at the newest check: one value beyond its limits, or an average or sum that is outside.
    #[must_use]
    pub fn calls_now(&self) -> Vec<&'static str> {
        let last = self.points.len().checked_sub(1);
        self.signals
            .last()
            .filter(|signal| Some(signal.index) == last)
            .map(|signal| signal.rules.clone())
            .unwrap_or_default()
    }
}

/// What is charted of a check beside the geometric errors: name, unit, value, and its tolerance.
type Other = (
    &'static str,
    &'static str,
    fn(&Logged) -> Option<(f64, Option<f64>)>,
);

const OTHERS: [Other; 5] = [
    ("noise_mm", "mm", |it| {
        Some((it.entry.check.as_ref()?.surface.noise_mm, None))
    }),
    ("flatness_mm", "mm", |it| {
        Some((it.entry.check.as_ref()?.surface.flatness_mm, None))
    }),
    ("dropout_fraction", "1", |it| {
        Some((it.entry.check.as_ref()?.surface.dropout_fraction, None))
    }),
    ("max_de00", "ΔE00", |it| {
        let check = it.entry.check.as_ref()?;
        Some((check.max_de00?, check.tolerance_de00))
    }),
    ("weight_effect", "1", |it| {
        Some((it.entry.check.as_ref()?.weight_effect.relative, None))
    }),
];

/// Name, unit and points of everything that the checks tell; `checks` are in the order of time.
pub(super) fn points_of(checks: &[&Logged]) -> Vec<(String, String, Vec<Point>)> {
    let mut found: Vec<(String, String, Vec<Point>)> = Vec::new();
    for logged in checks {
        let Some(check) = &logged.entry.check else {
            continue;
        };
        for parameter in &check.parameters {
            let place = found.iter().position(|it| it.0 == parameter.name);
            let place = place.unwrap_or_else(|| {
                found.push((parameter.name.clone(), parameter.unit.clone(), Vec::new()));
                found.len() - 1
            });
            if let Some(value) = parameter.value.filter(|value| value.is_finite()) {
                found[place].2.push(Point {
                    sequence: logged.entry.sequence,
                    time: logged.entry.time,
                    value,
                    u: parameter.u,
                    tolerance: Some(Tolerance {
                        lower: Some(parameter.baseline - parameter.tolerance),
                        upper: parameter.baseline + parameter.tolerance,
                    }),
                    target: check.target.clone(),
                });
            }
        }
    }
    for (name, unit, read) in OTHERS {
        let points: Vec<Point> = checks
            .iter()
            .filter_map(|logged| {
                let (value, upper) = read(logged)?;
                Some(Point {
                    sequence: logged.entry.sequence,
                    time: logged.entry.time,
                    value: Some(value).filter(|it| it.is_finite())?,
                    u: None,
                    tolerance: upper.map(|upper| Tolerance { lower: None, upper }),
                    target: logged.entry.check.as_ref()?.target.clone(),
                })
            })
            .collect();
        found.push((name.to_owned(), unit.to_owned(), points));
    }
    found.retain(|it| !it.2.is_empty());
    found
}
