//! The piece table as JSON: pieces with nulls, and where they came from.

use std::io::Write;

use serde_json::{Map, Value, json};

use super::columns::Cell;
use super::digits::round_to;
use super::{BudgetPart, PieceTable, Provenance};

/// The format's name and version.
const FORMAT: &str = "weighlight-pieces/1";

/// Where a table came from, as JSON.
pub fn provenance_json(provenance: &Provenance) -> Value {
    let settings: Map<String, Value> = provenance
        .settings
        .iter()
        .map(|(name, value)| (name.clone(), Value::from(value.as_str())))
        .collect();
    let recordings: Vec<Value> = provenance
        .recordings
        .iter()
        .map(|used| {
            json!({
                "recording": used.recording,
                "scanner": used.scanner,
                "scans": used.scans,
                "calibration": used.calibration_text(),
                "product": used.product.as_ref().map(|product| json!({
                    "name": product.name,
                    "blake3": product.blake3,
                })),
                "colour": used.has_colour,
                "colour_lossy": used.colour_lossy,
                "learned": used.learned.as_ref().map(|learned| json!({
                    "between": learned.between,
                    "axis": learned.axis,
                    "method": learned.method,
                    "profile_limit": learned.profile_limit,
                    "learned_limit": learned.limit.map(|limit| round_to(limit, 3)),
                    "limit_used": round_to(learned.used(), 3),
                    "separability": learned.separability.map(|s| round_to(s, 4)),
                    "refused": learned.refused,
                })),
            })
        })
        .collect();
    json!({
        "program": "weighlight",
        "version": provenance.version,
        "command": provenance.command,
        "settings": settings,
        "recordings": recordings,
    })
}

/// What each uncertainty is made of, to four digits: the parts are estimates themselves. A source that has no part in area,
/// length, width or fat fraction does not name them.
fn budget(parts: &[BudgetPart]) -> Value {
    let rounded = |value: f64| {
        let text = format!("{value:.3e}");
        text.parse::<f64>().map_or(Value::Null, Value::from)
    };
    parts
        .iter()
        .map(|part| {
            let mut values = Map::new();
            values.insert("source".to_string(), Value::from(part.source.as_str()));
            values.insert("volume_u_cm3".to_string(), rounded(part.volume_u_cm3));
            values.insert("mass_u_g".to_string(), rounded(part.mass_u_g));
            for (name, value) in [
                ("area_u_cm2", part.area_u_cm2),
                ("length_u_mm", part.length_u_mm),
                ("width_u_mm", part.width_u_mm),
                ("fat_u_fraction", part.fat_u_fraction),
            ] {
                if value != 0.0 {
                    values.insert(name.to_string(), rounded(value));
                }
            }
            Value::Object(values)
        })
        .collect()
}

/// Writes the table as one JSON object.
///
/// # Errors
/// The writer fails.
pub fn write_json(table: &PieceTable, mut to: impl Write) -> std::io::Result<()> {
    let columns = table.columns();
    let pieces: Vec<Value> = table
        .pieces
        .iter()
        .map(|piece| {
            let mut values: Map<String, Value> = columns
                .iter()
                .map(|column| {
                    let value = match column.get(piece) {
                        Cell::Empty => Value::Null,
                        Cell::Text(text) if column.name == "flags" => {
                            text.split_whitespace().collect()
                        }
                        Cell::Text(text) => Value::from(text),
                        Cell::Integer(value) => Value::from(value),
                        Cell::Number(value) => Value::from(value),
                        Cell::Time(time) => Value::from(time.to_string()),
                    };
                    (column.name.to_string(), value)
                })
                .collect();
            if !piece.budget.is_empty() {
                values.insert("budget".to_string(), budget(&piece.budget));
            }
            Value::Object(values)
        })
        .collect();
    let rejected: Vec<Value> = table
        .rejected
        .iter()
        .map(|rejected| json!({"input": rejected.input, "reason": rejected.reason}))
        .collect();
    let document = json!({
        "format": FORMAT,
        "provenance": provenance_json(&table.provenance),
        "rejected": rejected,
        "pieces": pieces,
    });
    serde_json::to_writer_pretty(&mut to, &document)?;
    to.write_all(b"\n")
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::tables::table::samples;

    #[test]
    fn the_object_carries_pieces_with_nulls_and_where_they_came_from() {
        let mut bytes = Vec::new();
        write_json(&samples::table(), &mut bytes).unwrap();
        let value: Value = serde_json::from_slice(&bytes).unwrap();
        assert_eq!(value["format"], FORMAT);
        assert_eq!(value["pieces"][0]["mass_g"], 188.4);
        assert_eq!(value["pieces"][0]["fat_fraction"], 0.333_333);
        assert_eq!(
            value["pieces"][0]["flags"],
            json!(["touching", "spec-mass"])
        );
        assert_eq!(value["pieces"][0]["time"], "2026-03-04T09:12:33.25Z");
        assert_eq!(value["pieces"][1]["lane"], Value::Null);
        assert_eq!(value["pieces"][1]["fat_area_cm2"], Value::Null);
        assert_eq!(value["pieces"][1]["flags"], json!([]));
        assert_eq!(value["rejected"][0]["input"], "archive/0008");
        let used = &value["provenance"]["recordings"][0];
        assert_eq!(used["calibration"], "none: taken as true");
        assert_eq!(used["product"]["blake3"], "00ff");
    }
}
