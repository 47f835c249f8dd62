//! What differs in how two runs were made.

use std::collections::BTreeMap;

use crate::runs::{NamedFile, RunDescription};

/// Something that is not the same in both runs.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SettingChange {
    /// What: `version`, `archives`, `product NAME`, `calibration SCANNER from TIME` …
    pub what: String,
    /// In the first run; `None`: it had none.
    pub before: Option<String>,
    /// In the second run; `None`: it has none.
    pub after: Option<String>,
}

/// What differs in how two runs were made; empty when they were made alike.
#[must_use]
pub fn setting_changes(before: &RunDescription, after: &RunDescription) -> Vec<SettingChange> {
    let yes_no = |value: bool| if value { "yes" } else { "no" }.to_owned();
    let mut changes = Vec::new();
    for (what, one, other) in [
        ("version", before.version.clone(), after.version.clone()),
        (
            "archives",
            before.archives.join(", "),
            after.archives.join(", "),
        ),
        (
            "one product for all scans",
            yes_no(before.one_product),
            yes_no(after.one_product),
        ),
        ("part", before.shard.to_string(), after.shard.to_string()),
    ] {
        if one != other {
            changes.push(SettingChange {
                what: what.to_owned(),
                before: Some(one),
                after: Some(other),
            });
        }
    }
    files(&mut changes, "product", &before.products, &after.products);
    files(
        &mut changes,
        "calibration",
        &before.calibrations,
        &after.calibrations,
    );
    changes
}

/// Files that are in one run alone, or with other content.
fn files(changes: &mut Vec<SettingChange>, what: &str, before: &[NamedFile], after: &[NamedFile]) {
    let mut all: BTreeMap<String, [Option<&NamedFile>; 2]> = BTreeMap::new();
    for (side, list) in [before, after].into_iter().enumerate() {
        for file in list {
            let name = match file.valid_from {
                Some(time) => format!("{what} {} from {time}", file.name),
                None => format!("{what} {}", file.name),
            };
            all.entry(name).or_default()[side] = Some(file);
        }
    }
    for (what, [one, other]) in all {
        if one.map(|file| &file.blake3) == other.map(|file| &file.blake3) {
            continue;
        }
        let said = |file: &NamedFile| {
            let hash: String = file.blake3.chars().take(16).collect();
            format!("{} (blake3 {hash})", file.file)
        };
        changes.push(SettingChange {
            what,
            before: one.map(said),
            after: other.map(said),
        });
    }
}
