//! The reference targets that a check can be made with.

use std::path::{Path, PathBuf};

use axum::Json;
use axum::body::Bytes;
use axum::extract::Query;
use serde::Deserialize;
use serde_json::{Value, json};
use weighlight::calibration::{Target, read_target};
use weighlight::document::file_hash;
use weighlight::{Error, ErrorKind, Result};

use super::super::received::{receive_file, received_file};
use super::super::{Answer, Refused, work};
use super::State;
use crate::web::Opened;

/// The folder's name, beside or in what was opened.
const TARGETS: &str = "targets";
/// Digits of the hash that names a target in an address.
const KEY_DIGITS: usize = 16;

/// The documents of a folder, sorted.
pub(super) fn documents(folder: &Path) -> Vec<PathBuf> {
    let entries = std::fs::read_dir(folder).into_iter().flatten();
    let mut found: Vec<PathBuf> = entries
        .filter_map(|entry| Some(entry.ok()?.path()))
        .filter(|path| path.extension().is_some_and(|it| it == "toml"))
        .collect();
    found.sort();
    found
}

/// Every target description in reach, with the key that stands for it: the start of its file's hash.
fn known(opened: &Opened) -> Vec<(String, PathBuf)> {
    let first = opened.folders.first();
    let beside = [
        opened.calibrations_folder.as_deref(),
        first.map(PathBuf::as_path),
        first.and_then(|it| it.parent()),
    ];
    let mut found: Vec<(String, PathBuf)> = Vec::new();
    for folder in beside.into_iter().flatten() {
        for path in documents(&folder.join(TARGETS)) {
            if let Ok(hash) = file_hash(&path)
                && !found.iter().any(|(key, _)| hash.starts_with(key))
            {
                found.push((hash[..KEY_DIGITS].to_owned(), path));
            }
        }
    }
    found
}

/// Targets to choose from, those that cannot be used with the reason.
pub(super) fn list(opened: &Opened) -> Vec<Value> {
    let targets = known(opened).into_iter().map(|(key, path)| {
        let file = path.file_name().map(|it| it.to_string_lossy().into_owned());
        match read_target(&path) {
            Ok(target) => about(&key, &target, file),
            Err(error) => json!({"key": key, "file": file, "error": error.to_string()}),
        }
    });
    targets.collect()
}

fn about(key: &str, target: &Target, file: Option<String>) -> Value {
    json!({
        "key": key, "file": file, "name": target.name, "certificate": target.certificate,
        "bodies": target.frustums.len() + target.steps.len() + target.spheres.len(),
        "patches": target.patches.len(),
        "expands": target.expansion_per_k.is_some() && target.temperature_c.is_some(),
    })
}

/// The target that a key stands for, and its file.
pub(super) fn of_key(opened: &Opened, key: &str) -> Result<(Target, PathBuf)> {
    let path = match known(opened).into_iter().find(|(known, _)| known == key) {
        Some((_, path)) => path,
        None => received_file(&opened.save_to, key).map_err(|_| {
            Error::new(
                ErrorKind::Mismatch,
                "this target is not among those known here",
            )
            .key("target")
            .expected("choose another, or give its file again")
        })?,
    };
    Ok((read_target(&path)?, path))
}

#[derive(Deserialize)]
pub(super) struct Named {
    name: String,
}

/// Keeps the file of a target.
pub(super) async fn receive(state: State, named: Query<Named>, body: Bytes) -> Answer<Json<Value>> {
    work(move || {
        let save_to = &state.store.opened.save_to;
        let mut target = None;
        let name = &named.name;
        if !name.to_lowercase().ends_with(".toml") {
            return Err(Refused::Failed(
                Error::new(ErrorKind::Mismatch, format!("the file {name}"))
                    .expected("expected a target's description, a .toml"),
            ));
        }
        let key = receive_file(save_to, name, &body, |path| {
            target = Some(read_target(path)?);
            Ok(())
        })?;
        let target = match target {
            Some(target) => target,
            None => of_key(&state.store.opened, &key)?.0,
        };
        Ok(Json(about(&key, &target, Some(name.clone()))))
    })
    .await
}
