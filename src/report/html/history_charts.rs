//! The charts of one quantity over all checks of a scanner.

use jiff::Timestamp;
use serde_json::{Value, json};

use crate::history::{Charted, Review, Series, Trend};

use super::charts::{BLUE, Figure, GREEN, GREY, ORANGE, Sketch, VERMILION, f32s, f64s};
use super::quantities::{Quantity, day, quantity};

/// Most events that are marked with their entry's number above a chart; more would cover each other.
const MOST_LABELS: usize = 14;

/// A figure with what its charts learned.
pub(super) struct Chart {
    pub(super) name: String,
    pub(super) figure: Figure,
    pub(super) limits: String,
}

/// Values, averages and sums of one quantity, one above the other.
pub(super) fn chart(series: &Series, review: &Review) -> Chart {
    let shown = quantity(&series.name, &series.unit);
    let at = |time: Timestamp| time.as_millisecond() as f64;
    let place = |index: usize| series.points.get(index).map_or(f64::NAN, |it| at(it.time));
    let dense = series.points.len() > 500;
    let mut sketch = Sketch::new(
        format!(
            "{}, {}{}",
            shown.title,
            shown.unit,
            if series.name.ends_with("_scale") {
                " off 1"
            } else {
                ""
            }
        ),
        430,
    );
    sketch.shared(f64s(series.points.iter().map(|it| at(it.time))));
    let hover = format!(
        "%{{x|%Y-%m-%d %H:%M}}: %{{y:.4g}} {}<extra></extra>",
        shown.unit
    );
    sketch.trace(json!({
        "type": "scatter", "mode": "markers", "x": "shared",
        "y": f32s(series.points.iter().map(|it| shown.value(it.value))),
        "marker": {"color": BLUE, "size": if dense { 2 } else { 5 }}, "hovertemplate": hover,
    }));
    limits(&mut sketch, series, &shown, review, &place);
    averages(&mut sketch, series);
    called(&mut sketch, series, &shown);
    if let Some(trend) = &series.trend {
        trend_lines(&mut sketch, series, trend, &shown);
    }
    sketch
        .layout("xaxis", json!({"type": "date", "anchor": "y3"}))
        .layout("yaxis", json!({"domain": [0.5, 1.0], "title": {"text": shown.unit}, "range": range(series, &shown)}))
        .layout("yaxis2", json!({"domain": [0.25, 0.45], "title": {"text": "EWMA"}}))
        .layout("yaxis3", json!({"domain": [0.0, 0.2], "title": {"text": "CUSUM"}, "rangemode": "tozero"}))
        .layout("shapes", events(review, &at))
        .layout("annotations", labels(review, &at));
    Chart {
        name: series.name.clone(),
        limits: limits_text(series, &shown),
        figure: sketch.done(),
    }
}

/// The range in which the values lie; a tolerance far off must not press them flat.
fn range(series: &Series, shown: &Quantity) -> Value {
    let (mut low, mut high) = (f64::INFINITY, f64::NEG_INFINITY);
    for point in &series.points {
        low = low.min(point.value);
        high = high.max(point.value);
    }
    for learned in series.phases.iter().filter_map(|it| it.learned) {
        low = low.min(learned.lower);
        high = high.max(learned.upper);
    }
    let span = high - low;
    // The tolerance is shown where that costs no more than half of the chart.
    if let Some(tolerance) = series.points.last().and_then(|it| it.tolerance) {
        for limit in [tolerance.lower, Some(tolerance.upper)]
            .into_iter()
            .flatten()
        {
            if low - span < limit && limit < high + span {
                low = low.min(limit);
                high = high.max(limit);
            }
        }
    }
    let margin = 0.06 * (high - low).max(f64::MIN_POSITIVE);
    json!([shown.value(low - margin), shown.value(high + margin)])
}

/// Centre, limits and tolerance of each phase, as lines that break between phases.
fn limits(
    sketch: &mut Sketch,
    series: &Series,
    shown: &Quantity,
    review: &Review,
    place: &dyn Fn(usize) -> f64,
) {
    // Limits move while they are learned and then stand still: only places where they move are needed.
    let (mut x, mut moving) = (Vec::new(), [const { Vec::new() }; 3]);
    let known = |index: usize| {
        let said = series.charted.get(index).copied().flatten();
        said.map(|it| it.learned)
    };
    for phase in &series.phases {
        for index in phase.start..phase.end {
            let now = known(index);
            let still = index > phase.start
                && index + 1 < phase.end
                && known(index - 1) == now
                && known(index + 1) == now;
            if let (Some(now), false) = (now, still) {
                x.push(place(index));
                for (line, value) in moving.iter_mut().zip([now.centre, now.lower, now.upper]) {
                    line.push(shown.value(value));
                }
            }
        }
        x.push(f64::NAN);
        moving.iter_mut().for_each(|line| line.push(f64::NAN));
    }
    let mut line = |y: Vec<f64>, axis: &str, x: &[f64], colour: &str, dash: &str| {
        sketch.trace(json!({
            "type": "scatter", "mode": "lines", "x": f64s(x.iter().copied()), "y": f32s(y), "yaxis": axis,
            "line": {"color": colour, "width": 1.2, "dash": dash}, "hoverinfo": "skip", "connectgaps": false,
        }));
    };
    let [centre, lower, upper] = moving;
    line(centre, "y", &x, GREEN, "solid");
    line(lower, "y", &x, ORANGE, "solid");
    line(upper, "y", &x, ORANGE, "solid");
    let ends = [place(0), place(series.points.len().saturating_sub(1))];
    let steady = review.settings.ewma.steady_half_width(1.0);
    let decision = review.settings.cusum.decision;
    for (axis, level) in [("y2", -steady), ("y2", steady), ("y3", decision)] {
        line(vec![level; 2], axis, &ends, ORANGE, "solid");
    }
    // The tolerance changes only when the calibration does: places where it does, and the ends.
    let mut tolerance: Vec<(f64, Option<f64>, f64)> = Vec::new();
    for (index, point) in series.points.iter().enumerate() {
        let Some(now) = point.tolerance else { continue };
        let same = index > 0
            && index + 1 < series.points.len()
            && series.points[index - 1].tolerance == Some(now)
            && series.points[index + 1].tolerance == Some(now);
        if !same {
            tolerance.push((place(index), now.lower, now.upper));
        }
    }
    let x: Vec<f64> = tolerance.iter().map(|it| it.0).collect();
    if !x.is_empty() {
        line(
            tolerance.iter().map(|it| shown.value(it.2)).collect(),
            "y",
            &x,
            VERMILION,
            "dash",
        );
        line(
            tolerance
                .iter()
                .map(|it| it.1.map_or(f64::NAN, |lower| shown.value(lower)))
                .collect(),
            "y",
            &x,
            VERMILION,
            "dash",
        );
    }
}

fn averages(sketch: &mut Sketch, series: &Series) {
    let mut line = |y: Value, axis: &str, colour: &str, dash: &str, name: &str| {
        sketch.trace(json!({
            "type": "scatter", "mode": "lines", "x": "shared", "y": y, "yaxis": axis, "name": name,
            "line": {"color": colour, "width": 1.2, "dash": dash}, "connectgaps": false,
        }));
    };
    let said = |read: fn(&Charted) -> f64| {
        let points = series.charted.iter();
        f32s(points.map(move |it| it.as_ref().map_or(f64::NAN, read)))
    };
    line(said(|it| it.ewma.average), "y2", BLUE, "solid", "EWMA");
    line(said(|it| it.cusum.high), "y3", BLUE, "solid", "too high");
    line(said(|it| it.cusum.low), "y3", GREY, "dot", "too low");
}

/// Diamonds at the points at which a chart calls.
fn called(sketch: &mut Sketch, series: &Series, shown: &Quantity) {
    let points = || {
        series
            .signals
            .iter()
            .filter_map(|it| series.points.get(it.index))
    };
    let rules: Vec<String> = series
        .signals
        .iter()
        .map(|it| it.rules.join(", "))
        .collect();
    sketch.trace(json!({
        "type": "scatter", "mode": "markers",
        "x": f64s(points().map(|it| it.time.as_millisecond() as f64)),
        "y": f32s(points().map(|it| shown.value(it.value))),
        "text": rules,
        "marker": {"color": VERMILION, "symbol": "diamond-open", "size": 8, "line": {"width": 1.5}},
        "hovertemplate": "%{x|%Y-%m-%d %H:%M}: %{text}<extra></extra>",
    }));
}

/// The line and its band from the trend's start to the newest check.
fn trend_lines(sketch: &mut Sketch, series: &Series, trend: &Trend, shown: &Quantity) {
    let (Some(first), Some(last)) = (series.points.get(trend.start), series.points.last()) else {
        return;
    };
    const STEPS: i64 = 24;
    let (from, to) = (first.time.as_millisecond(), last.time.as_millisecond());
    let times: Vec<i64> = (0..=STEPS)
        .map(|i| from + (to - from) / STEPS * i)
        .collect();
    let band: Vec<(f64, f64)> = times
        .iter()
        .filter_map(|it| Timestamp::from_millisecond(*it).ok())
        .map(|time| trend.at(time))
        .collect();
    for (side, width) in [(0.0, 2.0), (1.0, 1.0), (-1.0, 1.0)] {
        sketch.trace(json!({
            "type": "scatter", "mode": "lines",
            "x": f64s(times.iter().map(|it| *it as f64)),
            "y": f32s(band.iter().map(|(line, half)| shown.value(line + side * half))),
            "line": {"color": GREY, "width": width, "dash": if side == 0.0 { "solid" } else { "dot" }},
            "hoverinfo": "skip",
        }));
    }
}

fn events(review: &Review, at: &dyn Fn(Timestamp) -> f64) -> Value {
    let lines = review.events.iter().map(|event| {
        json!({"type": "line", "xref": "x", "yref": "paper", "x0": at(event.time), "x1": at(event.time), "y0": 0, "y1": 1,
            "line": {"color": GREY, "width": 1, "dash": "dot"}})
    });
    Value::Array(lines.collect())
}

fn labels(review: &Review, at: &dyn Fn(Timestamp) -> f64) -> Value {
    let few = review.events.len() <= MOST_LABELS;
    let texts = review.events.iter().filter(|_| few).map(|event| {
        json!({"xref": "x", "yref": "paper", "x": at(event.time), "y": 1, "yanchor": "top", "xanchor": "left",
            "text": format!("{}", event.sequence), "showarrow": false, "font": {"size": 9}})
    });
    Value::Array(texts.collect())
}

fn limits_text(series: &Series, shown: &Quantity) -> String {
    let Some(phase) = series.phases.last() else {
        return String::new();
    };
    let Some(set) = phase.learned else {
        return format!(
            "No limits: {} checks since the phase began, at least 8 that are not all equal are needed.",
            phase.end - phase.start
        );
    };
    let from = series
        .points
        .get(phase.start)
        .map_or_else(String::new, |it| day(it.time));
    format!(
        "Newest phase from {from}, {} checks; limits learned from {} of them: mean {} (standard deviation of single checks).",
        phase.end - phase.start,
        set.values,
        shown.value_text(set.centre, Some(set.sd)),
    )
}
