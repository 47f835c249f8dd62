//! TOML documents: read with errors that name file, line, key and the nearest known key; written so that they read back.
//!
//! A document is parsed twice: once into a tree that remembers where every key stands, so that a check made long after
//! parsing can still name the line, and once by serde into the caller's wire type. [`Document::read_as`] parses once and makes the
//! tree only when something is wrong: whole archives are read by it.

mod hash;
mod message;
mod nearest;
mod replace;
mod text;
mod time;
mod tree;

use std::io::Read;
use std::path::{Path, PathBuf};
use std::sync::OnceLock;

use serde::de::DeserializeOwned;
use toml::de::{DeTable, DeValue};

use crate::error::{Error, ErrorKind, Result};

use tree::{Content, Table};

pub use hash::file_hash;
pub use nearest::nearest;
pub use replace::{replace_checked_file, replace_file, write_new_file};
pub use text::TomlText;
pub(crate) use text::{list, quoted};
pub use time::WireTime;

/// Largest document that is read, in bytes. A flat field of 10 000 stations takes less than a megabyte, so a larger
/// file is something else under the wrong name.
pub const MAX_DOCUMENT_BYTES: u64 = 16 << 20;

/// A TOML document that knows where each of its keys stands.
#[derive(Debug, Clone)]
pub struct Document {
    path: PathBuf,
    text: String,
    /// Made when it is first asked for.
    root: OnceLock<Table>,
}

impl Document {
    /// Reads and parses `path`.
    ///
    /// # Errors
    /// The file cannot be read, is larger than [`MAX_DOCUMENT_BYTES`], is not UTF-8 or is not TOML.
    pub fn read(path: &Path) -> Result<Self> {
        Self::parse(path, text_of(path)?)
    }

    /// Reads `path`, checks its `format` and decodes it: the same as [`read`](Self::read), [`expect_format`](Self::expect_format) and
    /// [`decode`](Self::decode) in turn, at a third of the cost.
    ///
    /// # Errors
    /// Those of the three.
    pub fn read_as<T: DeserializeOwned>(path: &Path, format: &str) -> Result<(Self, T)> {
        Self::parse_as(path, text_of(path)?, format)
    }

    /// As [`read_as`](Self::read_as), from `text`; `path` is only named in errors.
    ///
    /// # Errors
    /// Those of [`parse`](Self::parse), [`expect_format`](Self::expect_format) and [`decode`](Self::decode).
    pub fn parse_as<T: DeserializeOwned>(
        path: &Path,
        text: String,
        format: &str,
    ) -> Result<(Self, T)> {
        if let Some(value) = decoded(&text, format) {
            let document = Self {
                path: path.to_path_buf(),
                text,
                root: OnceLock::new(),
            };
            return Ok((document, value));
        }
        let document = Self::parse(path, text)?;
        document.expect_format(format)?;
        let value = document.decode()?;
        Ok((document, value))
    }

    /// Parses `text`; `path` is only named in errors.
    ///
    /// # Errors
    /// The text is not TOML.
    pub fn parse(path: &Path, text: String) -> Result<Self> {
        // Editors on some systems put a byte-order mark first; it carries no meaning in UTF-8.
        let text = match text.strip_prefix('\u{feff}') {
            Some(rest) => rest.to_string(),
            None => text,
        };
        let root = match DeTable::parse(&text) {
            Ok(root) => Table::new(root.get_ref()),
            Err(e) => {
                let mut error = message::from_serde(e.message(), &[]).error.at(path);
                if let Some(span) = e.span() {
                    error = error.line(line_at(&text, span.start));
                }
                return Err(error);
            }
        };
        Ok(Self {
            path: path.to_path_buf(),
            text,
            root: OnceLock::from(root),
        })
    }

    fn root(&self) -> &Table {
        self.root.get_or_init(|| match DeTable::parse(&self.text) {
            Ok(root) => Table::new(root.get_ref()),
            // It was parsed before, or there would be no document.
            Err(_) => Table::default(),
        })
    }

    /// The file it came from.
    #[must_use]
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Checks the `format` key before anything else, so that a document of another kind says so.
    ///
    /// # Errors
    /// There is no `format` key or it names another format.
    pub fn expect_format(&self, format: &str) -> Result<()> {
        let expected = format!("expected format = \"{format}\"");
        match self.root().get("format").map(|entry| &entry.value.content) {
            None => Err(Error::new(ErrorKind::Document, "missing")
                .at(&self.path)
                .key("format")
                .expected(expected)),
            Some(Content::Text(found)) if found == format => Ok(()),
            Some(Content::Text(found)) => Err(self
                .wrong("format", format!("found \"{found}\""))
                .expected(expected)),
            Some(_) => Err(self
                .wrong("format", "found a value that is not text")
                .expected(expected)),
        }
    }

    /// Decodes into a wire type.
    ///
    /// # Errors
    /// A key is missing, unknown or of the wrong type.
    pub fn decode<T: DeserializeOwned>(&self) -> Result<T> {
        toml::from_str(&self.text).map_err(|e| {
            let place = e.span();
            let parents = place
                .as_ref()
                .map(|span| self.root().key_at(span))
                .unwrap_or_default();
            let told = message::from_serde(e.message(), &parents);
            let mut error = told.error.at(&self.path);
            if let Some(key) = told.key {
                error = error.key(key);
            }
            match place {
                // A key missing at the top has no line of its own.
                Some(_) if told.missing && parents.is_empty() => error,
                Some(span) => error.line(line_at(&self.text, span.start)),
                None => error,
            }
        })
    }

    /// An error about the value of `key` (dotted, `class[1].lab`), with the line it stands on.
    #[must_use]
    pub fn wrong(&self, key: &str, found: impl Into<String>) -> Error {
        let error = Error::new(ErrorKind::Document, found)
            .at(&self.path)
            .key(key);
        match self.line_of(key) {
            Some(line) => error.line(line),
            None => error,
        }
    }

    /// The 1-based line of a dotted key, or of its nearest ancestor that is present.
    #[must_use]
    pub fn line_of(&self, key: &str) -> Option<usize> {
        self.root()
            .place_of(key)
            .map(|offset| line_at(&self.text, offset))
    }

    /// Checks that a number is finite.
    ///
    /// # Errors
    /// It is NaN or infinite.
    pub fn finite(&self, key: &str, value: f64) -> Result<f64> {
        if value.is_finite() {
            Ok(value)
        } else {
            Err(self
                .wrong(key, format!("found {value}"))
                .expected("expected a finite number"))
        }
    }

    /// Checks that a number is finite and greater than zero.
    ///
    /// # Errors
    /// It is not.
    pub fn positive(&self, key: &str, value: f64) -> Result<f64> {
        if value.is_finite() && 0.0 < value {
            Ok(value)
        } else {
            Err(self
                .wrong(key, format!("found {value}"))
                .expected("expected a finite number greater than 0"))
        }
    }

    /// Checks that a number lies in `low..=high`.
    ///
    /// # Errors
    /// It does not.
    pub fn within(&self, key: &str, value: f64, low: f64, high: f64) -> Result<f64> {
        if low <= value && value <= high {
            Ok(value)
        } else {
            Err(self
                .wrong(key, format!("found {value}"))
                .expected(format!("expected a number from {low} to {high}")))
        }
    }

    /// Checks that a name can stand in a table cell and in a file name.
    ///
    /// # Errors
    /// It is empty, starts or ends with blanks, or holds control characters, `/` or `\`.
    pub fn name(&self, key: &str, value: String) -> Result<String> {
        let fits = !value.is_empty()
            && value.trim() == value
            && value != "."
            && value != ".."
            && !value
                .chars()
                .any(|c| c.is_control() || c == '/' || c == '\\');
        if fits {
            Ok(value)
        } else {
            Err(self.wrong(key, format!("found {value:?}")).expected(
                "expected a name without control characters, '/' or '\\', and without blanks at its ends",
            ))
        }
    }

    /// The instant that a time key states.
    ///
    /// # Errors
    /// It has no offset from UTC, or is no RFC 3339 time.
    pub fn time(&self, key: &str, value: &WireTime) -> Result<jiff::Timestamp> {
        value.timestamp().map_err(|found| {
            self.wrong(key, found).expected(
                "expected an RFC 3339 time with Z or an offset, such as 2026-03-04T09:12:33Z",
            )
        })
    }
}

/// The text of a document's file.
fn text_of(path: &Path) -> Result<String> {
    let file = std::fs::File::open(path).map_err(|e| Error::io(path, &e))?;
    let length = file.metadata().map_err(|e| Error::io(path, &e))?.len();
    if length > MAX_DOCUMENT_BYTES {
        return Err(Error::new(
            ErrorKind::Document,
            format!("the file holds {length} bytes"),
        )
        .at(path)
        .expected(format!(
            "expected a TOML document of at most {MAX_DOCUMENT_BYTES} bytes"
        )));
    }
    // A byte more than there are, so that the end is met without growing.
    let mut bytes = Vec::with_capacity(length as usize + 1);
    // `take` also bounds what has no honest length, such as a pipe.
    file.take(MAX_DOCUMENT_BYTES)
        .read_to_end(&mut bytes)
        .map_err(|e| Error::io(path, &e))?;
    let text = String::from_utf8(bytes).map_err(|e| {
        let good = e.utf8_error().valid_up_to();
        let line = 1 + e.as_bytes()[..good].iter().filter(|&&b| b == b'\n').count();
        Error::new(ErrorKind::Document, "a byte that is not UTF-8")
            .at(path)
            .line(line)
            .expected("expected a TOML document in UTF-8; save it as UTF-8")
    })?;
    Ok(text)
}

/// The value of a document of which all is as it should be.
fn decoded<T: DeserializeOwned>(text: &str, format: &str) -> Option<T> {
    let table = DeTable::parse(text).ok()?;
    match table.get_ref().get("format").map(toml::Spanned::get_ref) {
        Some(DeValue::String(found)) if found == format => {}
        _ => return None,
    }
    T::deserialize(toml::de::Deserializer::from(table)).ok()
}

fn line_at(text: &str, offset: usize) -> usize {
    let end = offset.min(text.len());
    1 + text.as_bytes()[..end]
        .iter()
        .filter(|&&b| b == b'\n')
        .count()
}
