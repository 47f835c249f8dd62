//! Times in documents: a TOML date-time or the same in quotes, always with an offset.

use jiff::Timestamp;
use schemars::{JsonSchema, Schema, SchemaGenerator, json_schema};
use serde::Deserialize;

/// A time as written: a native TOML date-time or text in RFC 3339.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(transparent)]
pub struct WireTime(toml::Value);

impl WireTime {
    /// The instant, or what was found instead.
    ///
    /// # Errors
    /// A local time (its offset is missing), or no time at all.
    pub fn timestamp(&self) -> Result<Timestamp, String> {
        let text = match &self.0 {
            toml::Value::Datetime(time) => {
                if time.offset.is_none() {
                    return Err(format!("found {time}, which has no offset from UTC"));
                }
                time.to_string()
            }
            toml::Value::String(text) => text.clone(),
            other => return Err(format!("found {other}, which is no time")),
        };
        text.parse()
            .map_err(|e: jiff::Error| format!("found \"{text}\" ({e})"))
    }
}

impl JsonSchema for WireTime {
    fn schema_name() -> std::borrow::Cow<'static, str> {
        "Time".into()
    }

    fn json_schema(_: &mut SchemaGenerator) -> Schema {
        json_schema!({
            "type": "string",
            "format": "date-time",
            "description": "RFC 3339 with Z or an offset; in TOML a native date-time or the same in quotes."
        })
    }
}
