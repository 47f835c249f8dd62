//! What changed between two runs, as JSON, for programs and for the page.

use std::collections::BTreeMap;

use serde_json::{Map, Value, json};

use crate::tables::{Flag, round_to};

use super::{PiecePair, RunDiff, Spread, Tally};

/// The format word.
const FORMAT: &str = "weighlight-diff/1";
/// Shares of the pieces whose changes are stated.
pub const SHARES: [f64; 5] = [0.0, 0.05, 0.5, 0.95, 1.0];

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

/// What changed between two runs, as JSON.
#[must_use]
pub fn diff_json(diff: &RunDiff) -> Value {
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
    json!({
        "format": FORMAT, "before": diff.before, "after": diff.after, "same": diff.is_same(), "settings": settings,
        "recordings": diff.recordings, "inputs_differ": diff.inputs_differ,
        "only_before": diff.only_before, "only_after": diff.only_after,
        "all": tally(&diff.all), "products": groups(&diff.products), "scanners": groups(&diff.scanners),
        "weeks": groups(&diff.weeks), "most_moved": moved,
    })
}
