//! What differs between two profiles.

use std::collections::BTreeMap;

use toml::{Table, Value};

use super::profile::Product;
use super::write::product_text;

/// A value that differs between two profiles.
#[derive(Debug, Clone, PartialEq)]
pub struct Change {
    /// Its key as documents name it, classes by their name: `class.fat.lab.l`.
    pub key: String,
    /// As it was, in TOML; `None`: it was not there.
    pub before: Option<String>,
    /// As it is, in TOML; `None`: it is not there.
    pub after: Option<String>,
}

/// What differs, in the order of keys; what the weights were fitted to is left out.
#[must_use]
pub fn changes(before: &Product, after: &Product) -> Vec<Change> {
    let (mut before, mut after) = (leaves(before), leaves(after));
    let mut keys: Vec<String> = before.keys().chain(after.keys()).cloned().collect();
    keys.sort();
    keys.dedup();
    keys.into_iter()
        .map(|key| Change {
            before: before.remove(&key),
            after: after.remove(&key),
            key,
        })
        .filter(|change| change.before != change.after)
        .collect()
}

fn leaves(product: &Product) -> BTreeMap<String, String> {
    let product = Product {
        fit: None,
        ..product.clone()
    };
    let mut found = BTreeMap::new();
    // What is written reads back, so that an unreadable text is no case of its own.
    let table: Table = product_text(&product).parse().unwrap_or_default();
    walk("", &table, &mut found);
    let order: Vec<&str> = product.classes.iter().map(|it| it.name.as_str()).collect();
    found.insert("class".to_owned(), order.join(", "));
    found
}

fn walk(prefix: &str, table: &Table, found: &mut BTreeMap<String, String>) {
    for (name, value) in table {
        let key = format!("{prefix}{name}");
        match value {
            Value::Table(table) => walk(&format!("{key}."), table, found),
            Value::Array(items) if items.iter().all(Value::is_table) => {
                for item in items.iter().filter_map(Value::as_table) {
                    let own = item.get("name").and_then(Value::as_str);
                    walk(&format!("{key}.{}.", own.unwrap_or_default()), item, found);
                }
            }
            value => {
                found.insert(key, value.to_string());
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::product::{Range, read_product};

    #[test]
    fn only_what_differs_is_told_with_both_values() {
        let path = std::path::Path::new("sample-scans/products/belly-strips.toml");
        let before = read_product(path).unwrap();
        assert_eq!(changes(&before, &before), []);
        let mut after = before.clone();
        after.piece.min_height_mm = 2.5;
        after.classes[0].lab.as_mut().unwrap().l.low = 65.0;
        after.spec.mass_g = None;
        after.spec.width_mm = Some(Range {
            low: 30.0,
            high: 60.0,
        });
        let told = changes(&before, &after);
        let told: Vec<(&str, Option<&str>, Option<&str>)> = told
            .iter()
            .map(|it| (it.key.as_str(), it.before.as_deref(), it.after.as_deref()))
            .collect();
        assert_eq!(
            told,
            [
                (
                    "class.fat.lab.l",
                    Some("[62.0, 100.0]"),
                    Some("[65.0, 100.0]")
                ),
                ("piece.min_height_mm", Some("1.0"), Some("2.5")),
                ("spec.mass_g", Some("[100.0, 200.0]"), None),
                ("spec.width_mm", Some("[30.0, 55.0]"), Some("[30.0, 60.0]")),
            ]
        );
    }

    #[test]
    fn another_order_of_rules_is_a_change() {
        let path = std::path::Path::new("sample-scans/products/belly-strips.toml");
        let before = read_product(path).unwrap();
        let mut after = before.clone();
        after.classes.reverse();
        assert_eq!(changes(&before, &after)[0].key, "class");
    }
}
