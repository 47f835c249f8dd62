//! The record of one check, to print, sign and keep.

use askama::Template;
use jiff::Timestamp;
use serde_json::json;

use crate::drift::{ColourCheck, DriftReport, ParameterCheck, ResidualMap};
use crate::error::Result;
use crate::history::{report_hash, report_json};

use super::charts::{BLUE, Figure, GREY, SKY, Sketch, f64s, table};
use super::page::{Page, render};
use super::quantities::{minute, plain, quantity, verdict};

/// What a record is made from.
#[derive(Debug, Clone, Copy)]
pub struct DriftRecord<'a> {
    /// The check.
    pub report: &'a DriftReport,
    /// Who checked.
    pub operator: Option<&'a str>,
    /// What was noted with the check.
    pub note: Option<&'a str>,
    /// When the record was made.
    pub made: Timestamp,
    /// Its place in the scanner's log, where one is kept.
    pub log: Option<LogPlace<'a>>,
}

/// The place of a check in a log. Whoever keeps this record can tell from it whether the log was cut off later.
#[derive(Debug, Clone, Copy)]
pub struct LogPlace<'a> {
    /// The log.
    pub path: &'a str,
    /// The entry's number.
    pub sequence: u64,
    /// The entry's hash.
    pub hash: &'a str,
}

/// The record as one HTML page.
///
/// # Errors
/// The report holds what cannot be written.
pub fn record_page(record: &DriftRecord<'_>) -> Result<String> {
    let report = record.report;
    let (verdict_class, verdict_words) = verdict(report.verdict);
    let mut figures = vec![standing(&report.parameters)];
    figures.extend(report.residual_map.as_ref().and_then(residuals));
    figures.extend(effects(report));
    figures.extend(report.colour.as_ref().and_then(flat_field));
    render(&RecordPage {
        page: Page::new(
            format!(
                "Check of scanner {}, {}",
                report.scanner,
                minute(report.captured)
            ),
            &report_json(report)?,
        ),
        report,
        verdict_class,
        verdict_words,
        verdict_means: match report.verdict {
            crate::drift::Verdict::InTolerance => {
                "every change, with its expanded uncertainty (k = 2), lies within its tolerance"
            }
            crate::drift::Verdict::Warning => {
                "a limit lies within the expanded uncertainty (k = 2), or a value could not be told: scan again"
            }
            crate::drift::Verdict::OutOfTolerance => {
                "a change lies outside its tolerance by more than its expanded uncertainty (k = 2)"
            }
        },
        captured: minute(report.captured),
        made: minute(record.made),
        operator: record.operator,
        note: record.note,
        log: record.log,
        report_hash: report_hash(report)?,
        rows: report.parameters.iter().map(row).collect(),
        surface: surface(report),
        weight: weight(report),
        patches: report.colour.as_ref().map(patches).unwrap_or_default(),
        colour: report.colour.as_ref().map(colour).unwrap_or_default(),
        figures,
    })
}

#[derive(Template)]
#[template(path = "record.html", config = "src/report/html/askama.toml")]
struct RecordPage<'a> {
    page: Page,
    report: &'a DriftReport,
    verdict_class: &'static str,
    verdict_words: &'static str,
    verdict_means: &'static str,
    captured: String,
    made: String,
    operator: Option<&'a str>,
    note: Option<&'a str>,
    log: Option<LogPlace<'a>>,
    report_hash: String,
    rows: Vec<Row>,
    surface: Vec<Line>,
    weight: Vec<Line>,
    patches: Vec<PatchRow>,
    colour: Vec<Line>,
    figures: Vec<Figure>,
}

struct Row {
    title: String,
    value: String,
    change: String,
    tolerance: String,
    class: &'static str,
    verdict: &'static str,
    remark: Option<String>,
}

/// A quantity and what it came to.
struct Line {
    name: String,
    value: String,
}

fn line(name: impl Into<String>, value: String) -> Line {
    Line {
        name: name.into(),
        value,
    }
}

struct PatchRow {
    place: String,
    seen: String,
    certified: String,
    difference: String,
    saturated: String,
}

fn row(check: &ParameterCheck) -> Row {
    let shown = quantity(&check.name, &check.unit);
    let (class, words) = verdict(check.verdict);
    Row {
        title: match shown.unit.as_str() {
            "%" => format!("{}, off 1", shown.title),
            _ => shown.title.clone(),
        },
        value: check
            .value
            .map_or("not told".to_owned(), |it| shown.value_text(it, check.u)),
        change: check
            .change
            .map_or("–".to_owned(), |it| shown.difference_text(it, check.u)),
        tolerance: format!("± {}", shown.stated(check.tolerance)),
        class,
        verdict: words,
        remark: check.remark.clone(),
    }
}

fn surface(report: &DriftReport) -> Vec<Line> {
    let surface = &report.surface;
    let mm = |value: f64| format!("{value:.3} mm");
    let percent = |value: f64| format!("{:.1} %", 100.0 * value);
    let mut lines = vec![
        line("Residuals of the fit, RMS", mm(surface.residual_rms_mm)),
        line("Flatness measurement error", mm(surface.flatness_mm)),
        line("Noise of a sample", mm(surface.noise_mm)),
        line("Dropouts", percent(surface.dropout_fraction)),
        line("Target seen", percent(surface.seen_fraction)),
        line("Samples used", surface.samples.to_string()),
    ];
    if let Some(form) = surface.probing_form_mm {
        lines.push(line("Probing error of form", mm(form)));
    }
    if let Some(size) = surface.probing_size_mm {
        lines.push(line("Probing error of size", mm(size)));
    }
    lines
}

fn weight(report: &DriftReport) -> Vec<Line> {
    let effect = &report.weight_effect;
    let shown = quantity("weight_effect", "1");
    let mut lines = vec![line(
        "Estimated volume and weight, if nothing is corrected",
        shown.difference_text(effect.relative, Some(effect.relative_u)),
    )];
    for product in &effect.per_product {
        let grams = quantity("", "g");
        let mut text = format!(
            "{} a piece ({}), {} pieces measured both ways",
            grams.difference_text(product.mass_g, product.mass_u_g),
            shown.difference_text(product.relative, None),
            product.pieces
        );
        if let Some(money) = product.money_per_day {
            text.push_str(&format!("; {} a day at the price given", plain(money)));
        }
        lines.push(line(&product.product, text));
    }
    lines
}

fn colour(check: &ColourCheck) -> Vec<Line> {
    let (_, words) = verdict(check.verdict);
    let mut lines = vec![line(
        "Largest difference (CIEDE2000)",
        format!(
            "{:.1}, tolerance {}: {words}",
            check.max_de00,
            plain(check.tolerance_de00)
        ),
    )];
    if let Some(left) = check.corrected_max_de00 {
        lines.push(line(
            "Left after white balance and matrix",
            format!("{left:.1}"),
        ));
    }
    if let Some([across, along]) = check.registration_mm {
        let u = check.registration_u_mm;
        let shown = quantity("", "mm");
        lines.push(line(
            "Colour against height",
            format!(
                "across {}, along {}",
                shown.difference_text(across, u.map(|it| it[0])),
                shown.difference_text(along, u.map(|it| it[1]))
            ),
        ));
    }
    if let Some([red, green, blue]) = check.white_balance {
        lines.push(line(
            "White balance, linear R, G, B",
            format!("{red:.3}, {green:.3}, {blue:.3}"),
        ));
    }
    lines
}

fn patches(check: &ColourCheck) -> Vec<PatchRow> {
    let lab = |lab: [f64; 3]| {
        let [l, a, b] = lab.map(|it| format!("{it:.1}").replace('-', "−"));
        format!("{l}, {a}, {b}")
    };
    let rows = check.patches.iter().map(|patch| PatchRow {
        place: format!("{:.0}, {:.0}", patch.x_mm, patch.y_mm),
        seen: lab(patch.lab),
        certified: lab(patch.certified_lab),
        difference: format!("{:.1}", patch.de00),
        saturated: format!("{:.0} %", 100.0 * patch.saturated_fraction),
    });
    rows.collect()
}

/// Where each change stands in its tolerance, with the expanded uncertainty.
fn standing(parameters: &[ParameterCheck]) -> Figure {
    let told: Vec<&ParameterCheck> = parameters
        .iter()
        .rev()
        .filter(|it| it.change.is_some() && it.tolerance > 0.0)
        .collect();
    let share = |value: fn(&ParameterCheck) -> Option<f64>| {
        let shares = told
            .iter()
            .map(|it| value(it).unwrap_or(0.0) / it.tolerance);
        shares.collect::<Vec<f64>>()
    };
    let changes = share(|it| it.change);
    let expanded = share(|it| it.u.map(|u| 2.0 * u));
    let reach = changes.iter().zip(&expanded).map(|(c, e)| c.abs() + e);
    let reach = reach.fold(1.25, f64::max) * 1.05;
    let names: Vec<String> = told
        .iter()
        .map(|it| quantity(&it.name, &it.unit).title)
        .collect();
    let mut sketch = Sketch::new(
        "Changes as shares of their tolerances, with expanded uncertainty (k = 2)",
        60 + 26 * names.len().max(1) as u32,
    );
    sketch
        .trace(json!({
            "type": "scatter", "mode": "markers", "x": f64s(changes), "y": names,
            "marker": {"color": BLUE, "size": 9, "symbol": "diamond"},
            "error_x": {"type": "data", "array": f64s(expanded), "color": BLUE, "thickness": 1.5},
            "hovertemplate": "%{y}: %{x:.2f} of the tolerance<extra></extra>",
        }))
        .layout("xaxis", json!({"range": [-reach, reach], "title": {"text": "share of the tolerance"}, "zeroline": true}))
        .layout("yaxis", json!({"automargin": true}))
        .layout(
            "shapes",
            json!([{"type": "rect", "xref": "x", "yref": "paper", "x0": -1, "x1": 1, "y0": 0, "y1": 1,
                "fillcolor": SKY, "opacity": 0.18, "line": {"width": 0}, "layer": "below"},
               {"type": "line", "xref": "x", "yref": "paper", "x0": -1, "x1": -1, "y0": 0, "y1": 1, "line": {"color": GREY, "dash": "dash"}},
               {"type": "line", "xref": "x", "yref": "paper", "x0": 1, "x1": 1, "y0": 0, "y1": 1, "line": {"color": GREY, "dash": "dash"}}]),
        );
    sketch.done()
}

/// The mean residuals of the fit, seen from above.
fn residuals(map: &ResidualMap) -> Option<Figure> {
    let columns = usize::try_from(map.columns).ok().filter(|it| *it > 0)?;
    let rows = map.residual_mm.len() / columns;
    if rows == 0 || map.residual_mm.len() != rows * columns {
        return None;
    }
    let largest = map
        .residual_mm
        .iter()
        .flatten()
        .fold(0.0_f32, |most, it| most.max(it.abs()));
    // Colours at both ends of a round number.
    let reach = (largest * 100.0).ceil().max(1.0) / 100.0;
    let cells = map.residual_mm.iter().map(|it| it.unwrap_or(f32::NAN));
    let ratio = rows as f64 / columns as f64;
    let height = (60.0 + 540.0 * ratio).clamp(220.0, 480.0) as u32;
    let mut sketch = Sketch::new(
        "Residuals of the fit from above (mean of each cell)",
        height,
    );
    sketch
        .trace(json!({
            "type": "heatmap", "z": table(cells, columns),
            "x0": map.origin_mm[0] + map.cell_mm / 2.0, "dx": map.cell_mm,
            "y0": map.origin_mm[1] + map.cell_mm / 2.0, "dy": map.cell_mm,
            "zmin": -reach, "zmax": reach, "hoverongaps": false,
            "colorscale": [[0.0, BLUE], [0.5, "#f4f4f4"], [1.0, "#D55E00"]],
            "colorbar": {"title": {"text": "mm", "side": "top"}, "thickness": 14, "len": 0.9},
            "hovertemplate": "%{x:.0f} mm across, %{y:.0f} mm along: %{z:.3f} mm<extra></extra>",
        }))
        .layout("xaxis", json!({"title": {"text": "across the belt, mm"}, "constrain": "domain"}))
        .layout("yaxis", json!({"title": {"text": "along the belt, mm"}, "scaleanchor": "x", "constrain": "domain"}));
    Some(sketch.done())
}

/// What each error adds to the effect on weight.
fn effects(report: &DriftReport) -> Option<Figure> {
    let parts: Vec<_> = report.weight_effect.by_parameter.iter().rev().collect();
    if parts.is_empty() {
        return None;
    }
    let names: Vec<String> = parts
        .iter()
        .map(|it| quantity(&it.name, "").title)
        .collect();
    let mut sketch = Sketch::new(
        "Effect of each error on the estimated weight, with expanded uncertainty (k = 2)",
        60 + 24 * parts.len() as u32,
    );
    sketch
        .trace(json!({
            "type": "bar", "orientation": "h", "y": names,
            "x": f64s(parts.iter().map(|it| 100.0 * it.relative)),
            "marker": {"color": BLUE},
            "error_x": {"type": "data", "array": f64s(parts.iter().map(|it| 200.0 * it.relative_u)), "color": GREY},
            "hovertemplate": "%{y}: %{x:.3f} %<extra></extra>",
        }))
        .layout(
            "xaxis",
            json!({"title": {"text": "change of weight, %"}, "zeroline": true}),
        )
        .layout("yaxis", json!({"automargin": true}));
    Some(sketch.done())
}

/// The relative response across the belt.
fn flat_field(check: &ColourCheck) -> Option<Figure> {
    let field = check.flat_field.as_ref()?;
    let mut sketch = Sketch::new("Response to white across the belt, linear R, G, B", 220);
    // Told apart by line and mark as well as by colour.
    let looks = [
        ("red", "#D55E00", "solid", "circle"),
        ("green", "#009E73", "dash", "square"),
        ("blue", "#0072B2", "dot", "triangle-up"),
    ];
    for (values, (name, colour, dash, symbol)) in field.iter().zip(looks) {
        let last = values.len().saturating_sub(1).max(1) as f64;
        sketch.trace(json!({
            "type": "scatter", "mode": "lines+markers", "name": name,
            "x": f64s((0..values.len()).map(|i| 100.0 * i as f64 / last)),
            "y": f64s(values.iter().copied()),
            "line": {"color": colour, "dash": dash}, "marker": {"symbol": symbol, "color": colour},
        }));
    }
    sketch
        .layout("showlegend", json!(true))
        .layout(
            "xaxis",
            json!({"title": {"text": "place across the belt, % of the width"}}),
        )
        .layout("yaxis", json!({"title": {"text": "relative response"}}));
    Some(sketch.done())
}
