//! What changed between two runs, as text and JSON.

use std::collections::BTreeMap;
use std::io::{Result, Write};

use serde_json::{Map, Value, json};
use weighlight::runs::diff::{PiecePair, RunDiff, Spread, Tally};
use weighlight::tables::{Flag, round_to};

/// The format word of the JSON form.
const FORMAT: &str = "weighlight-diff/1";
/// Pieces and names that are listed for people; the other forms have more.
const SHOWN: usize = 10;
/// Shares of the pieces whose changes are stated.
const SHARES: [f64; 5] = [0.0, 0.05, 0.5, 0.95, 1.0];

fn signed(value: Option<f64>, decimals: usize) -> String {
    match value {
        None => "–".to_owned(),
        // A change that rounds to nought has no sign.
        Some(value) if round_to(value, decimals) == 0.0 => format!("{:.decimals$}", 0.0),
        Some(value) => format!("{value:+.decimals$}"),
    }
}

pub(super) fn text(to: &mut dyn Write, diff: &RunDiff) -> Result<()> {
    writeln!(to, "before {}, after {}", diff.before, diff.after)?;
    if diff.settings.is_empty() {
        writeln!(to, "settings: the same")?;
    } else {
        writeln!(to, "settings that differ")?;
    }
    for change in &diff.settings {
        let said = |side: &Option<String>| side.clone().unwrap_or_else(|| "none".to_owned());
        writeln!(
            to,
            "  {}: {} → {}",
            change.what,
            said(&change.before),
            said(&change.after)
        )?;
    }
    writeln!(
        to,
        "recordings: {} in both, {} of them from other input files; {} before only, {} after only",
        diff.recordings,
        diff.inputs_differ,
        diff.only_before.len(),
        diff.only_after.len()
    )?;
    for (names, which) in [(&diff.only_before, "before"), (&diff.only_after, "after")] {
        for name in names.iter().take(SHOWN) {
            writeln!(to, "  {which} only: {name}")?;
        }
    }
    let all = &diff.all;
    writeln!(
        to,
        "pieces: {} in both, {} of them the very same; {} before only, {} after only",
        all.pairs, all.same, all.only_before, all.only_after
    )?;
    if diff.is_same() {
        return writeln!(to, "nothing changed");
    }
    if let Some([least, low, median, high, most]) = all.mass_g.quantiles(SHARES) {
        writeln!(
            to,
            "change of mass, g: least {}, 5 % below {}, half below {}, 95 % below {}, most {}",
            signed(Some(least), 2),
            signed(Some(low), 2),
            signed(Some(median), 2),
            signed(Some(high), 2),
            signed(Some(most), 2)
        )?;
    }
    writeln!(
        to,
        "\n  {:<22} {:>8} {:>8} {:>10} {:>9} {:>10} {:>9} {:>8} {:>8}",
        "", "pieces", "same", "mean Δ g", "total %", "Δ cm³", "Δ fat %", "out now", "in now"
    )?;
    line(to, "all", all)?;
    for (what, groups) in [
        ("product", &diff.products),
        ("scanner", &diff.scanners),
        ("week", &diff.weeks),
    ] {
        for (name, tally) in groups {
            line(to, &format!("{what} {name}"), tally)?;
        }
    }
    for (flags, which) in [(&all.gained, "gained"), (&all.lost, "lost")] {
        for (flag, count) in flags {
            writeln!(to, "  flag {}: {which} by {count} pieces", flag.name())?;
        }
    }
    if !diff.most_moved.is_empty() {
        writeln!(to, "\npieces whose mass changed most")?;
    }
    for pair in diff.most_moved.iter().take(SHOWN) {
        let flags: Vec<String> = pair
            .flags_gained()
            .map(|flag| format!("+{}", flag.name()))
            .chain(pair.flags_lost().map(|flag| format!("-{}", flag.name())))
            .collect();
        writeln!(
            to,
            "  {} piece {} ({} {}): {:.2} → {:.2} g ({} g, u {:.2} g), fat {} %  {}",
            pair.after.recording,
            pair.after.piece,
            pair.partition.scanner,
            pair.partition.day,
            pair.before.mass_g,
            pair.after.mass_g,
            signed(Some(pair.mass_g()), 2),
            pair.after.mass_u_g,
            signed(pair.fat_fraction().map(|it| 100.0 * it), 2),
            flags.join(" ")
        )?;
    }
    writeln!(
        to,
        "\nout now: in spec before and out of it after; in now: the other way round"
    )?;
    writeln!(
        to,
        "weights are estimates with standard uncertainties (k = 1), not legal for trade"
    )
}

fn line(to: &mut dyn Write, what: &str, tally: &Tally) -> Result<()> {
    writeln!(
        to,
        "  {what:<22} {:>8} {:>8} {:>10} {:>9} {:>10} {:>9} {:>8} {:>8}",
        tally.pairs,
        tally.same,
        signed(tally.mass_g.moments.mean(), 3),
        signed(tally.total_relative().map(|it| 100.0 * it), 3),
        signed(tally.volume_cm3.moments.mean(), 3),
        signed(tally.fat_fraction.moments.mean().map(|it| 100.0 * it), 2),
        tally.out_now,
        tally.in_now
    )
}

fn rounded(value: Option<f64>, decimals: usize) -> Value {
    value.map_or(Value::Null, |value| Value::from(round_to(value, decimals)))
}

fn spread(spread: &Spread, decimals: usize) -> Value {
    let quantiles = spread.quantiles(SHARES).map(|values| {
        let [least, low, median, high, most] = values.map(|it| round_to(it, decimals));
        json!({"least": least, "5_percent": low, "median": median, "95_percent": high, "most": most})
    });
    json!({
        "mean": rounded(spread.moments.mean(), decimals), "sd": rounded(spread.moments.sd(), decimals), "quantiles": quantiles,
    })
}

fn flags(counts: &BTreeMap<Flag, u64>) -> Value {
    let pairs = counts.iter();
    Value::Object(
        pairs
            .map(|(flag, count)| (flag.name().to_owned(), json!(count)))
            .collect(),
    )
}

fn tally(tally: &Tally) -> Value {
    json!({
        "pairs": tally.pairs, "same": tally.same, "only_before": tally.only_before, "only_after": tally.only_after,
        "mass_before_kg": round_to(tally.mass_before_g / 1000.0, 6), "mass_after_kg": round_to(tally.mass_after_g / 1000.0, 6),
        "total_relative": rounded(tally.total_relative(), 8),
        "mass_g": spread(&tally.mass_g, 4), "mass_relative": spread(&tally.mass_relative, 7),
        "volume_cm3": spread(&tally.volume_cm3, 4), "fat_fraction": spread(&tally.fat_fraction, 6),
        "out_now": tally.out_now, "in_now": tally.in_now,
        "flags_gained": flags(&tally.gained), "flags_lost": flags(&tally.lost),
    })
}

fn pair(pair: &PiecePair) -> Value {
    let names = |flags: &[Flag]| flags.iter().map(|flag| flag.name()).collect::<Vec<_>>();
    json!({
        "scanner": pair.partition.scanner, "day": pair.partition.day, "product": pair.product,
        "recording": pair.after.recording, "scan": pair.after.scan,
        "piece_before": pair.before.piece, "piece_after": pair.after.piece,
        "x_mm": pair.after.x_mm, "y_mm": pair.after.y_mm,
        "mass_before_g": pair.before.mass_g, "mass_after_g": pair.after.mass_g, "mass_u_after_g": pair.after.mass_u_g,
        "mass_change_g": round_to(pair.mass_g(), 3), "volume_change_cm3": round_to(pair.volume_cm3(), 4),
        "fat_change_fraction": rounded(pair.fat_fraction(), 6),
        "flags_before": names(&pair.before.flags), "flags_after": names(&pair.after.flags),
    })
}

pub(super) fn json(to: &mut dyn Write, diff: &RunDiff) -> Result<()> {
    let groups = |groups: &BTreeMap<String, Tally>| {
        let each = groups.iter();
        Value::Object(
            each.map(|(name, one)| (name.clone(), tally(one)))
                .collect::<Map<_, _>>(),
        )
    };
    let settings: Vec<Value> = diff
        .settings
        .iter()
        .map(|it| json!({"what": it.what, "before": it.before, "after": it.after}))
        .collect();
    let moved: Vec<Value> = diff.most_moved.iter().map(pair).collect();
    let document = json!({
        "format": FORMAT, "before": diff.before, "after": diff.after, "same": diff.is_same(), "settings": settings,
        "recordings": diff.recordings, "inputs_differ": diff.inputs_differ,
        "only_before": diff.only_before, "only_after": diff.only_after,
        "all": tally(&diff.all), "products": groups(&diff.products), "scanners": groups(&diff.scanners),
        "weeks": groups(&diff.weeks), "most_moved": moved,
    });
    serde_json::to_writer_pretty(&mut *to, &document)?;
    to.write_all(b"\n")
}
