//! Pairs set aside: kept in a small document for each piece table and log, changed only by whoever has seen its state.

use std::path::PathBuf;
use std::sync::PoisonError;

use axum::Json;
use jiff::Timestamp;
use serde::Deserialize;
use serde_json::{Value, json};
use weighlight::Result;
use weighlight::agreement::{Exclusions, files_hash, read_exclusions, write_exclusions};
use weighlight::document::file_hash;

use super::super::received::received_file;
use super::super::{Answer, Refused, saved, work};
use super::{Desk, State, pieces};

/// The folder of the documents.
const ASIDE: &str = "set-aside";
/// The state of a document that is not there yet.
const NONE: &str = "none";

fn name(pieces_blake3: &str, log_blake3: &str) -> String {
    let hash = blake3::hash(format!("{pieces_blake3}{log_blake3}").as_bytes());
    format!("{}.toml", &hash.to_hex()[..16])
}

fn file(desk: &Desk, pieces_blake3: &str, log_blake3: &str) -> Result<PathBuf> {
    let save_to = &desk.store.opened.save_to;
    saved::place(save_to, ASIDE, &name(pieces_blake3, log_blake3))
}

/// What is set aside of these files, and the state of its document.
pub(super) fn held(
    desk: &Desk,
    pieces_blake3: &str,
    log_blake3: &str,
) -> Result<(Exclusions, String)> {
    let path = file(desk, pieces_blake3, log_blake3)?;
    if !path.is_file() {
        let none = Exclusions {
            pieces_blake3: pieces_blake3.to_owned(),
            log_blake3: log_blake3.to_owned(),
            entries: Vec::new(),
        };
        return Ok((none, NONE.to_owned()));
    }
    let read = read_exclusions(&path)?;
    read.check_files(pieces_blake3, log_blake3)
        .map_err(|error| error.at(&path))?;
    Ok((read, file_hash(&path)?))
}

/// All entries, those taken back as well.
pub(super) fn told(exclusions: &Exclusions) -> Value {
    let entries = exclusions.entries.iter().map(|it| {
        json!({
            "piece_row": it.piece_row, "log_row": it.log_row, "reason": it.reason, "by": it.by,
            "at": it.at, "taken_back": it.taken_back,
        })
    });
    entries.collect()
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Asked {
    pieces: String,
    log: String,
    piece_row: usize,
    log_row: usize,
    /// Why it is set aside; without it, it is taken back.
    reason: Option<String>,
    by: Option<String>,
    /// State of the document as the page knew it.
    seen: String,
}

pub(super) async fn change(state: State, Json(asked): Json<Asked>) -> Answer<Json<Value>> {
    work(move || {
        let save_to = &state.store.opened.save_to;
        let pieces = pieces::table(&state, &asked.pieces)?;
        let log = files_hash(&[received_file(save_to, &asked.log)?])?;
        let _alone = state.changing.lock().unwrap_or_else(PoisonError::into_inner);
        let (mut held, seen) = held(&state, &pieces.blake3, &log)?;
        if seen != asked.seen {
            return Err(Refused::Conflict(
                "other pairs were set aside or taken back meanwhile: look at them, then set yours aside"
                    .to_owned(),
            ));
        }
        if asked.piece_row == 0 || asked.piece_row > pieces.records.len() || asked.log_row == 0 {
            return Err(Refused::Unknown);
        }
        let now = Timestamp::now();
        let of = (asked.piece_row, asked.log_row);
        match &asked.reason {
            Some(reason) => held.exclude(of, reason, asked.by.as_deref(), now)?,
            None => held.take_back(of.0, of.1, now)?,
        }
        saved::folder(save_to, ASIDE)?;
        let path = file(&state, &pieces.blake3, &log)?;
        let part = name(&pieces.blake3, &log);
        saved::no_link(&path.with_file_name(format!(".{part}.part")))?;
        write_exclusions(&path, &held)?;
        Ok(Json(json!({
            "seen": file_hash(&path)?, "file": path.display().to_string(), "set_aside_all": told(&held),
        })))
    })
    .await
}
