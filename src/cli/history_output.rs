//! A history as text, JSON and CSV.

use std::io::Write;

use serde_json::{Value, json};
use weighlight::drift::Verdict;
use weighlight::history::{Change, ChangeCause, Charted, Log, Meeting, Review, Series, Standing};
use weighlight::tables::with_uncertainty;

/// The format word of the JSON form.
const FORMAT: &str = "weighlight-history/1";

fn standing(review: &Review) -> &'static str {
    match review.standing().0 {
        Standing::NoChecks => "no checks",
        Standing::AsBefore => "as before",
        Standing::NotAsBefore => "not as before",
        Standing::OutOfTolerance => "out of tolerance",
    }
}

fn verdict(series: &Series) -> Option<&'static str> {
    series.verdict().map(|it| match it {
        Verdict::InTolerance => "in tolerance",
        Verdict::Warning => "warning",
        Verdict::OutOfTolerance => "out of tolerance",
    })
}

fn cause(change: &Change) -> String {
    match &change.cause {
        ChangeCause::Event { sequence, note, .. } => format!("{note} (entry {sequence})"),
        ChangeCause::Target { from, to } => format!("target {to} instead of {from}"),
        ChangeCause::Unknown => "nothing was noted".to_owned(),
    }
}

pub(super) fn text(to: &mut dyn Write, log: &Log, review: &Review) -> std::io::Result<()> {
    writeln!(to, "scanner {}: {}", review.scanner, standing(review))?;
    let names = review.standing().1;
    if !names.is_empty() {
        writeln!(to, "  because of {}", names.join(", "))?;
    }
    if let Some((first, last)) = review.span {
        writeln!(
            to,
            "  {} checks, {} to {}; {} events",
            review.checks,
            first.strftime("%Y-%m-%d"),
            last.strftime("%Y-%m-%d"),
            review.events.len()
        )?;
    }
    let hash = log.last_hash.as_deref().unwrap_or("unknown");
    writeln!(
        to,
        "  log ends with entry {}, hash {hash}",
        log.last_sequence
    )?;
    if !review.series.is_empty() {
        writeln!(
            to,
            "\n{:<17} {:>22} {:<6} {:<17} {:<24} trend",
            "quantity", "newest ± u", "unit", "verdict", "charts call"
        )?;
    }
    for series in &review.series {
        let newest = series.points.last();
        let value = newest.map_or_else(String::new, |it| match it.u {
            Some(u) => with_uncertainty(it.value, u),
            None => format!("{:.4}", it.value),
        });
        let calls = match (series.charted.last(), series.calls_now().join(", ")) {
            (None | Some(None), _) => "no limits yet".to_owned(),
            (_, calls) if calls.is_empty() => "-".to_owned(),
            (_, calls) => calls,
        };
        writeln!(
            to,
            "{:<17} {value:>22} {:<6} {:<17} {calls:<24} {}",
            series.name,
            series.unit,
            verdict(series).unwrap_or("-"),
            trend(series)
        )?;
    }
    let mut changes: Vec<(&Series, &Change)> = review
        .series
        .iter()
        .flat_map(|series| series.changes.iter().map(move |change| (series, change)))
        .collect();
    changes.sort_by_key(|(series, change)| series.points[change.index].time);
    if !changes.is_empty() {
        writeln!(to, "\nlasting changes")?;
    }
    for (series, change) in changes {
        writeln!(
            to,
            "  {}  {:<17} {} {}  {}",
            series.points[change.index].time.strftime("%Y-%m-%d %H:%M"),
            series.name,
            with_uncertainty(change.after - change.before, change.u),
            series.unit,
            cause(change)
        )?;
    }
    if let Some(gauge) = &review.gauge {
        writeln!(
            to,
            "\nrepeatability and reproducibility ({}; {} checks)",
            gauge.operators.join(", "),
            gauge.entries.len()
        )?;
        for row in &gauge.parameters {
            writeln!(
                to,
                "  {:<17} repeatability {:.2e}, reproducibility {:.2e} {}; {:.0} % of the tolerance",
                row.name,
                row.study.repeatability,
                row.study.reproducibility,
                row.unit,
                100.0 * row.share_of_tolerance
            )?;
        }
    }
    let expected = review.expected_calls;
    writeln!(
        to,
        "\nlimits learned from up to {} checks of a phase; in control, chance alone makes about {:.0} calls by zone rules, {:.0} by EWMA, \
         {:.0} by CUSUM over all charts",
        review.settings.limits_from, expected.zone_rules, expected.ewma, expected.cusum
    )
}

fn trend(series: &Series) -> String {
    let Some(trend) = &series.trend else {
        return "-".to_owned();
    };
    let rate = format!("{} a day", with_uncertainty(trend.per_day, trend.per_day_u));
    match &trend.meeting {
        None => rate,
        Some(Meeting::Already { .. }) => format!("{rate}, beyond its tolerance"),
        Some(Meeting::Far { .. }) => format!("{rate}, meets its tolerance in more than ten years"),
        Some(Meeting::At {
            date,
            earliest,
            latest,
            ..
        }) => {
            let day = |time: &jiff::Timestamp| time.strftime("%Y-%m-%d").to_string();
            let end = |time: &Option<jiff::Timestamp>| time.as_ref().map_or("…".to_owned(), day);
            format!(
                "{rate}, meets its tolerance on {} ({} to {})",
                day(date),
                end(earliest),
                end(latest)
            )
        }
    }
}

pub(super) fn json(to: &mut dyn Write, log: &Log, review: &Review) -> std::io::Result<()> {
    let series: Vec<Value> = review.series.iter().map(series_json).collect();
    let events: Vec<Value> = review
        .events
        .iter()
        .map(|it| {
            json!({"sequence": it.sequence, "time": it.time.to_string(), "note": it.note, "operator": it.operator})
        })
        .collect();
    let gauge = review.gauge.as_ref().map(|it| {
        let parameters: Vec<Value> = it
            .parameters
            .iter()
            .map(|row| {
                json!({
                    "name": row.name, "unit": row.unit,
                    "occasions": row.study.parts, "trials": row.study.trials,
                    "interaction_pooled": row.study.pooled,
                    "repeatability": row.study.repeatability, "reproducibility": row.study.reproducibility,
                    "gauge": row.study.gauge, "between_occasions": row.study.between_parts,
                    "share_of_tolerance": row.share_of_tolerance, "share_of_variation": row.study.share(),
                    "categories": row.study.categories(),
                })
            })
            .collect();
        json!({"operators": it.operators, "entries": it.entries, "parameters": parameters})
    });
    let settings = review.settings;
    let whole = json!({
        "format": FORMAT,
        "scanner": review.scanner,
        "standing": standing(review),
        "because_of": review.standing().1,
        "checks": review.checks,
        "log": {
            "path": log.path.display().to_string(),
            "last_sequence": log.last_sequence,
            "last_hash": log.last_hash,
            "damage": log.damage.iter().map(ToString::to_string).collect::<Vec<_>>(),
            "notices": log.notices().iter().map(ToString::to_string).collect::<Vec<_>>(),
        },
        "settings": {
            "limits_from": settings.limits_from,
            "ewma_lambda": settings.ewma.lambda, "ewma_width": settings.ewma.width,
            "cusum_allowance": settings.cusum.allowance, "cusum_decision": settings.cusum.decision,
        },
        "expected_calls": {
            "zone_rules": review.expected_calls.zone_rules,
            "ewma": review.expected_calls.ewma,
            "cusum": review.expected_calls.cusum,
        },
        "events": events,
        "series": series,
        "gauge": gauge,
    });
    serde_json::to_writer_pretty(&mut *to, &whole).map_err(std::io::Error::other)?;
    writeln!(to)
}

fn series_json(series: &Series) -> Value {
    let changes: Vec<Value> = series
        .changes
        .iter()
        .map(|change| {
            let event = match &change.cause {
                ChangeCause::Event { sequence, .. } => Some(*sequence),
                _ => None,
            };
            json!({
                "sequence": series.points[change.index].sequence,
                "time": series.points[change.index].time.to_string(),
                "before": change.before, "after": change.after, "change_u": change.u,
                "event": event, "cause": cause(change),
            })
        })
        .collect();
    let phases: Vec<Value> = series
        .phases
        .iter()
        .map(|phase| {
            json!({
                "from_sequence": series.points[phase.start].sequence,
                "checks": phase.end - phase.start, "learned_from": phase.learned.map(|it| it.values),
                "centre": phase.learned.map(|it| it.centre), "sd": phase.learned.map(|it| it.sd),
                "lower": phase.learned.map(|it| it.lower), "upper": phase.learned.map(|it| it.upper),
            })
        })
        .collect();
    let trend = series.trend.as_ref().map(|it| {
        let (meets, limit, date, earliest, latest) = match &it.meeting {
            None => (None, None, None, None, None),
            Some(Meeting::Already { limit }) => (Some("already"), Some(*limit), None, None, None),
            Some(Meeting::Far { limit }) => (Some("far"), Some(*limit), None, None, None),
            Some(Meeting::At {
                limit,
                date,
                earliest,
                latest,
            }) => (Some("at"), Some(*limit), Some(*date), *earliest, *latest),
        };
        json!({
            "per_day": it.per_day, "per_day_u": it.per_day_u, "meets_tolerance": meets, "limit": limit,
            "date": date.map(|it| it.to_string()), "earliest": earliest.map(|it| it.to_string()),
            "latest": latest.map(|it| it.to_string()),
        })
    });
    let newest = series.points.last();
    json!({
        "name": series.name, "unit": series.unit,
        "newest": newest.map(|it| it.value), "u": newest.and_then(|it| it.u),
        "verdict": verdict(series), "calls_now": series.calls_now(),
        "changes": changes, "phases": phases, "trend": trend,
    })
}

/// One line for each value of each quantity, with its charts.
pub(super) fn csv(to: &mut dyn Write, review: &Review) -> std::io::Result<()> {
    let mut writer = csv::Writer::from_writer(to);
    let columns = [
        "quantity",
        "unit",
        "sequence",
        "time",
        "value",
        "u",
        "centre",
        "lower",
        "upper",
        "score",
        "ewma",
        "ewma_lower",
        "ewma_upper",
        "cusum_high",
        "cusum_low",
        "zone_rules",
        "calls",
    ];
    writer
        .write_record(columns)
        .map_err(std::io::Error::other)?;
    for series in &review.series {
        let mut breaks = series.breaks.iter().peekable();
        let mut signals = series.signals.iter().peekable();
        for phase in &series.phases {
            for index in phase.start..phase.end {
                let point = &series.points[index];
                let number =
                    |value: Option<f64>| value.map_or_else(String::new, |it| it.to_string());
                let mut rules = Vec::new();
                while let Some(found) = breaks.next_if(|it| it.index == index) {
                    rules.push(found.rule.text());
                }
                let calls = signals.next_if(|it| it.index == index);
                let said = series.charted[index];
                let says = |read: fn(&Charted) -> f64| number(said.as_ref().map(read));
                let cells = [
                    series.name.clone(),
                    series.unit.clone(),
                    point.sequence.to_string(),
                    point.time.to_string(),
                    point.value.to_string(),
                    number(point.u),
                    says(|it| it.learned.centre),
                    says(|it| it.learned.lower),
                    says(|it| it.learned.upper),
                    says(|it| it.score),
                    says(|it| it.ewma.average),
                    says(|it| it.ewma.lower),
                    says(|it| it.ewma.upper),
                    says(|it| it.cusum.high),
                    says(|it| it.cusum.low),
                    rules.join("; "),
                    calls.map_or_else(String::new, |it| it.rules.join("; ")),
                ];
                writer.write_record(cells).map_err(std::io::Error::other)?;
            }
        }
    }
    writer.flush()
}
