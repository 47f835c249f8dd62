//! Lasting changes of a quantity, their causes, and the stretches between them.

use jiff::{SignedDuration, Timestamp};

use crate::stats::{Learned, fit_line, mean_changes, noise_of_differences};

use super::review::Event;
use super::series::Point;

/// A lasting change of the mean.
#[derive(Debug, Clone, PartialEq)]
pub struct Change {
    /// The first point at the new level.
    pub index: usize,
    /// Mean before, since the change before.
    pub before: f64,
    /// Mean after, until the next change.
    pub after: f64,
    /// Standard uncertainty of the difference by the spread of the checks.
    pub u: f64,
    /// What is known of why.
    pub cause: ChangeCause,
}

/// What is known of why a quantity changed.
#[derive(Debug, Clone, PartialEq)]
pub enum ChangeCause {
    /// A noted event near the change.
    Event {
        /// The event's entry.
        sequence: u64,
        /// Its words.
        note: String,
        /// From the event to the first check at the new level; negative if it was noted after it.
        after: SignedDuration,
    },
    /// Another target was measured from here on: the change may be between the targets.
    Target {
        /// The target before.
        from: String,
        /// The target from here on.
        to: String,
    },
    /// Nothing was noted.
    Unknown,
}

/// A stretch in which the charts learn one centre and spread.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Phase {
    /// Its first point.
    pub start: usize,
    /// The point after its last one.
    pub end: usize,
    /// What the charts learned in it; absent with too few points, or without spread.
    pub learned: Option<Learned>,
}

/// Shortest stretch between two changes, in checks.
const SHORTEST: usize = 3;

/// Added to Schwarz's penalty, so that fewer than 1 in 20 series of noise alone is said to have changed (measured in
/// `stats::change_point`).
const CAUTION: f64 = 4.0;

/// How many checks before and after a change an event may lie and still be its cause: where noise blurs it, a change
/// is placed a check or two off.
const REACH: usize = 2;

/// The changes of a series and its phases.
///
/// A change whose cause is known (an event, another target) starts a new phase; one without does not, so that the charts
/// go on calling until somebody notes why. Within a phase a straight line may explain what else would be many small
/// steps; whichever costs less by the same penalty is taken.
pub(super) fn changes_and_phases(points: &[Point], events: &[Event]) -> (Vec<Change>, Vec<Phase>) {
    let values: Vec<f64> = points.iter().map(|it| it.value).collect();
    let noise = noise_of_differences(&values);
    let penalty = 2.0 * (values.len().max(2) as f64).ln() + CAUTION;
    let at = noise.map_or_else(Vec::new, |sd| mean_changes(&values, sd, penalty, SHORTEST));
    let causes: Vec<ChangeCause> = at
        .iter()
        .map(|&index| cause(points, events, index))
        .collect();
    let known = |cause: &ChangeCause| *cause != ChangeCause::Unknown;
    let mut cuts = vec![0];
    cuts.extend(
        at.iter()
            .zip(&causes)
            .filter(|it| known(it.1))
            .map(|it| *it.0),
    );
    cuts.push(values.len());
    let phases: Vec<Phase> = cuts
        .windows(2)
        .map(|ends| Phase {
            start: ends[0],
            end: ends[1],
            learned: None,
        })
        .collect();

    let mut kept: Vec<(usize, ChangeCause)> = Vec::new();
    for phase in &phases {
        let inside = || {
            at.iter()
                .zip(&causes)
                .filter(|it| phase.start < *it.0 && *it.0 < phase.end)
        };
        let starts: Vec<usize> = inside().map(|it| *it.0).collect();
        let line_is_better = noise.is_some_and(|sd| {
            let steps = steps_cost(&values, phase, &starts, sd) + penalty * starts.len() as f64;
            line_cost(points, phase, sd).is_some_and(|line| line + penalty < steps)
        });
        kept.extend(
            at.iter()
                .zip(&causes)
                .filter(|it| *it.0 == phase.start)
                .map(|it| (*it.0, it.1.clone())),
        );
        if !line_is_better {
            kept.extend(inside().map(|it| (*it.0, it.1.clone())));
        }
    }
    let mut ends: Vec<usize> = vec![0];
    ends.extend(kept.iter().map(|it| it.0));
    ends.push(values.len());
    let changes = kept
        .into_iter()
        .enumerate()
        .map(|(number, (index, cause))| {
            let before = &values[ends[number]..index];
            let after = &values[index..ends[number + 2]];
            Change {
                index,
                before: mean(before),
                after: mean(after),
                u: noise.unwrap_or(0.0)
                    * (1.0 / before.len() as f64 + 1.0 / after.len() as f64).sqrt(),
                cause,
            }
        });
    (changes.collect(), phases)
}

fn mean(values: &[f64]) -> f64 {
    values.iter().sum::<f64>() / values.len().max(1) as f64
}

fn steps_cost(values: &[f64], phase: &Phase, starts: &[usize], sd: f64) -> f64 {
    let mut ends = vec![phase.start];
    ends.extend(starts);
    ends.push(phase.end);
    let parts = ends.windows(2).map(|it| &values[it[0]..it[1]]);
    parts
        .map(|part| {
            let centre = mean(part);
            part.iter()
                .map(|v| ((v - centre) / sd).powi(2))
                .sum::<f64>()
        })
        .sum()
}

fn line_cost(points: &[Point], phase: &Phase, sd: f64) -> Option<f64> {
    let points = &points[phase.start..phase.end];
    let line = fit_line(
        &points
            .iter()
            .map(|it| (days(it.time), it.value, 1.0))
            .collect::<Vec<_>>(),
    )?;
    Some((line.points as f64 - 2.0) * (line.residual_sd / sd).powi(2))
}

/// Days since 1970.
pub(super) fn days(time: Timestamp) -> f64 {
    time.as_second() as f64 / 86_400.0
}

/// The nearest event about a change, or another target from there on.
fn cause(points: &[Point], events: &[Event], index: usize) -> ChangeCause {
    let at = points[index].time;
    let from = points[(index - 1).saturating_sub(REACH)].time;
    let to = points[(index + REACH).min(points.len() - 1)].time;
    let near = events
        .iter()
        .filter(|event| from <= event.time && event.time <= to);
    let distance = |event: &Event| at.duration_since(event.time).abs();
    if let Some(event) = near.min_by_key(|event| (distance(event), event.sequence)) {
        return ChangeCause::Event {
            sequence: event.sequence,
            note: event.note.clone(),
            after: at.duration_since(event.time),
        };
    }
    let (before, after) = (&points[index - 1].target, &points[index].target);
    if before != after {
        return ChangeCause::Target {
            from: before.clone(),
            to: after.clone(),
        };
    }
    ChangeCause::Unknown
}
