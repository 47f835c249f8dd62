//! The list of runs, and what could be measured into a new one.

use std::path::Path;
use std::sync::Arc;

use axum::Json;
use axum::extract::State;
use serde_json::{Value, json};
use weighlight::runs::{Begun, ProductSource, RunState, Standing, standing};

use super::super::super::Opened;
use super::super::{Refused, work};
use super::place::{Place, all};
use super::{Desk, job};

pub(super) async fn runs(State(desk): State<Arc<Desk>>) -> Result<Json<Value>, Refused> {
    work(move || {
        let opened = &desk.store.opened;
        let here = source(opened);
        let runs: Vec<Value> = all(opened)
            .iter()
            .map(|place| match standing(&place.path) {
                Ok(standing) => entry(place, &standing, here.as_ref().ok()),
                Err(error) => json!({
                    "id": place.id, "name": place.name, "path": place.path.display().to_string(), "saved": place.saved,
                    "state": "damaged", "error": error.to_string(),
                }),
            })
            .collect();
        let scans: usize = opened.archive.recordings.iter().map(|it| it.frames.len()).sum();
        let start = json!({
            "can": here.is_ok(),
            "why_not": here.as_ref().err(),
            "archives": here.as_ref().ok().map(|it| &it.archives),
            "product": here.as_ref().ok().map(|it| &it.product),
            "products": here.as_ref().ok().map(|it| &it.products),
            "calibrations": here.as_ref().ok().map(|it| &it.calibrations),
            "recordings": opened.archive.recordings.len(),
            "scans": scans,
            "threads": job::all_threads(),
        });
        Ok(Json(json!({ "runs": runs, "start": start, "job": desk.board.json() })))
    })
    .await
}

fn entry(place: &Place, standing: &Standing, here: Option<&Begun>) -> Value {
    let about = standing.description.as_ref();
    let names = |files: &[weighlight::runs::NamedFile]| -> Vec<Value> {
        files
            .iter()
            .map(|it| json!({ "name": it.name, "file": it.file, "blake3": it.blake3, "valid_from": it.valid_from.map(|it| it.to_string()) }))
            .collect()
    };
    json!({
        "id": place.id,
        "name": place.name,
        "path": place.path.display().to_string(),
        "saved": place.saved,
        "state": match standing.state {
            RunState::Complete => "finished",
            RunState::Stopped => "stopped",
            RunState::BeingWritten => "writing",
        },
        "version": standing.version,
        "started": standing.started.map(|it| it.to_string()),
        "ended": standing.ended.map(|it| it.to_string()),
        "recordings": about.map(|it| it.counts.recordings),
        "measured": about.map_or(standing.noted, |it| it.counts.measured),
        "pieces": about.map(|it| it.counts.pieces),
        "rejected": about.map(|it| it.counts.rejected),
        "program": about.map(|it| &it.version),
        "archives": about.map(|it| it.archives.clone()).or_else(|| standing.begun.as_ref().map(|it| it.archives.clone())),
        "products": about.map(|it| names(&it.products)),
        "calibrations": about.map(|it| names(&it.calibrations)),
        "shard": about.map(|it| it.shard.to_string()),
        "resume": resumable(place, standing, here).err().map_or(Value::Bool(true), Value::String),
        "open_with": standing.begun.as_ref().and_then(|begun| open_with(place, begun)),
    })
}

/// What a new run would be made of; `Err`: why there can be none.
pub(super) fn source(opened: &Opened) -> Result<Begun, String> {
    let text = |path: &Path| path.display().to_string();
    if opened.folders.is_empty() {
        return Err(
            "Only runs were opened. Open scans to measure them: weighlight open ARCHIVE".to_owned(),
        );
    }
    if opened.product.is_none() && opened.products.is_none() {
        return Err(
            "No product profiles were opened: weighlight open ARCHIVE --products DIR".to_owned(),
        );
    }
    Ok(Begun {
        working_folder: opened.working_folder.clone(),
        archives: opened.folders.iter().map(|it| text(it)).collect(),
        product: opened.product.as_deref().map(text),
        products: match opened.product {
            Some(_) => None,
            None => opened.products.as_deref().map(text),
        },
        calibrations: opened.calibrations_folder.as_deref().map(text),
    })
}

/// The same for the library.
pub(super) fn profiles(opened: &Opened) -> Option<ProductSource> {
    match (&opened.product, &opened.products) {
        (Some(file), _) => Some(ProductSource::One(file.clone())),
        (None, Some(folder)) => Some(ProductSource::Folder(folder.clone())),
        (None, None) => None,
    }
}

/// Whether the page may go on with a run: only with what it was begun over, for scans that are not there any more leave a run.
pub(super) fn resumable(
    place: &Place,
    standing: &Standing,
    here: Option<&Begun>,
) -> Result<(), String> {
    if !place.saved {
        return Err("It was opened, not made here: what was opened is not written to.".to_owned());
    }
    if standing.state == RunState::BeingWritten {
        return Err("A program is writing it now.".to_owned());
    }
    match (&standing.begun, here) {
        (_, None) => Err("No scans with profiles are open that could be measured.".to_owned()),
        (None, _) => Err("It does not say what it was begun over; weighlight reprocess --resume goes on with it.".to_owned()),
        (Some(begun), Some(here)) if begun.is_same_source(here) => Ok(()),
        (Some(begun), Some(_)) => Err(format!(
            "It was begun over other folders ({}{}) than are open now, and would lose their scans.",
            begun.archives.join(", "),
            begun.products.as_ref().or(begun.product.as_ref()).map_or(String::new(), |it| format!(", profiles {it}"))
        )),
    }
}

/// How to open the scans of a run together with it, where they are still there.
fn open_with(place: &Place, begun: &Begun) -> Option<String> {
    let here = Path::new(&begun.working_folder);
    let archives = begun.archive_paths();
    if !archives.iter().all(|path| path.exists()) {
        return None;
    }
    let run = std::fs::canonicalize(&place.path).ok()?;
    let mut words = vec!["weighlight".to_owned(), "open".to_owned()];
    words.extend(archives.iter().map(|path| quoted(path)));
    words.push(quoted(&run));
    for (option, path) in [
        ("--product", &begun.product),
        ("--products", &begun.products),
        ("--calibrations", &begun.calibrations),
    ] {
        if let Some(path) = path {
            words.push(option.to_owned());
            words.push(quoted(&here.join(path)));
        }
    }
    Some(words.join(" "))
}

/// A path as a shell takes it for one word.
fn quoted(path: &Path) -> String {
    let text = path.display().to_string();
    let plain = |c: char| c.is_alphanumeric() || matches!(c, '/' | '\\' | ':' | '.' | '-' | '_');
    match text.chars().all(plain) {
        true => text,
        false => format!("\"{}\"", text.replace('"', "\\\"")),
    }
}
