//! A summary as JSON, for programs and for the page.

use serde_json::{Value, json};

use crate::tables::round_to;

use super::{CONFIDENCE, Checked, Group, LimitKind, Summary};

/// The format word.
const FORMAT: &str = "weighlight-summary/1";

/// A number as JSON, with no more digits than it deserves.
fn rounded(value: Option<f64>, decimals: usize) -> Value {
    value.map_or(Value::Null, |value| Value::from(round_to(value, decimals)))
}

fn group_json(group: &Group) -> Value {
    let share = group.out_of_spec_fraction();
    json!({
        "pieces": group.pieces(),
        "total_kg": round_to(group.total_kg(), 6), "total_u_kg": round_to(group.total_u_kg(), 6),
        "belt_s": rounded(group.belt_s(), 3),
        "pieces_per_minute": rounded(group.pieces_per_minute(), 3),
        "kg_per_hour": rounded(group.kg_per_hour(), 3),
        "mean_mass_g": rounded(group.mass_g.mean(), 3), "mean_mass_u_g": rounded(group.mass_u_g.mean(), 3),
        "sd_mass_g": rounded(group.mass_g.sd(), 3),
        "mean_fat_fraction": rounded(group.fat_fraction.mean(), 6), "sd_fat_fraction": rounded(group.fat_fraction.sd(), 6),
        "out_of_spec": group.out_of_spec,
        "out_of_spec_fraction": rounded(share.map(|it| it.0), 6),
        "out_of_spec_low_fraction": rounded(share.map(|it| it.1[0]), 6),
        "out_of_spec_high_fraction": rounded(share.map(|it| it.1[1]), 6),
    })
}

/// A summary and how it stands to limits, as JSON.
#[must_use]
pub fn summary_json(summary: &Summary, checked: &[Checked]) -> Value {
    let products: Vec<Value> = summary.products.iter().map(|product| {
        let with = |key: &str, value: Value, group: &Group| {
            let mut object = group_json(group);
            object[key] = value;
            object
        };
        let lanes: Vec<Value> = product.lanes.iter().map(|(lane, group)| with("lane", json!(lane), group)).collect();
        let hours: Vec<Value> =
            product.hours.iter().map(|(hour, group)| with("hour", json!(hour.to_string()), group)).collect();
        let flags: serde_json::Map<String, Value> =
            product.out_of_spec.iter().map(|(flag, count)| (flag.name().to_owned(), json!(count))).collect();
        let belt = product.belt.as_ref().map(|belt| {
            let lanes: Vec<Value> = belt.lane_mass_fraction.iter()
                .map(|(lane, share)| json!({"lane": lane, "mass_fraction": round_to(*share, 6)})).collect();
            json!({
                "length_m": round_to(belt.length_m, 3), "area_m2": round_to(belt.area_m2, 4),
                "length_fraction": round_to(belt.length_fraction, 6), "area_fraction": round_to(belt.area_fraction, 6),
                "gaps": belt.gaps,
                "gaps_mm": belt.gaps_mm.map(|[a, b, c, d]| json!({
                    "5_percent": round_to(a, 1), "median": round_to(b, 1), "95_percent": round_to(c, 1), "longest": round_to(d, 1),
                })),
                "lanes": lanes,
                "fullest_lane_ratio": rounded(belt.fullest_lane_ratio(), 4),
            })
        });
        json!({"product": product.product, "all": group_json(&product.all), "lanes": lanes, "hours": hours, "flags": flags, "belt": belt})
    }).collect();
    let limits: Vec<Value> = checked.iter().map(|it| {
        let kind = match it.limit.kind {
            LimitKind::MostOutOfSpec => "most_out_of_spec_fraction",
            LimitKind::LeastPiecesPerMinute => "least_pieces_per_minute",
            LimitKind::LeastKgPerHour => "least_kg_per_hour",
        };
        json!({
            "product": it.product, "limit": kind, "value": it.limit.value, "found": rounded(it.value, 6),
            "verdict": it.verdict.word().to_lowercase(),
        })
    }).collect();
    json!({
        "format": FORMAT, "inputs": summary.inputs,
        "from": summary.span.map(|it| it[0].to_string()), "to": summary.span.map(|it| it[1].to_string()),
        "recordings": summary.recordings, "not_measured": summary.not_measured, "confidence": CONFIDENCE,
        "products": products, "limits": limits,
    })
}
