//! A reference target checked as `drift` does it, its record written, the scanner's history shown.

mod history;
mod record;
mod run;
mod targets;

pub(super) use history::log_of;

use std::path::Path;
use std::sync::{Arc, Mutex};

use axum::extract::DefaultBodyLimit;
use axum::routing::{get, post};
use axum::{Json, Router};
use serde_json::{Value, json};
use weighlight::Result;
use weighlight::drift::DriftReport;

use super::Answer;
use super::received::{self, receive_scan};
use super::saved;
use super::store::Store;

/// The folder of logs, below the one saved into; `drift --log` reads and writes it as well.
const LOGS: &str = "checks";
/// The folder of records.
const RECORDS: &str = "records";
/// Checks that can still be written down.
const MOST_CHECKS: usize = 16;

/// What the answers of this job share.
struct Desk {
    store: Arc<Store>,
    /// Checks made, by the hash of their report; the oldest goes first.
    made: Mutex<Vec<(String, Arc<DriftReport>)>>,
}

pub(super) fn routes(store: Arc<Store>) -> Router {
    let desk = Desk {
        store,
        made: Mutex::new(Vec::new()),
    };
    let scan = post(receive).layer(DefaultBodyLimit::max(received::MOST_BYTES));
    Router::new()
        .route("/api/check", get(choices))
        .route("/api/check/scans", scan)
        .route("/api/check/targets", post(targets::receive))
        .route("/api/check/run", post(run::run))
        .route("/api/check/record", post(record::record))
        .route("/api/check/records/{name}", get(record::page))
        .route("/api/check/events", post(record::event))
        .route("/api/check/history", post(history::given))
        .route("/api/check/history/{scanner}", get(history::kept))
        .with_state(Arc::new(desk))
}

type State = axum::extract::State<Arc<Desk>>;

/// What can be chosen from beside the scans: targets, products, logs.
async fn choices(state: State) -> Answer<Json<Value>> {
    let desk = state.0;
    super::work(move || {
        let opened = &desk.store.opened;
        let products = opened
            .products
            .as_deref()
            .map(targets::documents)
            .unwrap_or_default();
        let products: Vec<_> = products
            .iter()
            .filter_map(|path| path.file_stem()?.to_str())
            .collect();
        Ok(Json(json!({
            "targets": targets::list(opened),
            "products": products,
            "logs": logs(&opened.save_to)?,
            "records": saved::names(&opened.save_to, RECORDS)?,
        })))
    })
    .await
}

/// The scanners that have a log.
pub(super) fn logs(save_to: &Path) -> Result<Vec<String>> {
    let names = saved::names(save_to, LOGS)?;
    let scanners = names.iter().filter_map(|it| it.strip_suffix(".jsonl"));
    Ok(scanners.map(str::to_owned).collect())
}

async fn receive(state: State, body: axum::body::Bytes) -> Answer<Json<Value>> {
    super::work(move || {
        let kept = receive_scan(&state.store.opened.save_to, &body)?;
        Ok(Json(json!({ "received": kept })))
    })
    .await
}
