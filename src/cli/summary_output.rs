//! A summary as text, JSON and CSV.

use std::io::{Result, Write};

use weighlight::runs::summary::{
    CONFIDENCE, Checked, Group, LimitKind, ProductSummary, Summary, summary_json,
};
use weighlight::tables::with_uncertainty;

use super::output::counted;

fn name(product: &str) -> &str {
    match product {
        "" => "(no product named)",
        named => named,
    }
}

fn number(value: Option<f64>, decimals: usize) -> String {
    value.map_or("–".to_owned(), |value| format!("{value:.decimals$}"))
}

fn percent(value: Option<f64>) -> String {
    number(value.map(|value| 100.0 * value), 1)
}

/// A share with its confidence limits, in percent.
fn out_of_spec(group: &Group) -> String {
    match group.out_of_spec_fraction() {
        None => "–".to_owned(),
        Some((share, [low, high])) => format!(
            "{:.2} % ({:.2} to {:.2})",
            100.0 * share,
            100.0 * low,
            100.0 * high
        ),
    }
}

fn head(to: &mut dyn Write, what: &str) -> Result<()> {
    writeln!(
        to,
        "  {what:<17} {:>8} {:>9} {:>9} {:>8} {:>8} {:>7} {:>7}  out of spec",
        "pieces", "a minute", "kg/hour", "mean g", "spread g", "fat %", "spread"
    )
}

fn line(to: &mut dyn Write, what: &str, group: &Group) -> Result<()> {
    writeln!(
        to,
        "  {what:<17} {:>8} {:>9} {:>9} {:>8} {:>8} {:>7} {:>7}  {}",
        group.pieces(),
        number(group.pieces_per_minute(), 1),
        number(group.kg_per_hour(), 0),
        number(group.mass_g.mean(), 1),
        number(group.mass_g.sd(), 1),
        percent(group.fat_fraction.mean()),
        percent(group.fat_fraction.sd()),
        out_of_spec(group)
    )
}

/// Most hours that are listed for people; the other forms have them all.
const MOST_HOURS: usize = 48;

pub(super) fn text(to: &mut dyn Write, summary: &Summary, checked: &[Checked]) -> Result<()> {
    writeln!(to, "{}", summary.inputs.join(", "))?;
    if let Some([first, last]) = summary.span {
        writeln!(
            to,
            "{} to {} UTC, {}",
            first.strftime("%Y-%m-%d %H:%M"),
            last.strftime("%Y-%m-%d %H:%M"),
            counted(summary.recordings as usize, "recording")
        )?;
    }
    if summary.not_measured > 0 {
        writeln!(
            to,
            "{} could not be measured",
            counted(summary.not_measured as usize, "recording")
        )?;
    }
    for product in &summary.products {
        writeln!(to, "\nproduct {}", name(&product.product))?;
        writeln!(
            to,
            "  total {} kg, mean {} g a piece (k = 1)",
            with_uncertainty(product.all.total_kg(), product.all.total_u_kg()),
            with_uncertainty(
                product.all.mass_g.mean().unwrap_or(f64::NAN),
                product.all.mass_u_g.mean().unwrap_or(f64::NAN)
            )
        )?;
        head(to, "")?;
        line(to, "all", &product.all)?;
        if product.lanes.keys().any(Option::is_some) {
            for (lane, group) in &product.lanes {
                let what = lane.map_or("no lane".to_owned(), |lane| format!("lane {lane}"));
                line(to, &what, group)?;
            }
        }
        for (hour, group) in product.hours.iter().take(MOST_HOURS) {
            line(to, &hour.strftime("%Y-%m-%d %H h").to_string(), group)?;
        }
        if product.hours.len() > MOST_HOURS {
            writeln!(
                to,
                "  … {} more hours: --format csv or json lists all",
                product.hours.len() - MOST_HOURS
            )?;
        }
        for (flag, count) in &product.out_of_spec {
            writeln!(
                to,
                "  {}: {}: {}",
                flag.name(),
                counted(*count as usize, "piece"),
                flag.meaning()
            )?;
        }
        belt(to, product)?;
    }
    if !checked.is_empty() {
        writeln!(to, "\nlimits")?;
    }
    for it in checked {
        let (factor, unit) = match it.limit.kind {
            LimitKind::MostOutOfSpec => (100.0, " %"),
            _ => (1.0, ""),
        };
        writeln!(
            to,
            "  {}: {} {}{unit}: found {}{unit}: {}",
            name(&it.product),
            it.limit.kind.words(),
            factor * it.limit.value,
            number(it.value.map(|value| factor * value), 2),
            it.verdict.word()
        )?;
    }
    writeln!(
        to,
        "\nspread: standard deviation; rates by the time for which the belt was seen; in brackets: {:.0} % confidence (Clopper-Pearson)",
        100.0 * CONFIDENCE
    )?;
    writeln!(
        to,
        "weights are estimates with standard uncertainties (k = 1), not legal for trade"
    )
}

fn belt(to: &mut dyn Write, product: &ProductSummary) -> Result<()> {
    let Some(belt) = &product.belt else {
        return Ok(());
    };
    writeln!(
        to,
        "  belt: {:.1} m seen; under pieces: {:.1} % of its length, {:.1} % of its area",
        belt.length_m,
        100.0 * belt.length_fraction,
        100.0 * belt.area_fraction
    )?;
    if let Some([short, median, long, longest]) = belt.gaps_mm {
        writeln!(
            to,
            "  gaps along the belt: {}; 5 % below {short:.0} mm, half below {median:.0} mm, 95 % below {long:.0} mm, longest {longest:.0} mm",
            belt.gaps
        )?;
    }
    if let Some(ratio) = belt.fullest_lane_ratio() {
        let lanes: Vec<String> = belt
            .lane_mass_fraction
            .iter()
            .map(|(lane, share)| format!("{lane}: {:.1} %", 100.0 * share))
            .collect();
        writeln!(
            to,
            "  mass by lane: {}; the fullest has {ratio:.2} of an even share",
            lanes.join(", ")
        )?;
    }
    Ok(())
}

pub(super) fn json(to: &mut dyn Write, summary: &Summary, checked: &[Checked]) -> Result<()> {
    serde_json::to_writer_pretty(&mut *to, &summary_json(summary, checked))?;
    to.write_all(b"\n")
}

pub(super) fn csv(to: &mut dyn Write, summary: &Summary) -> Result<()> {
    writeln!(
        to,
        "product,lane,hour,pieces,total_kg,total_u_kg,pieces_per_minute,kg_per_hour,mean_mass_g,sd_mass_g,mean_fat_fraction,sd_fat_fraction,out_of_spec,out_of_spec_low_fraction,out_of_spec_high_fraction"
    )?;
    for product in &summary.products {
        // Names hold no control characters, but may hold what CSV quotes.
        let quoted = format!("\"{}\"", product.product.replace('"', "\"\""));
        row(to, &quoted, "", "", &product.all)?;
        for (lane, group) in &product.lanes {
            let lane = lane.map_or("none".to_owned(), |lane| lane.to_string());
            row(to, &quoted, &lane, "", group)?;
        }
        for (hour, group) in &product.hours {
            row(to, &quoted, "", &hour.to_string(), group)?;
        }
    }
    Ok(())
}

fn row(to: &mut dyn Write, product: &str, lane: &str, hour: &str, group: &Group) -> Result<()> {
    let cell = |value: Option<f64>, decimals: usize| {
        value.map_or(String::new(), |value| format!("{value:.decimals$}"))
    };
    let limits = group.out_of_spec_fraction().map(|it| it.1);
    writeln!(
        to,
        "{product},{lane},{hour},{},{:.6},{:.6},{},{},{},{},{},{},{},{},{}",
        group.pieces(),
        group.total_kg(),
        group.total_u_kg(),
        cell(group.pieces_per_minute(), 3),
        cell(group.kg_per_hour(), 3),
        cell(group.mass_g.mean(), 3),
        cell(group.mass_g.sd(), 3),
        cell(group.fat_fraction.mean(), 6),
        cell(group.fat_fraction.sd(), 6),
        group.out_of_spec,
        cell(limits.map(|it| it[0]), 6),
        cell(limits.map(|it| it[1]), 6)
    )
}
