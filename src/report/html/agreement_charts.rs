//! The charts of a comparison with a checkweigher.

use serde_json::{Value, json};

use crate::agreement::{Comparison, PairedPiece};

use super::charts::{BLUE, Figure, GREEN, GREY, ORANGE, Sketch, VERMILION, f32s, f64s};

/// Pieces that a running median is taken over, at most.
const RUNNING: usize = 41;

fn percent_off(pair: &PairedPiece) -> f64 {
    100.0 * (pair.mass_g / pair.weighed_g - 1.0)
}

/// Dots get smaller and thinner where there are many.
fn dots(count: usize) -> Value {
    let (size, opacity) = match count {
        0..400 => (6, 0.75),
        400..2500 => (4, 0.5),
        _ => (3, 0.3),
    };
    json!({"color": BLUE, "size": size, "opacity": opacity})
}

fn hover(pairs: &[PairedPiece]) -> Vec<String> {
    pairs
        .iter()
        .map(|it| format!("piece row {}, log row {}", it.piece_row, it.log_row))
        .collect()
}

fn line(x: [f64; 2], y: [f64; 2], colour: &str, dash: &str) -> Value {
    json!({
        "type": "scatter", "mode": "lines", "x": x, "y": y, "hoverinfo": "skip",
        "line": {"color": colour, "width": 1.3, "dash": dash},
    })
}

fn range(values: impl Iterator<Item = f64>) -> [f64; 2] {
    let (low, high) = values.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), it| {
        (low.min(it), high.max(it))
    });
    let margin = (0.04 * (high - low)).max(1e-9);
    [low - margin, high + margin]
}

/// The ends between which nearly all values lie: a few far ones must not press the rest flat.
fn most(mut values: Vec<f64>) -> [f64; 2] {
    values.sort_by(f64::total_cmp);
    let at = |share: f64| {
        let place = (share * values.len().saturating_sub(1) as f64).round() as usize;
        values.get(place).copied().unwrap_or(0.0)
    };
    let half = (at(0.995) - at(0.005)).max(1e-9);
    [at(0.005) - 0.25 * half, at(0.995) + 0.25 * half]
}

/// Estimate against weighing, with the line on which both are equal.
pub(super) fn masses(comparison: &Comparison) -> Figure {
    let pairs = &comparison.pairs;
    let mut sketch = Sketch::new("Estimate against weighing; line: both equal", 380);
    let both = range(pairs.iter().flat_map(|it| [it.weighed_g, it.mass_g]));
    sketch.trace(json!({
        "type": "scatter", "mode": "markers",
        "x": f32s(pairs.iter().map(|it| it.weighed_g)), "y": f32s(pairs.iter().map(|it| it.mass_g)),
        "text": hover(pairs), "marker": dots(pairs.len()),
        "hovertemplate": "weighed %{x:.1f} g, estimated %{y:.1f} g<br>%{text}<extra></extra>",
    }));
    sketch.trace(line(both, both, GREY, "solid"));
    sketch
        .layout(
            "xaxis",
            json!({"title": {"text": "weighed, g"}, "range": both}),
        )
        .layout(
            "yaxis",
            json!({"title": {"text": "estimated, g"}, "range": both}),
        );
    sketch.done()
}

/// Difference against the mean of both, with bias and limits of agreement.
pub(super) fn differences(comparison: &Comparison) -> Figure {
    let pairs = &comparison.pairs;
    let limits = &comparison.agreement.limits_g;
    let mut sketch = Sketch::new(
        "Difference (estimate minus weighing) against the mean of both; solid: bias, dashed: limits of agreement, dotted: their 95 % intervals",
        380,
    );
    let mean = |it: &PairedPiece| f64::midpoint(it.mass_g, it.weighed_g);
    let x = range(pairs.iter().map(mean));
    sketch.trace(json!({
        "type": "scatter", "mode": "markers",
        "x": f32s(pairs.iter().map(mean)), "y": f32s(pairs.iter().map(PairedPiece::difference_g)),
        "text": hover(pairs), "marker": dots(pairs.len()),
        "hovertemplate": "%{y:+.2f} g at %{x:.1f} g<br>%{text}<extra></extra>",
    }));
    sketch.trace(line(x, [0.0; 2], GREY, "solid"));
    sketch.trace(line(x, [limits.bias.value; 2], GREEN, "solid"));
    for limit in [&limits.lower, &limits.upper] {
        sketch.trace(line(x, [limit.value; 2], VERMILION, "dash"));
        sketch.trace(line(x, [limit.low; 2], VERMILION, "dot"));
        sketch.trace(line(x, [limit.high; 2], VERMILION, "dot"));
    }
    let mut y = most(pairs.iter().map(PairedPiece::difference_g).collect());
    y[0] = y[0].min(1.2 * limits.lower.low).min(0.0);
    y[1] = y[1].max(1.2 * limits.upper.high).max(0.0);
    sketch
        .layout(
            "xaxis",
            json!({"title": {"text": "mean of estimate and weighing, g"}, "range": x}),
        )
        .layout(
            "yaxis",
            json!({"title": {"text": "difference, g"}, "range": y}),
        );
    sketch.done()
}

/// What a difference may go with.
struct Suspect {
    title: &'static str,
    value: fn(&PairedPiece) -> Option<f64>,
}

const SUSPECTS: [Suspect; 6] = [
    Suspect {
        title: "weighed mass, g",
        value: |it| Some(it.weighed_g),
    },
    Suspect {
        title: "mean height, mm",
        value: |it| Some(it.record.mean_height_mm),
    },
    Suspect {
        title: "footprint area, cm²",
        value: |it| Some(it.record.area_cm2),
    },
    Suspect {
        title: "fat, % of the volume",
        value: |it| it.record.fat_volume_fraction.map(|fat| 100.0 * fat),
    },
    Suspect {
        title: "lane",
        value: |it| it.record.lane.map(f64::from),
    },
    Suspect {
        title: "reconstructed surface, %",
        value: |it| Some(100.0 * it.record.filled_fraction),
    },
];

/// Relative differences against each suspected cause, with a running median.
pub(super) fn suspects(comparison: &Comparison) -> Figure {
    let pairs = &comparison.pairs;
    let known: Vec<(&Suspect, Vec<(f64, f64)>)> = SUSPECTS
        .iter()
        .filter_map(|suspect| {
            let points: Vec<(f64, f64)> = pairs
                .iter()
                .filter_map(|it| Some(((suspect.value)(it)?, percent_off(it))))
                .filter(|it| it.0.is_finite())
                .collect();
            let first = points.first()?.0;
            // What is the same for all pieces explains nothing.
            (points.len() > 2 && points.iter().any(|it| (it.0 - first).abs() > 1e-9))
                .then_some((suspect, points))
        })
        .collect();
    let rows = known.len().div_ceil(2).max(1);
    let mut sketch = Sketch::new(
        "Relative difference against each suspected cause; line: running median",
        60 + 210 * rows as u32,
    );
    let y = most(pairs.iter().map(percent_off).collect());
    for (number, (suspect, points)) in known.iter().enumerate() {
        let (row, column) = (number / 2, number % 2);
        let axis = |letter: &str| match number {
            0 => letter.to_owned(),
            _ => format!("{letter}{}", number + 1),
        };
        let name = |letter: &str| axis(letter).replacen(letter, &format!("{letter}axis"), 1);
        sketch.trace(json!({
            "type": "scatter", "mode": "markers", "xaxis": axis("x"), "yaxis": axis("y"),
            "x": f32s(points.iter().map(|it| it.0)), "y": f32s(points.iter().map(|it| it.1)),
            "marker": dots(points.len() * 3), "hovertemplate": "%{y:+.2f} % at %{x:.4g}<extra></extra>",
        }));
        let (x_running, y_running) = running(points.clone());
        sketch.trace(json!({
            "type": "scatter", "mode": if x_running.len() > 12 { "lines" } else { "lines+markers" },
            "xaxis": axis("x"), "yaxis": axis("y"),
            "x": f32s(x_running), "y": f32s(y_running), "line": {"color": VERMILION, "width": 2}, "hoverinfo": "skip",
        }));
        let height = 1.0 / rows as f64;
        let top = 1.0 - row as f64 * height;
        let left = 0.54 * column as f64;
        sketch
            .layout(
                &name("x"),
                json!({"title": {"text": suspect.title, "standoff": 4}, "domain": [left, left + 0.46], "anchor": axis("y")}),
            )
            .layout(
                &name("y"),
                json!({
                    "title": {"text": if column == 0 { "difference, %" } else { "" }}, "range": y,
                    "domain": [top - height + 0.27 * height, top], "anchor": axis("x"),
                }),
            );
    }
    sketch.done()
}

/// Medians over neighbours in x; where x takes few values, over those of each value.
fn running(mut points: Vec<(f64, f64)>) -> (Vec<f64>, Vec<f64>) {
    points.sort_by(|one, other| one.0.total_cmp(&other.0));
    let mut values: Vec<f64> = points.iter().map(|it| it.0).collect();
    values.dedup();
    let middle = |part: &[(f64, f64)]| {
        let mut sorted: Vec<f64> = part.iter().map(|it| it.1).collect();
        sorted.sort_by(f64::total_cmp);
        sorted.get(sorted.len() / 2).copied().unwrap_or(f64::NAN)
    };
    if values.len() <= 12 {
        return values
            .iter()
            .map(|value| {
                let part: Vec<(f64, f64)> = points
                    .iter()
                    .filter(|it| it.0.total_cmp(value).is_eq())
                    .copied()
                    .collect();
                (*value, middle(&part))
            })
            .unzip();
    }
    let window = RUNNING.max(points.len() / 12).min(points.len());
    let step = (window / 6).max(1);
    points
        .windows(window)
        .step_by(step)
        .map(|part| (part[window / 2].0, middle(part)))
        .unzip()
}

/// Relative differences over time, and below the lag between scan and weighing.
pub(super) fn times(comparison: &Comparison) -> Figure {
    let pairs = &comparison.pairs;
    let mut in_time: Vec<&PairedPiece> = pairs.iter().collect();
    in_time.sort_by_key(|it| it.scanned);
    let milliseconds = |it: &&PairedPiece| it.scanned.as_millisecond() as f64;
    let mut sketch = Sketch::new(
        "Over time: relative difference with its running median, and the lag between scan and weighing less its mean",
        430,
    );
    let points: Vec<(f64, f64)> = in_time
        .iter()
        .map(|it| (milliseconds(it), percent_off(it)))
        .collect();
    sketch.shared(f64s(points.iter().map(|it| it.0)));
    sketch.trace(json!({
        "type": "scatter", "mode": "markers", "x": "shared", "y": f32s(points.iter().map(|it| it.1)),
        "marker": dots(points.len()), "hovertemplate": "%{x|%H:%M:%S}: %{y:+.2f} %<extra></extra>",
    }));
    let y = most(points.iter().map(|it| it.1).collect());
    let (x_running, y_running) = running(points);
    sketch.trace(json!({
        "type": "scatter", "mode": "lines", "x": f64s(x_running), "y": f32s(y_running),
        "line": {"color": VERMILION, "width": 2}, "hoverinfo": "skip",
    }));
    let lag_of = lags(comparison);
    let mean_s = comparison.matching.clocks.lag_s;
    let lags: Vec<f64> = in_time
        .iter()
        .map(|it| lag_of.get(it.piece_row).copied().unwrap_or(f64::NAN) - mean_s)
        .collect();
    let lag_range = most(lags.iter().copied().filter(|it| it.is_finite()).collect());
    sketch.trace(json!({
        "type": "scatter", "mode": "markers", "x": "shared", "y": f32s(lags), "yaxis": "y2",
        "marker": {"color": ORANGE, "size": 3, "opacity": 0.6}, "hovertemplate": "%{x|%H:%M:%S}: %{y:+.2f} s<extra></extra>",
    }));
    sketch
        .layout("xaxis", json!({"type": "date", "anchor": "y2", "title": {"text": "scanned, UTC", "standoff": 4}}))
        .layout("yaxis", json!({"domain": [0.42, 1.0], "title": {"text": "difference, %"}, "range": y}))
        .layout("yaxis2", json!({
            "domain": [0.0, 0.34], "range": lag_range,
            "title": {"text": format!("lag − {mean_s:.1} s, s")},
        }));
    sketch.done()
}

/// Time from scan to weighing of each piece that was weighed alone, by its row from 1; NaN for others.
fn lags(comparison: &Comparison) -> Vec<f64> {
    let matching = &comparison.matching;
    let mut weighed: Vec<(usize, jiff::Timestamp)> = matching
        .matches
        .iter()
        .filter_map(|it| {
            let [piece] = it.pieces.as_slice() else {
                return None;
            };
            let weighing = comparison.reading.weighings.get(it.weighing)?;
            Some((piece + 1, weighing.time))
        })
        .collect();
    weighed.sort_by_key(|it| it.0);
    let mut lags = vec![f64::NAN; matching.pieces.len() + 1];
    for pair in &comparison.pairs {
        if let Ok(at) = weighed.binary_search_by_key(&pair.piece_row, |it| it.0)
            && let Some(lag) = lags.get_mut(pair.piece_row)
        {
            *lag = weighed[at].1.duration_since(pair.scanned).as_secs_f64();
        }
    }
    lags
}
