//! What changed between two runs, as text and JSON.

use std::io::{Result, Write};

use weighlight::runs::diff::{RunDiff, SHARES, Tally, diff_json};
use weighlight::tables::round_to;

use super::output::counted;

/// Pieces and names that are listed for people; the other forms have more.
const SHOWN: usize = 10;

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
            writeln!(
                to,
                "  flag {}: {which} by {}",
                flag.name(),
                counted(*count as usize, "piece")
            )?;
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

pub(super) fn json(to: &mut dyn Write, diff: &RunDiff) -> Result<()> {
    serde_json::to_writer_pretty(&mut *to, &diff_json(diff))?;
    to.write_all(b"\n")
}
