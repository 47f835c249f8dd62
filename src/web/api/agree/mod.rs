//! A piece table beside a log of the checkweigher, compared as `compare` does it.

mod aside;
mod compare;
mod pieces;

use std::sync::{Arc, Mutex};

use axum::body::Bytes;
use axum::extract::{DefaultBodyLimit, Query};
use axum::routing::{get, post};
use axum::{Json, Router};
use serde::Deserialize;
use serde_json::{Value, json};
use weighlight::tables::PieceRecord;
use weighlight::{Error, ErrorKind};

use super::received::{MOST_BYTES, receive_file, received_file};
use super::store::Store;
use super::{Answer, work};

/// Lines of a log that are shown before it is read.
const FIRST_LINES: usize = 8;
/// Bytes of it that are looked at for them.
const FIRST_BYTES: usize = 4096;

/// A piece table that was read last, with the hash of its file or files.
struct Pieces {
    key: String,
    blake3: String,
    records: Vec<PieceRecord>,
}

/// What the answers of this job share.
struct Desk {
    store: Arc<Store>,
    pieces: Mutex<Option<Arc<Pieces>>>,
    /// One comparison at a time: each may take all cores and much memory.
    working: Mutex<()>,
    /// One change of the pairs set aside at a time.
    changing: Mutex<()>,
}

type State = axum::extract::State<Arc<Desk>>;

pub(super) fn routes(store: Arc<Store>) -> Router {
    let desk = Desk {
        store,
        pieces: Mutex::new(None),
        working: Mutex::new(()),
        changing: Mutex::new(()),
    };
    let large = |route: axum::routing::MethodRouter<Arc<Desk>>| {
        route.layer(DefaultBodyLimit::max(MOST_BYTES))
    };
    Router::new()
        .route("/api/agree", get(choices))
        .route("/api/agree/pieces", large(post(pieces::receive)))
        .route("/api/agree/pieces/{key}/{row}", get(pieces::one))
        .route("/api/agree/logs", large(post(receive_log)))
        .route("/api/agree/logs/{key}", get(log))
        .route("/api/agree/compare", post(compare::compared))
        .route("/api/agree/save", post(compare::save))
        .route("/api/agree/saved/{name}", get(compare::saved_page))
        .route("/api/agree/aside", post(aside::change))
        .with_state(Arc::new(desk))
}

/// What can be chosen from: runs, and the scanners whose last check is known.
async fn choices(state: State) -> Answer<Json<Value>> {
    work(move || {
        let checked = super::check::logs(&state.store.opened.save_to)?;
        Ok(Json(
            json!({ "runs": pieces::runs(&state), "checked": checked }),
        ))
    })
    .await
}

#[derive(Deserialize)]
struct Named {
    name: String,
}

async fn receive_log(state: State, named: Query<Named>, body: Bytes) -> Answer<Json<Value>> {
    work(move || {
        let save_to = &state.store.opened.save_to;
        let key = receive_file(save_to, &named.name, &body, |path| {
            if body.is_empty() {
                return Err(Error::new(ErrorKind::Document, "the log is empty").at(path));
            }
            Ok(())
        })?;
        Ok(Json(
            json!({ "key": key, "name": named.name, "lines": first_lines(&body) }),
        ))
    })
    .await
}

/// The first lines of a log that was received.
async fn log(state: State, key: axum::extract::Path<String>) -> Answer<Json<Value>> {
    work(move || {
        let path = received_file(&state.store.opened.save_to, &key)?;
        let bytes = std::fs::read(&path).map_err(|source| Error::io(&path, &source))?;
        let name = path.file_name().map(|it| it.to_string_lossy().into_owned());
        Ok(Json(
            json!({ "key": *key, "name": name, "lines": first_lines(&bytes) }),
        ))
    })
    .await
}

fn first_lines(bytes: &[u8]) -> Vec<String> {
    let text = String::from_utf8_lossy(&bytes[..bytes.len().min(FIRST_BYTES)]);
    let shown = text.lines().take(FIRST_LINES);
    shown.map(|line| line.chars().take(300).collect()).collect()
}
