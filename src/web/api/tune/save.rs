//! Saving a profile under a new name, below the folder that the page writes into.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use axum::Json;
use axum::extract::{self, State};
use serde::Deserialize;
use serde_json::{Value, json};
use weighlight::product::{Product, changes, write_new_product};
use weighlight::{Error, ErrorKind};

use super::super::store::lock;
use super::super::{Refused, work};
use super::bench::Bench;
use super::preview::Asked;
use super::profile;

/// Folder of the saved profiles, below that of all that is saved.
pub(super) const FOLDER: &str = "products";
/// Longest name of a file.
const LONGEST_NAME: usize = 120;

/// The folder of saved profiles. It need not be there yet; if it is, it is a folder itself and no link to one elsewhere.
pub(super) fn folder(save_to: &Path) -> Result<PathBuf, Refused> {
    let folder = save_to.join(FOLDER);
    match folder.symlink_metadata() {
        Ok(about) if !about.is_dir() => Err(Refused::Failed(
            Error::new(ErrorKind::Io, "not a folder of its own")
                .at(&folder)
                .expected("expected a folder, or nothing: what is saved stays below the folder to save into"),
        )),
        _ => Ok(folder),
    }
}

/// The folder in words.
pub(super) fn shown_folder(save_to: &Path) -> String {
    save_to.join(FOLDER).display().to_string()
}

fn allowed(letter: char) -> bool {
    letter.is_alphanumeric() || matches!(letter, '-' | '_' | '.' | ' ' | '+' | '(' | ')')
}

/// A name with only such letters as every file system takes.
pub(super) fn plain(name: &str) -> String {
    let letter = |letter| if allowed(letter) { letter } else { '-' };
    name.chars().map(letter).collect()
}

/// A name of a file in the folder and nothing else.
pub(super) fn clean(name: &str) -> Result<&str, Refused> {
    let stem = name.strip_suffix(".toml").unwrap_or_default();
    let sound = !stem.is_empty()
        && name.len() <= LONGEST_NAME
        && !stem.starts_with(['.', ' ', '-'])
        && !stem.ends_with(['.', ' '])
        && name.chars().all(allowed);
    if sound {
        return Ok(name);
    }
    Err(Refused::Failed(
        Error::new(ErrorKind::Document, format!("{name:?}"))
            .key("file")
            .expected("expected a name such as strips-2026-03-04.toml: letters, digits, - _ . and blanks, ending in .toml"),
    ))
}

/// What differs from the profile that the page started from.
pub(super) async fn told(
    State(bench): State<Arc<Bench>>,
    extract::Path(id): extract::Path<usize>,
    Json(asked): Json<Asked>,
) -> Result<Json<Value>, Refused> {
    work(move || {
        let start = profile::start(&bench.store, id, &asked.from)?;
        let product = profile::from_json(asked.profile, &start.product)?;
        let (_, scan) = bench.store.scan(id).ok_or(Refused::Unknown)?;
        Ok(Json(json!({
            "changes": in_json(&start.product, &product),
            "file": profile::free_name(&bench.store.opened.save_to, &product, scan),
            "drops_fit": start.product.fit.is_some() && product.fit.is_none(),
        })))
    })
    .await
}

fn in_json(before: &Product, after: &Product) -> Vec<Value> {
    changes(before, after)
        .iter()
        .map(|it| json!({ "key": it.key, "before": it.before, "after": it.after }))
        .collect()
}

/// A profile to save.
#[derive(Deserialize)]
pub(super) struct Saving {
    #[serde(flatten)]
    asked: Asked,
    /// BLAKE3 of the profile that the page started from.
    based_on: String,
    file: String,
}

pub(super) async fn save(
    State(bench): State<Arc<Bench>>,
    extract::Path(id): extract::Path<usize>,
    Json(saving): Json<Saving>,
) -> Result<Json<Value>, Refused> {
    work(move || {
        let _alone = lock(&bench.saving);
        let save_to = &bench.store.opened.save_to;
        let start = profile::start(&bench.store, id, &saving.asked.from)?;
        if start.blake3 != saving.based_on {
            return Err(Refused::Conflict(
                "the profile that this one started from has changed on the disk: load the page again to start from the new one".to_owned(),
            ));
        }
        let product = profile::from_json(saving.asked.profile, &start.product)?;
        let path = folder(save_to)?.join(clean(&saving.file)?);
        if path.symlink_metadata().is_ok() {
            return Err(taken(&saving.file));
        }
        std::fs::create_dir_all(folder(save_to)?)
            .map_err(|source| Refused::Failed(Error::io(save_to, &source)))?;
        match write_new_product(&path, &product) {
            Ok(()) => {}
            Err(_) if path.symlink_metadata().is_ok() => return Err(taken(&saving.file)),
            Err(error) => return Err(Refused::Failed(error)),
        }
        Ok(Json(json!({
            "saved": path.display().to_string(),
            "file": saving.file,
            "changes": in_json(&start.product, &product),
        })))
    })
    .await
}

fn taken(file: &str) -> Refused {
    Refused::Conflict(format!(
        "there is a profile {file} already; a profile that was in use is kept, as old results rest on it: choose a new name"
    ))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_are_names_of_files_in_the_folder_and_nothing_else() {
        for name in [
            "",
            ".toml",
            "..toml",
            "../a.toml",
            "a/b.toml",
            "a\\b.toml",
            "/a.toml",
            "a.txt",
            "a",
            ".a.toml",
            "a\0.toml",
            "a\n.toml",
            "c:a.toml",
            "-a.toml",
            "a .toml",
            "..",
            "~/a.toml",
        ] {
            assert!(clean(name).is_err(), "{name:?}");
        }
        assert!(clean(&format!("{}.toml", "a".repeat(200))).is_err());
        for name in ["a.toml", "strips-2026-03-04.toml", "Bauch 2 (früh).toml"] {
            assert!(clean(name).is_ok(), "{name:?}");
        }
        assert!(clean(&format!("{}.toml", plain("a/b:c\u{7}"))).is_ok());
    }

    #[cfg(unix)]
    #[test]
    fn a_link_out_of_the_folder_is_not_followed() {
        let here = tempfile::tempdir().unwrap();
        let away = tempfile::tempdir().unwrap();
        assert!(folder(here.path()).is_ok());
        std::os::unix::fs::symlink(away.path(), here.path().join(FOLDER)).unwrap();
        assert!(folder(here.path()).is_err());
    }
}
