//! The history of a scanner: its log's checks as series to be charted, with events, changes and trends.

use std::path::Path;

use axum::Json;
use axum::body::Bytes;
use axum::extract::Query;
use serde::Deserialize;
use serde_json::{Value, json};
use weighlight::drift::DriftReport;
use weighlight::history::{
    Log, Meeting, ORIGIN, Review, ReviewSettings, Series, Standing, Trend, log_path, parse_log,
    read_log, review,
};
use weighlight::report::{Quantity, cause_words, quantity};
use weighlight::{Error, Result};

use super::super::saved::{clean_name, place};
use super::super::{Answer, Refused, work};
use super::{Desk, LOGS, State};

/// Days of a mean month.
const MONTH_DAYS: f64 = 365.25 / 12.0;
/// Places on the line of a trend.
const TREND_STEPS: i64 = 16;

/// The log of a scanner in the folder saved into; `None` where there is none yet.
pub(crate) fn log_of(save_to: &Path, scanner: &str) -> Result<Option<Log>> {
    let path = place(save_to, LOGS, &format!("{scanner}.jsonl"))?;
    if !path.is_file() {
        return Ok(None);
    }
    read_log(&save_to.join(LOGS), scanner).map(Some)
}

/// Where a check would go in its scanner's log, and whether its scan is there already.
pub(super) fn standing(desk: &Desk, report: &DriftReport) -> Answer<Value> {
    let save_to = &desk.store.opened.save_to;
    let log = log_of(save_to, &report.scanner)?;
    let entries = log
        .as_ref()
        .map(|it| it.entries.as_slice())
        .unwrap_or_default();
    let earlier: Vec<u64> = entries
        .iter()
        .filter(|it| {
            it.entry
                .check
                .as_ref()
                .is_some_and(|check| check.scan == report.scan)
        })
        .map(|it| it.entry.sequence)
        .collect();
    Ok(json!({
        "seen": seen(log.as_ref()),
        "entries": log.as_ref().map_or(0, |it| it.last_sequence),
        "same_scan": earlier,
    }))
}

fn seen(log: Option<&Log>) -> String {
    let last = log.and_then(|it| it.last_hash.clone());
    last.unwrap_or_else(|| ORIGIN.to_owned())
}

/// The history of a log that the page keeps.
pub(super) async fn kept(
    state: State,
    scanner: axum::extract::Path<String>,
) -> Answer<Json<Value>> {
    work(move || {
        let save_to = &state.store.opened.save_to;
        let found = log_of(save_to, &scanner)?;
        let log = found.ok_or(Refused::Unknown)?;
        let mut answer = told(&log);
        answer["seen"] = json!(seen(Some(&log)));
        Ok(Json(answer))
    })
    .await
}

#[derive(Deserialize)]
pub(super) struct Named {
    name: String,
}

/// The history of a log that was given; nothing of it is kept.
pub(super) async fn given(_: State, named: Query<Named>, body: Bytes) -> Answer<Json<Value>> {
    work(move || {
        let name = clean_name(&named.name)?;
        let scanner = name.strip_suffix(".jsonl").ok_or_else(|| {
            Refused::Invalid(format!("{name}: expected a log of checks, SCANNER.jsonl"))
        })?;
        log_path(Path::new(""), scanner)?;
        let log = parse_log(Path::new(name), scanner, &body);
        if log.entries.is_empty() {
            let why = log
                .damage
                .first()
                .map_or("it is empty".to_owned(), ToString::to_string);
            return Err(Refused::Failed(
                Error::new(weighlight::ErrorKind::Document, why)
                    .at(name)
                    .expected("expected a log of checks, as drift --log writes it"),
            ));
        }
        Ok(Json(told(&log)))
    })
    .await
}

fn told(log: &Log) -> Value {
    let review = review(log, &ReviewSettings::USUAL);
    let (standing, names) = review.standing();
    json!({
        "scanner": log.scanner,
        "log": log.path.display().to_string(),
        "entries": log.last_sequence,
        "damage": log.damage.iter().map(ToString::to_string).collect::<Vec<_>>(),
        "notices": log.notices().iter().map(ToString::to_string).collect::<Vec<_>>(),
        "checks": review.checks,
        "span": review.span,
        "standing": match standing {
            Standing::NoChecks => "no checks",
            Standing::AsBefore => "as before",
            Standing::NotAsBefore => "not as before",
            Standing::OutOfTolerance => "out of tolerance",
        },
        "because": names.iter().map(|name| quantity(name, "").title).collect::<Vec<_>>(),
        "events": review.events.iter().map(|it| json!({
            "sequence": it.sequence, "time": it.time, "note": it.note, "operator": it.operator,
        })).collect::<Vec<_>>(),
        "series": review.series.iter().map(|it| series(it, &review)).collect::<Vec<_>>(),
    })
}

fn series(series: &Series, review: &Review) -> Value {
    let shown = quantity(&series.name, &series.unit);
    let points = &series.points;
    let time = |index: usize| points.get(index).map(|it| it.time);
    json!({
        "name": series.name,
        "title": shown.title,
        "unit": shown.unit,
        "off_one": series.name.ends_with("_scale"),
        "verdict": series.verdict(),
        "time": points.iter().map(|it| it.time).collect::<Vec<_>>(),
        "value": points.iter().map(|it| shown.value(it.value)).collect::<Vec<_>>(),
        "u": points.iter().map(|it| it.u.map(|u| shown.difference(u))).collect::<Vec<_>>(),
        "entry": points.iter().map(|it| it.sequence).collect::<Vec<_>>(),
        "lower": points.iter().map(|it| Some(shown.value(it.tolerance?.lower?))).collect::<Vec<_>>(),
        "upper": points.iter().map(|it| Some(shown.value(it.tolerance?.upper))).collect::<Vec<_>>(),
        "centre": series.charted.iter().map(|it| Some(shown.value(it.as_ref()?.learned.centre))).collect::<Vec<_>>(),
        "control_lower": series.charted.iter().map(|it| Some(shown.value(it.as_ref()?.learned.lower))).collect::<Vec<_>>(),
        "control_upper": series.charted.iter().map(|it| Some(shown.value(it.as_ref()?.learned.upper))).collect::<Vec<_>>(),
        "calls_now": series.calls_now(),
        "calls": series.signals.iter().map(|it| json!({
            "at": it.index, "rules": it.rules,
        })).collect::<Vec<_>>(),
        "changes": series.changes.iter().map(|it| json!({
            "time": time(it.index),
            "step": shown.difference(it.after - it.before),
            "u": shown.difference(it.u),
            "cause": cause_words(&it.cause),
        })).collect::<Vec<_>>(),
        "trend": series.trend.as_ref().map(|it| trend(it, series, &shown)),
        "limits_from": review.settings.limits_from,
    })
}

fn trend(trend: &Trend, series: &Series, shown: &Quantity) -> Value {
    let ends = series.points.get(trend.start).zip(series.points.last());
    let line: Vec<Value> = ends
        .into_iter()
        .flat_map(|(first, last)| {
            let (from, to) = (first.time.as_millisecond(), last.time.as_millisecond());
            (0..=TREND_STEPS).map(move |i| from + (to - from) / TREND_STEPS * i)
        })
        .filter_map(|at| jiff::Timestamp::from_millisecond(at).ok())
        .map(|time| {
            let (value, half) = trend.at(time);
            json!({
                "time": time, "value": shown.value(value),
                "low": shown.value(value - half), "high": shown.value(value + half),
            })
        })
        .collect();
    json!({
        "line": line,
        "per_month": shown.difference(trend.per_day * MONTH_DAYS),
        "per_month_u": shown.difference(trend.per_day_u * MONTH_DAYS),
        "meets": trend.meeting.as_ref().map(|it| match it {
            Meeting::Already { .. } => json!({"when": "already"}),
            Meeting::Far { .. } => json!({"when": "not within ten years"}),
            Meeting::At { date, earliest, latest, .. } => {
                json!({"date": date, "earliest": earliest, "latest": latest})
            }
        }),
    })
}
