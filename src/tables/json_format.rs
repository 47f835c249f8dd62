//! The piece table as JSON: pieces with nulls, and where they came from.

use std::io::{Read, Write};

use serde_json::{Map, Value, json};

use super::columns::{Cell, blank_record};
use super::digits::round_to;
use super::table::{match_columns, parse_cell, store_cell};
use super::{BudgetPart, PieceRecord, PieceTable, Provenance};
use crate::{Error, ErrorKind, Result};

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

/// Reads pieces from what [`write_json`] wrote.
///
/// # Errors
/// It is no such document, or a value is wrong; with the piece's place from 1 and the column, but not the path.
pub(crate) fn read_json(from: impl Read) -> Result<Vec<PieceRecord>> {
    let wrong = |found: String| Error::new(ErrorKind::Document, found);
    let document: Value = serde_json::from_reader(from).map_err(|e| wrong(e.to_string()))?;
    let pieces = document["pieces"].as_array();
    let Some(pieces) = pieces.filter(|_| document["format"] == FORMAT) else {
        return Err(wrong("no piece table".to_owned())
            .key("format")
            .expected(format!("expected a document of format {FORMAT}")));
    };
    let mut records = Vec::with_capacity(pieces.len());
    for (at, piece) in pieces.iter().enumerate() {
        let located = |error: Error| match error.key.clone() {
            Some(key) => error.key(format!("pieces[{at}].{key}")),
            None => error.key(format!("pieces[{at}]")),
        };
        let values = piece
            .as_object()
            .ok_or_else(|| located(wrong("not an object".to_owned())))?;
        let names: Vec<String> = values.keys().cloned().collect();
        let mut record = blank_record();
        for (column, _) in match_columns(&names).map_err(located)? {
            let value = &values[column.name.as_ref()];
            let text = match value {
                Value::Null => String::new(),
                Value::String(text) => text.clone(),
                Value::Array(words) => {
                    let words: Vec<&str> = words.iter().filter_map(Value::as_str).collect();
                    words.join(" ")
                }
                other => other.to_string(),
            };
            let cell = parse_cell(&column, &text).map_err(located)?;
            store_cell(&column, &mut record, cell).map_err(located)?;
        }
        records.push(record);
    }
    Ok(records)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::tables::table::samples;

    #[test]
    fn what_is_written_reads_back() {
        let mut bytes = Vec::new();
        let table = samples::table();
        write_json(&table, &mut bytes).unwrap();
        let read = read_json(bytes.as_slice()).unwrap();
        let mut again = Vec::new();
        let same = PieceTable::new(read, table.rejected.clone(), table.provenance.clone());
        write_json(&same, &mut again).unwrap();
        assert_eq!(
            String::from_utf8(again).unwrap(),
            String::from_utf8(bytes).unwrap()
        );
    }

    #[test]
    fn other_documents_and_wrong_values_are_refused() {
        let mut bytes = Vec::new();
        write_json(&samples::table(), &mut bytes).unwrap();
        let good = String::from_utf8(bytes).unwrap();
        for (text, found) in [
            ("[]".to_owned(), "format"),
            ("{".to_owned(), "EOF"),
            (good.replace(FORMAT, "other/1"), "format"),
            (good.replacen("188.4", "\"heavy\"", 1), "pieces[0].mass_g"),
            (good.replacen("188.4", "null", 1), "pieces[0].mass_g"),
            (good.replacen("\"touching\"", "\"odd\"", 1), "odd"),
            (good.replacen("\"mass_g\"", "\"mass\"", 1), "mass_g"),
        ] {
            let error = read_json(text.as_bytes()).unwrap_err().to_string();
            assert!(error.contains(found), "{found}: {error}");
        }
    }

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
