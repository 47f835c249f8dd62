//! Where each key of a document stands: an owned copy of the parsed tree, with byte spans.

use std::collections::BTreeMap;
use std::ops::Range;

use toml::de::{DeTable, DeValue};

/// A table's entries by name.
#[derive(Debug, Clone, Default)]
pub(super) struct Table(BTreeMap<String, Entry>);

/// A key with its value.
#[derive(Debug, Clone)]
pub(super) struct Entry {
    key: Range<usize>,
    pub(super) value: Value,
}

/// A value with its span.
#[derive(Debug, Clone)]
pub(super) struct Value {
    span: Range<usize>,
    pub(super) content: Content,
}

/// What can be walked into or compared.
#[derive(Debug, Clone)]
pub(super) enum Content {
    Table(Table),
    Array(Vec<Value>),
    Text(String),
    Other,
}

impl Table {
    pub(super) fn new(table: &DeTable<'_>) -> Self {
        Self(
            table
                .iter()
                .map(|(key, value)| {
                    let entry = Entry {
                        key: key.span(),
                        value: Value::new(value.span(), value.get_ref()),
                    };
                    (key.get_ref().to_string(), entry)
                })
                .collect(),
        )
    }

    pub(super) fn get(&self, key: &str) -> Option<&Entry> {
        self.0.get(key)
    }

    /// The byte at which a dotted key stands (`class[1].lab`), or its nearest ancestor that is present.
    pub(super) fn place_of(&self, key: &str) -> Option<usize> {
        let mut table = Some(self);
        let mut place = None;
        for part in key.split('.') {
            let (name, index) = match part.strip_suffix(']').and_then(|p| p.split_once('[')) {
                Some((name, index)) => (name, index.parse::<usize>().ok()),
                None => (part, None),
            };
            let Some(entry) = table.and_then(|t| t.get(name)) else {
                break;
            };
            let mut value = &entry.value;
            place = Some(entry.key.start);
            if let (Some(index), Content::Array(items)) = (index, &value.content)
                && let Some(item) = items.get(index)
            {
                value = item;
                place = Some(item.span.start);
            }
            table = match &value.content {
                Content::Table(inner) => Some(inner),
                _ => None,
            };
        }
        place
    }

    /// The path of the shortest key or value that holds all bytes of `place`; empty at the top.
    pub(super) fn key_at(&self, place: &Range<usize>) -> Vec<String> {
        // serde points at the document as a whole with an empty span at its start.
        if place.is_empty() {
            return Vec::new();
        }
        let mut search = Search {
            place,
            best: None,
            path: Vec::new(),
        };
        search.table(self);
        search.best.map(|(_, path)| path).unwrap_or_default()
    }
}

impl Value {
    fn new(span: Range<usize>, value: &DeValue<'_>) -> Self {
        let content = match value {
            DeValue::Table(table) => Content::Table(Table::new(table)),
            DeValue::Array(items) => Content::Array(
                items
                    .iter()
                    .map(|item| Self::new(item.span(), item.get_ref()))
                    .collect(),
            ),
            DeValue::String(text) => Content::Text(text.to_string()),
            _ => Content::Other,
        };
        Self { span, content }
    }
}

struct Search<'a> {
    place: &'a Range<usize>,
    best: Option<(usize, Vec<String>)>,
    path: Vec<String>,
}

impl Search<'_> {
    fn table(&mut self, table: &Table) {
        for (name, entry) in &table.0 {
            self.path.push(name.clone());
            self.consider(&entry.key);
            self.value(&entry.value);
            self.path.pop();
        }
    }

    fn value(&mut self, value: &Value) {
        self.consider(&value.span);
        match &value.content {
            Content::Table(inner) => self.table(inner),
            Content::Array(items) => {
                let Some(name) = self.path.pop() else { return };
                for (index, item) in items.iter().enumerate() {
                    self.path.push(format!("{name}[{index}]"));
                    self.value(item);
                    self.path.pop();
                }
                self.path.push(name);
            }
            Content::Text(_) | Content::Other => {}
        }
    }

    fn consider(&mut self, span: &Range<usize>) {
        let shorter = self
            .best
            .as_ref()
            .is_none_or(|(length, _)| span.len() < *length);
        let holds = span.start <= self.place.start && self.place.end <= span.end;
        if holds && shorter {
            self.best = Some((span.len(), self.path.clone()));
        }
    }
}
