//! Writing TOML in the order and form in which people read it.

use std::fmt::Write;

use jiff::Timestamp;

/// A TOML document under construction. Numbers are written with the fewest digits that read back to the same value.
#[derive(Debug, Clone, Default)]
pub struct TomlText {
    text: String,
}

impl TomlText {
    /// A document that starts with its format.
    #[must_use]
    pub fn new(format: &str) -> Self {
        let mut text = Self::default();
        text.text("format", format);
        text
    }

    /// Starts a table: `[name]`.
    pub fn table(&mut self, name: &str) {
        self.line(&format!("\n[{name}]"));
    }

    /// Starts an item of a list of tables: `[[name]]`.
    pub fn item(&mut self, name: &str) {
        self.line(&format!("\n[[{name}]]"));
    }

    /// A text value.
    pub fn text(&mut self, key: &str, value: &str) {
        self.raw(key, &quoted(value));
    }

    /// A number with its decimal point.
    pub fn number(&mut self, key: &str, value: f64) {
        self.raw(key, &number(value));
    }

    /// A whole number.
    pub fn whole(&mut self, key: &str, value: u64) {
        self.raw(key, &value.to_string());
    }

    /// True or false.
    pub fn flag(&mut self, key: &str, value: bool) {
        self.raw(key, if value { "true" } else { "false" });
    }

    /// An instant, in UTC.
    pub fn time(&mut self, key: &str, value: Timestamp) {
        self.raw(key, &value.to_string());
    }

    /// A value already in TOML.
    pub fn raw(&mut self, key: &str, value: &str) {
        self.line(&format!("{key} = {value}"));
    }

    /// The document.
    #[must_use]
    pub fn finish(self) -> String {
        self.text
    }

    fn line(&mut self, line: &str) {
        self.text.push_str(line);
        self.text.push('\n');
    }
}

/// A number as TOML: shortest digits that read back, always recognisable as a float.
pub(crate) fn number(value: f64) -> String {
    // Rust's debug form of a finite float is `1.0`, `0.004` or `1e-7`, each valid in TOML.
    format!("{value:?}")
}

/// Numbers as a one-line list.
pub(crate) fn list(values: &[f64]) -> String {
    let items: Vec<String> = values.iter().map(|v| number(*v)).collect();
    format!("[{}]", items.join(", "))
}

/// Text as a basic TOML string.
pub(crate) fn quoted(value: &str) -> String {
    let mut out = String::with_capacity(value.len() + 2);
    out.push('"');
    for c in value.chars() {
        match c {
            '"' => out.push_str("\\\""),
            '\\' => out.push_str("\\\\"),
            '\n' => out.push_str("\\n"),
            '\t' => out.push_str("\\t"),
            c if c.is_control() => {
                // Writing to a string cannot fail.
                let _ = write!(out, "\\u{:04X}", u32::from(c));
            }
            c => out.push(c),
        }
    }
    out.push('"');
    out
}
