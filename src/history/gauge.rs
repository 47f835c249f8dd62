//! Repeatability and reproducibility from checks that several operators repeated.

use std::collections::BTreeMap;

use jiff::SignedDuration;

use crate::stats::{GaugeStudy, gauge_study};

use super::log::Logged;

/// Checks of one target within this time of the first one are of one occasion: the scanner is taken as unchanged.
const OCCASION: SignedDuration = SignedDuration::from_hours(12);

/// Probability above which the interaction is taken as noise (a preliminary test, after Bancroft 1964).
const POOLING: f64 = 0.25;

/// What repeated checks say about checking itself.
#[derive(Debug, Clone, PartialEq)]
pub struct GaugeReview {
    /// The operators who repeated checks on every one of the occasions.
    pub operators: Vec<String>,
    /// The entries that were used, occasion by occasion, operator by operator, in the order of time.
    pub entries: Vec<u64>,
    /// The quantities.
    pub parameters: Vec<ParameterGauge>,
}

/// The study of one quantity.
#[derive(Debug, Clone, PartialEq)]
pub struct ParameterGauge {
    /// The geometric error.
    pub name: String,
    /// Its unit.
    pub unit: String,
    /// The study; its parts are the occasions.
    pub study: GaugeStudy,
    /// Six standard deviations of the gauge over the width of the tolerance ("P/T").
    pub share_of_tolerance: f64,
}

/// One occasion: each operator's checks.
type Occasion<'a> = BTreeMap<&'a str, Vec<&'a Logged>>;

/// The study of checks in the order of time; `None` where no two operators repeated checks on one occasion.
///
/// A crossed study needs the same operators on every occasion, each as often. Taken are the operators who most often came
/// together (of several the larger group, then the first by name), all occasions on which all of them repeated, and of
/// each as many of their first checks as all have.
pub(super) fn gauge_review(checks: &[&Logged]) -> Option<GaugeReview> {
    let mut occasions = occasions(checks);
    for occasion in &mut occasions {
        occasion.retain(|_, checks| checks.len() >= 2);
    }
    occasions.retain(|it| it.len() >= 2);
    let groups: Vec<Vec<&str>> = occasions
        .iter()
        .map(|it| it.keys().copied().collect())
        .collect();
    let together = |group: &[&str]| {
        occasions
            .iter()
            .filter(|it| group.iter().all(|name| it.contains_key(name)))
            .count()
    };
    let operators = groups
        .iter()
        .max_by(|one, other| {
            (together(one), one.len())
                .cmp(&(together(other), other.len()))
                .then_with(|| other.cmp(one))
        })?
        .clone();
    occasions.retain(|it| operators.iter().all(|name| it.contains_key(name)));
    let cells = || {
        occasions
            .iter()
            .flat_map(|it| operators.iter().filter_map(|name| it.get(name)))
    };
    let trials = cells().map(Vec::len).min()?;
    let used: Vec<&Logged> = cells()
        .flat_map(|checks| checks.iter().take(trials).copied())
        .collect();
    let newest = used
        .iter()
        .max_by_key(|it| it.entry.time)?
        .entry
        .check
        .as_ref()?;
    let parameters: Vec<ParameterGauge> = newest
        .parameters
        .iter()
        .filter_map(|parameter| {
            let values: Option<Vec<f64>> = used
                .iter()
                .map(|it| {
                    let check = it.entry.check.as_ref()?;
                    check
                        .parameters
                        .iter()
                        .find(|p| p.name == parameter.name)?
                        .value
                })
                .collect();
            let study = gauge_study(occasions.len(), operators.len(), trials, &values?, POOLING)?;
            Some(ParameterGauge {
                name: parameter.name.clone(),
                unit: parameter.unit.clone(),
                share_of_tolerance: 3.0 * study.gauge / parameter.tolerance,
                study,
            })
        })
        .collect();
    (!parameters.is_empty()).then(|| GaugeReview {
        operators: operators.iter().map(|name| (*name).to_owned()).collect(),
        entries: used.iter().map(|it| it.entry.sequence).collect(),
        parameters,
    })
}

fn occasions<'a>(checks: &[&'a Logged]) -> Vec<Occasion<'a>> {
    let mut found: Vec<(&str, jiff::Timestamp, Occasion<'a>)> = Vec::new();
    for &logged in checks {
        let (Some(check), Some(operator)) = (&logged.entry.check, &logged.entry.operator) else {
            continue;
        };
        let time = logged.entry.time;
        let open = found.iter().rposition(|(target, first, _)| {
            *target == check.target && time.duration_since(*first) <= OCCASION
        });
        let place = open.unwrap_or_else(|| {
            found.push((check.target.as_str(), time, Occasion::new()));
            found.len() - 1
        });
        found[place]
            .2
            .entry(operator.as_str())
            .or_default()
            .push(logged);
    }
    found.into_iter().map(|it| it.2).collect()
}
