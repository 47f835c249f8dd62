//! The history of a scanner as a page: where everything stands, what changed, the charts.

use askama::Template;
use jiff::Timestamp;

use crate::error::Result;
use crate::history::{
    Change, ChangeCause, Event, Log, Meeting, ORIGIN, ParameterGauge, Review, Series, Standing,
};

use super::history_charts::{Chart, chart};
use super::page::{Page, render};
use super::quantities::{day, minute, plain, quantity, verdict};

/// Days of a mean month.
const MONTH_DAYS: f64 = 365.25 / 12.0;

/// The history as one HTML page, made at the time `made`.
///
/// # Errors
/// The page cannot be written.
pub fn history_page(log: &Log, review: &Review, made: Timestamp) -> Result<String> {
    let (standing, names) = review.standing();
    let titles: Vec<String> = names
        .iter()
        .map(|name| quantity(name, "").title.to_lowercase())
        .collect();
    let names = titles.join(", ");
    let (state_class, state, state_means) = match standing {
        Standing::OutOfTolerance => (
            "bad",
            "out of tolerance",
            format!("at the newest check: {names}"),
        ),
        Standing::NotAsBefore => (
            "unsure",
            "not as before",
            format!("the charts call at the newest check: {names}"),
        ),
        Standing::NoChecks => ("unsure", "no checks", "nothing was checked yet".to_owned()),
        Standing::AsBefore => (
            "good",
            "as before",
            "no chart calls at the newest check, and nothing is out of tolerance".to_owned(),
        ),
    };
    let hash = log.last_hash.as_deref().filter(|it| *it != ORIGIN);
    render(&HistoryPage {
        page: Page::new(
            format!("History of scanner {}", review.scanner),
            &format!(
                "{} {} {:?}",
                review.scanner, log.last_sequence, log.last_hash
            ),
        ),
        review,
        span: review
            .span
            .map(|(first, last)| format!("{} to {}", day(first), day(last))),
        made: minute(made),
        state_class,
        state,
        state_means,
        damage: log.damage.iter().map(ToString::to_string).collect(),
        notices: log.notices().iter().map(ToString::to_string).collect(),
        rows: review.series.iter().map(row).collect(),
        changes: changes(review),
        events: review.events.iter().map(event_row).collect(),
        gauge_rows: review
            .gauge
            .iter()
            .flat_map(|it| &it.parameters)
            .map(gauge_row)
            .collect(),
        figures: review.series.iter().map(|it| chart(it, review)).collect(),
        calls: calls(review),
        log: log.path.display().to_string(),
        last_sequence: log.last_sequence,
        last_hash: hash.unwrap_or("–").to_owned(),
    })
}

#[derive(Template)]
#[template(path = "history.html", config = "src/report/html/askama.toml")]
struct HistoryPage<'a> {
    page: Page,
    review: &'a Review,
    span: Option<String>,
    made: String,
    state_class: &'static str,
    state: &'static str,
    state_means: String,
    damage: Vec<String>,
    notices: Vec<String>,
    rows: Vec<Row>,
    changes: Vec<ChangeRow>,
    events: Vec<EventRow>,
    gauge_rows: Vec<GaugeRow>,
    figures: Vec<Chart>,
    calls: String,
    log: String,
    last_sequence: u64,
    last_hash: String,
}

struct Row {
    name: String,
    title: String,
    value: String,
    class: &'static str,
    verdict: &'static str,
    calls: String,
    trend: String,
    meets: String,
}

struct ChangeRow {
    time: Timestamp,
    date: String,
    title: String,
    step: String,
    cause: String,
}

struct EventRow {
    sequence: u64,
    when: String,
    note: String,
    operator: String,
}

struct GaugeRow {
    title: String,
    repeatability: String,
    reproducibility: String,
    gauge: String,
    of_tolerance: String,
    of_variation: String,
    categories: String,
}

fn row(series: &Series) -> Row {
    let shown = quantity(&series.name, &series.unit);
    let newest = series.points.last();
    let (class, verdict) = series.verdict().map_or(("", "–"), verdict);
    let calls = match (series.charted.last(), series.calls_now()) {
        (None | Some(None), _) => "no limits yet".to_owned(),
        (_, rules) if rules.is_empty() => "–".to_owned(),
        (_, rules) => rules.join(", "),
    };
    let trend = series.trend.as_ref();
    Row {
        name: series.name.clone(),
        value: newest.map_or("–".to_owned(), |it| shown.value_text(it.value, it.u)),
        class,
        verdict,
        calls,
        trend: trend.map_or("–".to_owned(), |it| {
            shown.difference_text(it.per_day * MONTH_DAYS, Some(it.per_day_u * MONTH_DAYS))
        }),
        meets: trend
            .and_then(|it| it.meeting.as_ref())
            .map_or("–".to_owned(), meeting),
        title: shown.title,
    }
}

fn meeting(meeting: &Meeting) -> String {
    match meeting {
        Meeting::Already { .. } => "already".to_owned(),
        Meeting::Far { .. } => "not within ten years".to_owned(),
        Meeting::At {
            date,
            earliest,
            latest,
            ..
        } => format!(
            "{} ({} to {})",
            day(*date),
            earliest.map_or("…".to_owned(), day),
            latest.map_or("later than ten years".to_owned(), day)
        ),
    }
}

fn changes(review: &Review) -> Vec<ChangeRow> {
    let mut rows: Vec<ChangeRow> = review
        .series
        .iter()
        .flat_map(|series| {
            series
                .changes
                .iter()
                .map(move |change| change_row(series, change))
        })
        .collect();
    rows.sort_by_key(|row| std::cmp::Reverse(row.time));
    rows
}

fn change_row(series: &Series, change: &Change) -> ChangeRow {
    let shown = quantity(&series.name, &series.unit);
    let time = series.points[change.index].time;
    ChangeRow {
        time,
        date: minute(time),
        step: shown.difference_text(change.after - change.before, Some(change.u)),
        title: shown.title,
        cause: cause_words(&change.cause),
    }
}

/// What is known of why a quantity changed, in words.
#[must_use]
pub fn cause_words(cause: &ChangeCause) -> String {
    match cause {
        ChangeCause::Event {
            sequence,
            note,
            after,
        } => {
            let hours = after.as_hours();
            let apart = match hours.unsigned_abs() {
                0..48 => format!("{} h", hours.abs()),
                more => format!("{} days", more / 24),
            };
            let side = if after.is_negative() {
                "after"
            } else {
                "before"
            };
            format!("{note} (entry {sequence}, {apart} {side})")
        }
        ChangeCause::Target { from, to } => format!("other target: {to} instead of {from}"),
        ChangeCause::Unknown => "nothing was noted".to_owned(),
    }
}

fn event_row(event: &Event) -> EventRow {
    EventRow {
        sequence: event.sequence,
        when: minute(event.time),
        note: event.note.clone(),
        operator: event.operator.clone().unwrap_or_else(|| "–".to_owned()),
    }
}

fn gauge_row(row: &ParameterGauge) -> GaugeRow {
    let shown = quantity(&row.name, &row.unit);
    let sd = |value: f64| plain(shown.difference(value));
    let percent = |share: f64| format!("{:.0} %", 100.0 * share);
    GaugeRow {
        repeatability: sd(row.study.repeatability),
        reproducibility: sd(row.study.reproducibility),
        gauge: sd(row.study.gauge),
        of_tolerance: percent(row.share_of_tolerance),
        of_variation: row.study.share().map_or("–".to_owned(), percent),
        categories: row
            .study
            .categories()
            .map_or("–".to_owned(), |it| it.to_string()),
        title: format!("{}, {}", shown.title, shown.unit),
    }
}

/// How many calls there were, and how many chance alone would make.
fn calls(review: &Review) -> String {
    let expected = review.expected_calls;
    let zone: usize = review.series.iter().map(|it| it.breaks.len()).sum();
    let signals: usize = review.series.iter().map(|it| it.signals.len()).sum();
    format!(
        "Were everything in control, chance alone would make the zone rules call about {:.0} times over all charts, EWMA {:.0} and \
         CUSUM {:.0} times. Points at which a zone rule is broken: {zone}; points beyond limits, or with EWMA or CUSUM outside: {signals}.",
        expected.zone_rules, expected.ewma, expected.cusum
    )
}
