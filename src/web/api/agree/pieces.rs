//! Piece tables: those of runs, and those that were received.

use std::path::{Path, PathBuf};
use std::sync::{Arc, PoisonError};

use axum::Json;
use axum::body::Bytes;
use axum::extract::Query;
use serde_json::{Value, json};
use weighlight::agreement::files_hash;
use weighlight::runs::Run;
use weighlight::tables::{PieceRecord, PieceTable, Provenance, read_pieces, write_json};
use weighlight::{Error, ErrorKind, Result};

use super::super::received::{receive_file, received_file};
use super::super::{Answer, Refused, saved, work};
use super::{Desk, Named, Pieces, State};

/// The folder below the one saved into that holds runs.
const RUNS: &str = "runs";
/// Digits of the hash of a run's path that names it in an address.
const KEY_DIGITS: usize = 16;

/// Folders of runs: those opened, then those saved.
fn run_folders(desk: &Desk) -> Vec<PathBuf> {
    let opened = &desk.store.opened;
    let mut folders = opened.runs.clone();
    let saved = saved::names(&opened.save_to, RUNS).unwrap_or_default();
    let saved = saved
        .iter()
        .map(|name| opened.save_to.join(RUNS).join(name));
    folders.extend(saved.filter(|path| saved::no_link(path).is_ok() && Run::is_one(path)));
    folders
}

fn run_key(path: &Path) -> String {
    let hash = blake3::hash(path.as_os_str().as_encoded_bytes()).to_hex();
    format!("run-{}", &hash[..KEY_DIGITS])
}

/// The runs that can be chosen, those that cannot be used with the reason.
pub(super) fn runs(desk: &Desk) -> Vec<Value> {
    let runs = run_folders(desk).into_iter().map(|path| {
        let name = path.display().to_string();
        match Run::open(&path) {
            Ok(run) => json!({
                "key": run_key(&path), "name": name, "pieces": run.description.counts.pieces,
            }),
            Err(error) => json!({"name": name, "error": error.to_string()}),
        }
    });
    runs.collect()
}

/// The files of a table.
fn files(desk: &Desk, key: &str) -> Result<Vec<PathBuf>> {
    if key.starts_with("run-") {
        let path = run_folders(desk).into_iter().find(|it| run_key(it) == key);
        let path = path.ok_or_else(|| {
            Error::new(ErrorKind::Mismatch, "this run is not among those opened")
                .key("pieces")
                .expected("choose another")
        })?;
        let run = Run::open(&path)?;
        return Ok(run
            .partitions
            .iter()
            .map(|it| run.pieces_path(it))
            .collect());
    }
    received_file(&desk.store.opened.save_to, key).map(|path| vec![path])
}

/// A table with its hash; the last one read is kept.
pub(super) fn table(desk: &Desk, key: &str) -> Result<Arc<Pieces>> {
    let mut kept = desk.pieces.lock().unwrap_or_else(PoisonError::into_inner);
    let files = files(desk, key)?;
    // A run may have been made anew under the same name.
    let blake3 = files_hash(&files)?;
    if let Some(pieces) = &*kept
        && pieces.key == key
        && pieces.blake3 == blake3
    {
        return Ok(pieces.clone());
    }
    let mut records: Vec<PieceRecord> = Vec::new();
    for file in &files {
        records.append(&mut read_pieces(file)?);
    }
    let pieces = Arc::new(Pieces {
        key: key.to_owned(),
        blake3,
        records,
    });
    *kept = Some(pieces.clone());
    Ok(pieces)
}

pub(super) async fn receive(state: State, named: Query<Named>, body: Bytes) -> Answer<Json<Value>> {
    work(move || {
        let key = receive_file(&state.store.opened.save_to, &named.name, &body, |path| {
            read_pieces(path).map(|_| ())
        })?;
        let pieces = table(&state, &key)?;
        Ok(Json(
            json!({ "key": key, "name": named.name, "pieces": pieces.records.len() }),
        ))
    })
    .await
}

/// One row of a table, as tables write it.
pub(super) async fn one(
    state: State,
    axum::extract::Path((key, row)): axum::extract::Path<(String, usize)>,
) -> Answer<Json<Value>> {
    work(move || {
        let pieces = table(&state, &key)?;
        let at = row.checked_sub(1).ok_or(Refused::Unknown)?;
        let record = pieces.records.get(at).ok_or(Refused::Unknown)?;
        let provenance = Provenance {
            version: env!("CARGO_PKG_VERSION").to_owned(),
            command: Vec::new(),
            settings: Vec::new(),
            recordings: Vec::new(),
        };
        let table = PieceTable::new(vec![record.clone()], Vec::new(), provenance);
        let mut text = Vec::new();
        write_json(&table, &mut text).map_err(|source| Error::io("the answer", &source))?;
        let mut table: Value = serde_json::from_slice(&text)
            .map_err(|error| Error::new(ErrorKind::Io, error.to_string()))?;
        let columns: Vec<Value> = table_columns(record);
        Ok(Json(
            json!({ "row": row, "piece": table["pieces"][0].take(), "columns": columns }),
        ))
    })
    .await
}

/// Name and unit of each column, in order.
fn table_columns(record: &PieceRecord) -> Vec<Value> {
    let classes: Vec<String> = record.classes.iter().map(|it| it.class.clone()).collect();
    let columns = weighlight::tables::columns_for(&classes);
    let told = columns
        .iter()
        .map(|it| json!({"name": it.name, "unit": it.unit, "decimals": it.decimals}));
    told.collect()
}
