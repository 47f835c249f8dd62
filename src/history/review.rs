//! All checks of a log together: charts, changes, trends, repeatability.

use std::collections::BTreeMap;

use jiff::Timestamp;
use rayon::prelude::*;

use crate::drift::Verdict;
use crate::stats::{
    Cusum, CusumRun, Ewma, EwmaRun, SelfStarting, WESTERN_ELECTRIC_RUN_LENGTH, ZoneRule,
    cusum_run_length, ewma_run_length, zone_breaks,
};

use super::gauge::{GaugeReview, gauge_review};
use super::log::{Log, Logged};
use super::phases::changes_and_phases;
use super::series::{Charted, Point, Series, Signal, points_of};
use super::trend::trend;

/// How a history is looked at.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ReviewSettings {
    /// How many checks in control, from the start of a phase on, its charts learn centre and spread from.
    pub limits_from: usize,
    /// The EWMA chart.
    pub ewma: Ewma,
    /// The CUSUM chart.
    pub cusum: Cusum,
}

impl ReviewSettings {
    /// Limits from 200 checks; EWMA with 0.2 and 2.962, in control called once in 500 checks; CUSUM with 0.5 and 5, once
    /// in 465 (Montgomery, Introduction to Statistical Quality Control, ch. 9).
    pub const USUAL: Self = Self {
        limits_from: 200,
        ewma: Ewma {
            lambda: 0.2,
            width: 2.962,
        },
        cusum: Cusum {
            allowance: 0.5,
            decision: 5.0,
        },
    };
}

/// Something that happened to the scanner.
#[derive(Debug, Clone, PartialEq)]
pub struct Event {
    /// Its entry.
    pub sequence: u64,
    /// When.
    pub time: Timestamp,
    /// What.
    pub note: String,
    /// Who noted it.
    pub operator: Option<String>,
}

/// What the checks of a scanner say together.
#[derive(Debug, Clone, PartialEq)]
pub struct Review {
    /// The scanner.
    pub scanner: String,
    /// Checks that were charted.
    pub checks: usize,
    /// Times of the first and the last of them.
    pub span: Option<(Timestamp, Timestamp)>,
    /// Events in the order of time.
    pub events: Vec<Event>,
    /// The quantities, geometric errors first.
    pub series: Vec<Series>,
    /// Repeatability and reproducibility, where operators repeated checks.
    pub gauge: Option<GaugeReview>,
    /// The settings.
    pub settings: ReviewSettings,
    /// Calls to be expected by chance over all series, were everything in control.
    pub expected_calls: ExpectedCalls,
}

/// Calls to be expected by chance alone, by the theory of run lengths.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ExpectedCalls {
    /// By the zone rules.
    pub zone_rules: f64,
    /// By EWMA.
    pub ewma: f64,
    /// By CUSUM.
    pub cusum: f64,
}

/// How a scanner stands at its newest check.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Standing {
    /// Nothing was checked yet.
    NoChecks,
    /// No chart calls, and nothing is out of tolerance.
    AsBefore,
    /// A chart calls.
    NotAsBefore,
    /// Something is out of tolerance.
    OutOfTolerance,
}

impl Review {
    /// How the scanner stands at its newest check, and the names of what makes it so.
    #[must_use]
    pub fn standing(&self) -> (Standing, Vec<&str>) {
        let names = |chosen: fn(&Series) -> bool| -> Vec<&str> {
            let chosen = self.series.iter().filter(|it| chosen(it));
            chosen.map(|it| it.name.as_str()).collect()
        };
        if self.checks == 0 {
            return (Standing::NoChecks, Vec::new());
        }
        let outside = names(|it| it.verdict() == Some(Verdict::OutOfTolerance));
        if !outside.is_empty() {
            return (Standing::OutOfTolerance, outside);
        }
        let calling = names(|it| !it.calls_now().is_empty());
        match calling.is_empty() {
            true => (Standing::AsBefore, calling),
            false => (Standing::NotAsBefore, calling),
        }
    }
}

/// Looks at all of a log.
///
/// A scan that was checked more than once counts once, by its newest entry.
#[must_use]
pub fn review(log: &Log, settings: &ReviewSettings) -> Review {
    let mut by_scan = BTreeMap::new();
    for logged in &log.entries {
        if let Some(check) = &logged.entry.check {
            by_scan.insert(check.scan.as_str(), logged);
        }
    }
    let mut checks: Vec<&Logged> = by_scan.into_values().collect();
    checks.sort_by_key(|it| (it.entry.time, it.entry.sequence));
    let mut events: Vec<Event> = log
        .entries
        .iter()
        .filter(|it| it.entry.check.is_none())
        .filter_map(|it| {
            Some(Event {
                sequence: it.entry.sequence,
                time: it.entry.time,
                note: it.entry.note.clone()?,
                operator: it.entry.operator.clone(),
            })
        })
        .collect();
    events.sort_by_key(|it| (it.time, it.sequence));
    let series: Vec<Series> = points_of(&checks)
        .into_par_iter()
        .map(|(name, unit, points)| series_of(name, unit, points, &events, settings))
        .collect();
    let charted = series.iter().flat_map(|it| &it.charted).flatten().count();
    let calls = |run_length: Option<f64>| run_length.map_or(0.0, |it| charted as f64 / it);
    Review {
        scanner: log.scanner.clone(),
        checks: checks.len(),
        span: checks
            .first()
            .zip(checks.last())
            .map(|(first, last)| (first.entry.time, last.entry.time)),
        gauge: gauge_review(&checks),
        expected_calls: ExpectedCalls {
            zone_rules: calls(Some(WESTERN_ELECTRIC_RUN_LENGTH)),
            ewma: calls(ewma_run_length(&settings.ewma, 0.0)),
            cusum: calls(cusum_run_length(&settings.cusum, 0.0)),
        },
        events,
        series,
        settings: *settings,
    }
}

fn series_of(
    name: String,
    unit: String,
    points: Vec<Point>,
    events: &[Event],
    settings: &ReviewSettings,
) -> Series {
    let (changes, mut phases) = changes_and_phases(&points, events);
    let mut charted = vec![None; points.len()];
    let mut breaks = Vec::new();
    let mut signals = Vec::new();
    for phase in &mut phases {
        let mut charts = Charts::new(settings);
        for index in phase.start..phase.end {
            let (said, rules) = charts.take(points[index].value);
            charted[index] = said;
            if !rules.is_empty() {
                signals.push(Signal { index, rules });
            }
        }
        phase.learned = charts.known.learned();
        // The first points of a phase have no score.
        let inside = &charted[phase.start..phase.end];
        let first = phase.start + inside.iter().take_while(|it| it.is_none()).count();
        let scores: Vec<f64> = charted[first..phase.end]
            .iter()
            .filter_map(|it| it.map(|said| said.score))
            .collect();
        breaks.extend(zone_breaks(&scores, 0.0, 1.0).into_iter().map(|mut found| {
            found.index += first;
            found
        }));
    }
    let newest_change = changes.last().map_or(0, |it| it.index);
    Series {
        trend: trend(&points, newest_change),
        name,
        unit,
        points,
        phases,
        changes,
        charted,
        breaks,
        signals,
    }
}

/// From so many values on, the centre is known to 0.14 standard deviations, and sums and averages that call by chance
/// come back by themselves.
const FIRM: usize = 50;

/// The charts of one phase in the making.
struct Charts<'a> {
    settings: &'a ReviewSettings,
    known: SelfStarting,
    ewma: EwmaRun,
    cusum: CusumRun,
}

impl<'a> Charts<'a> {
    fn new(settings: &'a ReviewSettings) -> Self {
        Self {
            settings,
            known: SelfStarting::new(settings.limits_from),
            ewma: settings.ewma.start(0.0, 1.0),
            cusum: settings.cusum.start(),
        }
    }

    /// What the charts say of the next value, and the rules by which they call. They learn from it if none
    /// does; while little is known, a sum or an average may call for that alone, and only values beyond limits are left out.
    fn take(&mut self, value: f64) -> (Option<Charted>, Vec<&'static str>) {
        let said = self.known.learned().map(|learned| {
            let score = learned.score(value);
            Charted {
                learned,
                score,
                ewma: self.ewma.add(score),
                cusum: self.cusum.add(score),
            }
        });
        let mut rules = Vec::new();
        if let Some(said) = &said {
            // Only these call for action; the other zone rules are told beside them.
            if said.score.abs() > 3.0 {
                rules.push(ZoneRule::OneBeyondThree.text());
            }
            if said.ewma.is_outside() {
                rules.push("EWMA");
            }
            if self.settings.cusum.is_outside(&said.cusum) {
                rules.push("CUSUM");
            }
        }
        let may_learn = match &said {
            Some(said) if said.learned.values < FIRM => said.score.abs() <= 3.0,
            _ => rules.is_empty(),
        };
        if may_learn {
            self.known.learn(value);
        }
        (said, rules)
    }
}
