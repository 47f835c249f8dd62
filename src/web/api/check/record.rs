//! Writing a check down: the entry of the log first, then the record that names it.

use std::path::Path;
use std::sync::PoisonError;

use axum::Json;
use axum::response::Response;
use jiff::Timestamp;
use serde::Deserialize;
use serde_json::{Value, json};
use weighlight::Error;
use weighlight::history::{Appended, NewEntry, append_after};
use weighlight::report::{DriftRecord, LogPlace, record_page};

use super::super::{Answer, Refused, saved, work};
use super::{LOGS, RECORDS, State};

/// Longest name of a person and longest note, in characters.
const LONGEST: (usize, usize) = (200, 4000);

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Asked {
    /// The check: its report's hash.
    key: String,
    operator: Option<String>,
    note: Option<String>,
    /// Hash of the log's last entry as the page knew it.
    seen: String,
}

fn check_words(operator: Option<&str>, note: Option<&str>) -> Answer<()> {
    let long = |text: Option<&str>, most: usize| text.is_some_and(|it| it.chars().count() > most);
    if long(operator, LONGEST.0) {
        return Err(Refused::Invalid(
            "the name is longer than 200 characters".to_owned(),
        ));
    }
    if long(note, LONGEST.1) {
        return Err(Refused::Invalid(
            "the note is longer than 4000 characters".to_owned(),
        ));
    }
    Ok(())
}

/// An entry that came in between is a conflict, all else a failure.
fn refused(error: Error) -> Refused {
    match error.key.as_deref() {
        Some("log") => Refused::Conflict(format!(
            "{}: look at the history, then write yours",
            error.found
        )),
        _ => Refused::Failed(error),
    }
}

fn add(save_to: &Path, new: &NewEntry<'_>, seen: &str) -> Answer<Appended> {
    let folder = saved::folder(save_to, LOGS)?;
    saved::place(save_to, LOGS, &format!("{}.jsonl", new.scanner))?;
    append_after(&folder, new, seen).map_err(refused)
}

fn told(kept: &Appended) -> Vec<String> {
    let repaired = kept.repaired.iter().map(|aside| {
        format!(
            "the last line was half written; it is now in {}",
            aside.display()
        )
    });
    repaired
        .chain(kept.damage.iter().map(ToString::to_string))
        .collect()
}

pub(super) async fn record(state: State, Json(asked): Json<Asked>) -> Answer<Json<Value>> {
    work(move || {
        let report = {
            let made = state.made.lock().unwrap_or_else(PoisonError::into_inner);
            let found = made.iter().find(|(key, _)| *key == asked.key);
            found.map(|(_, report)| report.clone())
        };
        let report = report.ok_or_else(|| {
            Refused::Conflict(
                "this check is no longer held: check again, then write it down".to_owned(),
            )
        })?;
        let operator = asked
            .operator
            .as_deref()
            .map(str::trim)
            .filter(|it| !it.is_empty());
        let note = asked
            .note
            .as_deref()
            .map(str::trim)
            .filter(|it| !it.is_empty());
        check_words(operator, note)?;
        let save_to = &state.store.opened.save_to;
        let now = Timestamp::now();
        let kept = add(
            save_to,
            &NewEntry {
                scanner: &report.scanner,
                time: report.captured,
                logged: now,
                operator,
                note,
                report: Some(&report),
            },
            &asked.seen,
        )?;
        let path = kept.path.display().to_string();
        let page = record_page(&DriftRecord {
            report: &report,
            operator,
            note,
            made: now,
            log: Some(LogPlace {
                path: &path,
                sequence: kept.sequence,
                hash: &kept.hash,
            }),
        })?;
        let name = format!(
            "{}-{:04}-{}.html",
            report.scanner,
            kept.sequence,
            &kept.hash[..8]
        );
        let file = saved::write(save_to, RECORDS, &name, page.as_bytes())?;
        Ok(Json(json!({
            "sequence": kept.sequence, "hash": kept.hash, "log": path,
            "record": name, "file": file.display().to_string(), "warnings": told(&kept),
        })))
    })
    .await
}

/// A saved record as a page of its own.
pub(super) async fn page(state: State, name: axum::extract::Path<String>) -> Answer<Response> {
    work(move || {
        let save_to = &state.store.opened.save_to;
        saved::page(save_to, RECORDS, &name)?.ok_or(Refused::Unknown)
    })
    .await
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Happened {
    scanner: String,
    note: String,
    operator: Option<String>,
    /// When it happened, if not now.
    at: Option<Timestamp>,
    /// Hash of the log's last entry as the page knew it.
    seen: String,
}

/// Adds an event to a scanner's log.
pub(super) async fn event(state: State, Json(asked): Json<Happened>) -> Answer<Json<Value>> {
    work(move || {
        check_words(asked.operator.as_deref(), Some(&asked.note))?;
        let now = Timestamp::now();
        let kept = add(
            &state.store.opened.save_to,
            &NewEntry {
                scanner: &asked.scanner,
                time: asked.at.unwrap_or(now),
                logged: now,
                operator: asked.operator.as_deref(),
                note: Some(&asked.note),
                report: None,
            },
            &asked.seen,
        )?;
        Ok(Json(json!({
            "sequence": kept.sequence, "hash": kept.hash, "warnings": told(&kept),
        })))
    })
    .await
}
