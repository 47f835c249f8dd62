//! What ran over the belt, as a page.

use askama::Template;
use jiff::Timestamp;
use serde_json::json;

use crate::error::Result;
use crate::runs::summary::{Checked, Group, LimitKind, ProductSummary, Summary, Verdict};
use crate::tables::with_uncertainty;

use super::charts::{BLUE, Figure, GREEN, GREY, ORANGE, Sketch, VERMILION, f64s};
use super::page::{Page, render};
use super::quantities::minute;

/// A summary as one HTML page, made at the time `made`.
///
/// # Errors
/// The page cannot be written.
pub fn summary_page(summary: &Summary, checked: &[Checked], made: Timestamp) -> Result<String> {
    let inputs = summary.inputs.join(", ");
    render(&SummaryPage {
        page: Page::new(
            "What ran over the belt".to_owned(),
            &format!("{summary:?} {checked:?}"),
        ),
        inputs,
        span: summary
            .span
            .map(|[first, last]| format!("{} to {}", minute(first), minute(last))),
        recordings: summary.recordings,
        not_measured: summary.not_measured,
        made: minute(made),
        limits: checked.iter().map(limit_row).collect(),
        products: summary.products.iter().map(product_part).collect(),
    })
}

#[derive(Template)]
#[template(path = "summary.html", config = "src/report/html/askama.toml")]
struct SummaryPage {
    page: Page,
    inputs: String,
    span: Option<String>,
    recordings: u64,
    not_measured: u64,
    made: String,
    limits: Vec<LimitRow>,
    products: Vec<ProductPart>,
}

struct LimitRow {
    product: String,
    limit: String,
    found: String,
    class: &'static str,
    verdict: &'static str,
}

struct ProductPart {
    name: String,
    total: String,
    pieces: u64,
    mean: String,
    belt: Option<String>,
    gaps: Option<String>,
    flags: Vec<FlagRow>,
    rows: Vec<Row>,
    figures: Vec<Figure>,
}

struct FlagRow {
    name: &'static str,
    count: u64,
    meaning: &'static str,
}

struct Row {
    what: String,
    cells: Vec<String>,
}

fn name(product: &str) -> String {
    match product {
        "" => "No product named".to_owned(),
        named => named.to_owned(),
    }
}

fn number(value: Option<f64>, decimals: usize) -> String {
    value.map_or("–".to_owned(), |value| format!("{value:.decimals$}"))
}

fn limit_row(checked: &Checked) -> LimitRow {
    let (factor, unit) = match checked.limit.kind {
        LimitKind::MostOutOfSpec => (100.0, " %"),
        LimitKind::LeastPiecesPerMinute | LimitKind::LeastKgPerHour => (1.0, ""),
    };
    LimitRow {
        product: name(&checked.product),
        limit: format!(
            "{} {}{unit}",
            checked.limit.kind.words(),
            factor * checked.limit.value
        ),
        found: format!("{}{unit}", number(checked.value.map(|it| factor * it), 2)),
        class: match checked.verdict {
            Verdict::Kept => "good",
            Verdict::Undecided | Verdict::Unknown => "unsure",
            Verdict::Missed => "bad",
        },
        verdict: checked.verdict.word(),
    }
}

fn row(what: String, group: &Group) -> Row {
    let percent = |value: Option<f64>| number(value.map(|it| 100.0 * it), 1);
    let share = group
        .out_of_spec_fraction()
        .map_or("–".to_owned(), |(share, [low, high])| {
            format!(
                "{:.2} % ({:.2}–{:.2})",
                100.0 * share,
                100.0 * low,
                100.0 * high
            )
        });
    Row {
        what,
        cells: vec![
            group.pieces().to_string(),
            number(group.pieces_per_minute(), 1),
            number(group.kg_per_hour(), 0),
            number(group.mass_g.mean(), 1),
            number(group.mass_g.sd(), 1),
            percent(group.fat_fraction.mean()),
            percent(group.fat_fraction.sd()),
            share,
        ],
    }
}

fn product_part(product: &ProductSummary) -> ProductPart {
    let all = &product.all;
    let mut rows = vec![row("all".to_owned(), all)];
    if product.lanes.keys().any(Option::is_some) {
        let lanes = product.lanes.iter().map(|(lane, group)| {
            row(
                lane.map_or("no lane".to_owned(), |lane| format!("lane {lane}")),
                group,
            )
        });
        rows.extend(lanes);
    }
    let belt = product.belt.as_ref();
    let mut figures = hours(product);
    figures.extend(lanes(product));
    ProductPart {
        name: name(&product.product),
        total: with_uncertainty(all.total_kg(), all.total_u_kg()),
        pieces: all.pieces(),
        mean: with_uncertainty(
            all.mass_g.mean().unwrap_or(f64::NAN),
            all.mass_u_g.mean().unwrap_or(f64::NAN),
        ),
        belt: belt.map(|belt| {
            format!(
                "{:.1} m seen; {:.1} % of its length and {:.1} % of its area under pieces",
                belt.length_m,
                100.0 * belt.length_fraction,
                100.0 * belt.area_fraction
            )
        }),
        gaps: belt.and_then(|belt| belt.gaps_mm).map(|[short, median, long, longest]| {
            format!(
                "5 % below {short:.0} mm, half below {median:.0} mm, 95 % below {long:.0} mm, longest {longest:.0} mm"
            )
        }),
        flags: product
            .out_of_spec
            .iter()
            .map(|(flag, count)| FlagRow {
                name: flag.name(),
                count: *count,
                meaning: flag.meaning(),
            })
            .collect(),
        rows,
        figures,
    }
}

/// Over the hours: rate, mass with its spread, fat, share out of spec with its confidence limits.
fn hours(product: &ProductSummary) -> Vec<Figure> {
    let hours: Vec<(f64, &Group)> = product
        .hours
        .iter()
        .map(|(hour, group)| (hour.as_millisecond() as f64, group))
        .collect();
    let band = |caption: &str,
                unit: &str,
                colour: &str,
                of: &dyn Fn(&Group) -> Option<[f64; 3]>| {
        let points: Vec<(f64, [f64; 3])> = hours
            .iter()
            .filter_map(|(at, group)| Some((*at, of(group)?)))
            .collect();
        // One hour is in the table; a chart of it would show nothing more.
        if points.len() < 2 {
            return None;
        }
        let mut sketch = Sketch::new(caption, 210);
        sketch.shared(f64s(points.iter().map(|it| it.0)));
        sketch.trace(json!({
            "type": "scatter", "mode": "markers", "x": "shared", "y": f64s(points.iter().map(|it| it.1[0])),
            "error_y": {
                "type": "data", "symmetric": false, "color": GREY, "thickness": 1, "width": 2,
                "array": f64s(points.iter().map(|it| it.1[2] - it.1[0])),
                "arrayminus": f64s(points.iter().map(|it| it.1[0] - it.1[1])),
            },
            "marker": {"color": colour, "size": if points.len() > 300 { 3 } else { 6 }},
            "hovertemplate": format!("%{{x|%Y-%m-%d %H h}}: %{{y:.4g}} {unit}<extra></extra>"),
        }));
        sketch.layout("xaxis", json!({"type": "date"})).layout(
            "yaxis",
            json!({"title": {"text": unit}, "rangemode": "tozero"}),
        );
        Some(sketch.done())
    };
    let plain = |value: Option<f64>| value.map(|value| [value, value, value]);
    let spread = |mean: Option<f64>, sd: Option<f64>, factor: f64| {
        let (mean, sd) = (mean?, sd.unwrap_or(0.0));
        Some([mean, mean - sd, mean + sd].map(|it| it * factor))
    };
    [
        band("Mass an hour of belt seen", "kg/h", GREEN, &|group| {
            plain(group.kg_per_hour())
        }),
        band("Pieces a minute of belt seen", "1/min", BLUE, &|group| {
            plain(group.pieces_per_minute())
        }),
        band(
            "Mass of a piece: mean, and one standard deviation of the pieces",
            "g",
            BLUE,
            &|group| spread(group.mass_g.mean(), group.mass_g.sd(), 1.0),
        ),
        band(
            "Fat share: mean, and one standard deviation of the pieces",
            "%",
            ORANGE,
            &|group| spread(group.fat_fraction.mean(), group.fat_fraction.sd(), 100.0),
        ),
        band(
            "Share out of spec with 95 % confidence limits",
            "%",
            VERMILION,
            &|group| {
                let (share, [low, high]) = group.out_of_spec_fraction()?;
                Some([share, low, high].map(|it| 100.0 * it))
            },
        ),
    ]
    .into_iter()
    .flatten()
    .collect()
}

/// Mass by lane against an even share.
fn lanes(product: &ProductSummary) -> Option<Figure> {
    let shares = &product.belt.as_ref()?.lane_mass_fraction;
    if shares.len() < 2 {
        return None;
    }
    let even = 100.0 / shares.len() as f64;
    let mut sketch = Sketch::new("Mass by lane; the line is an even share", 210);
    sketch.trace(json!({
        "type": "bar", "x": f64s(shares.keys().map(|lane| f64::from(*lane))), "y": f64s(shares.values().map(|it| 100.0 * it)),
        "marker": {"color": BLUE}, "hovertemplate": "lane %{x}: %{y:.1f} %<extra></extra>",
    }));
    sketch
        .layout("xaxis", json!({"title": {"text": "lane"}, "dtick": 1}))
        .layout("yaxis", json!({"title": {"text": "%"}, "rangemode": "tozero"}))
        .layout(
            "shapes",
            json!([{"type": "line", "xref": "paper", "x0": 0, "x1": 1, "y0": even, "y1": even, "line": {"color": GREY, "dash": "dot"}}]),
        );
    Some(sketch.done())
}
