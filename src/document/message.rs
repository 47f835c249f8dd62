//! From serde's messages to ours: what was found, what was expected, and the nearest known key.

use crate::error::{Error, ErrorKind};

use super::nearest;

/// An error told in our words.
pub(super) struct Told {
    pub(super) error: Error,
    /// The dotted key concerned.
    pub(super) key: Option<String>,
    /// Whether the key is one that is not there.
    pub(super) missing: bool,
}

/// Tells a message of serde or the TOML parser; `place` is the key path it points at.
pub(super) fn from_serde(message: &str, place: &[String]) -> Told {
    // Some parser messages run over several lines; an error is one.
    let message = message.trim().replace('\n', ", ");
    let here = (!place.is_empty()).then(|| place.join("."));
    if let Some(rest) = message.strip_prefix("missing field ") {
        let name = names(rest).first().copied().unwrap_or(rest).to_string();
        let key = match here {
            Some(parent) => format!("{parent}.{name}"),
            None => name,
        };
        return Told {
            error: Error::new(ErrorKind::Document, "missing").expected("add this key"),
            key: Some(key),
            missing: true,
        };
    }
    let error = if message.starts_with("unknown field ") {
        unknown("unknown key", &message)
    } else if message.starts_with("unknown variant ") {
        unknown("unknown value", &message)
    } else if let Some((found, expected)) = message.rsplit_once(", expected ") {
        let found = found
            .strip_prefix("invalid type: ")
            .or_else(|| found.strip_prefix("invalid value: "))
            .map_or_else(|| found.to_string(), |f| format!("found {f}"));
        Error::new(ErrorKind::Document, found).expected(format!("expected {}", plain(expected)))
    } else {
        Error::new(ErrorKind::Document, message)
    };
    Told {
        error,
        key: here,
        missing: false,
    }
}

/// An error for a word that is not among the known ones, which serde lists in backticks.
fn unknown(what: &str, message: &str) -> Error {
    let words = names(message);
    let (word, known) = match words.split_first() {
        Some((word, known)) => (*word, known),
        None => ("", &[][..]),
    };
    let error = Error::new(ErrorKind::Document, format!("{what} '{word}'"));
    match (nearest(word, known), known.is_empty()) {
        (Some(near), _) => error.expected(format!("did you mean '{near}'?")),
        (None, false) => error.expected(format!("known here: {}", known.join(", "))),
        (None, true) => error.expected("no key is known here"),
    }
}

/// The words between backticks.
fn names(text: &str) -> Vec<&str> {
    text.split('`').skip(1).step_by(2).collect()
}

/// Type names as people say them.
fn plain(expected: &str) -> String {
    match expected {
        "f64" | "f32" => "a number".to_string(),
        "u16" | "u32" | "u64" | "usize" => "a whole number, 0 or more".to_string(),
        "i64" => "a whole number".to_string(),
        "a string" => "text in quotes".to_string(),
        "a boolean" => "true or false".to_string(),
        "a sequence" => "a list in [ ]".to_string(),
        _ => match expected.strip_prefix("struct ") {
            Some(_) => "a table".to_string(),
            None => expected.replace('`', "'"),
        },
    }
}
