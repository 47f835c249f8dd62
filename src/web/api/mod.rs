//! Answers to the page, from the same library functions as the commands.

mod agree;
mod bytes;
mod check;
mod list;
mod received;
mod runs;
mod saved;
mod scan;
mod store;
mod tune;

use std::sync::Arc;

use axum::Router;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use axum::routing::get;
use serde_json::json;
use weighlight::Error;

use super::Opened;
use store::Store;

pub(super) fn routes(opened: Opened) -> Router {
    let store = Arc::new(Store::new(opened));
    Router::new()
        .route("/api/scans", get(list::scans))
        .route("/api/scans/{id}/picture", get(list::picture))
        .route("/api/scans/{id}/heights", get(scan::heights))
        .route(
            "/api/scans/{id}/heights/measured",
            get(scan::measured_heights),
        )
        .route("/api/scans/{id}/pieces", get(scan::pieces))
        .route("/api/scans/{id}/marks", get(scan::marks))
        .route("/api/scans/{id}/rebuilt", get(scan::rebuilt))
        .route("/api/scans/{id}/pieces/{number}", get(scan::piece))
        .route("/api/scans/{id}/colour", get(scan::colour))
        .route("/api/scans/{id}/point", get(scan::point))
        .with_state(store.clone())
        .merge(tune::routes(store.clone()))
        .merge(check::routes(store.clone()))
        .merge(agree::routes(store.clone()))
        .merge(runs::routes(store))
}

/// An answer that could not be given.
enum Refused {
    /// No scan has this place in the list.
    Unknown,
    /// Nothing goes by this name, in words.
    Missing(String),
    /// What it was based on has changed meanwhile, or something else is under way, in words.
    Conflict(String),
    /// The scan cannot give it, with the reason.
    Failed(Error),
    /// The question itself makes no sense, with the reason.
    Invalid(String),
    /// The server's own work broke off.
    BrokenOff,
}

/// What an answer is, or why there is none.
type Answer<T> = Result<T, Refused>;

impl From<Error> for Refused {
    fn from(error: Error) -> Self {
        Self::Failed(error)
    }
}

impl IntoResponse for Refused {
    fn into_response(self) -> Response {
        let key = match &self {
            Self::Failed(error) => error.key.clone(),
            _ => None,
        };
        let (status, text) = match self {
            Self::Unknown => (
                StatusCode::NOT_FOUND,
                "there is no such scan, piece or cell in what was opened".to_owned(),
            ),
            Self::Missing(words) => (StatusCode::NOT_FOUND, words),
            Self::Conflict(words) => (StatusCode::CONFLICT, words),
            Self::Failed(error) => (StatusCode::UNPROCESSABLE_ENTITY, error.to_string()),
            Self::Invalid(text) => (StatusCode::BAD_REQUEST, text),
            Self::BrokenOff => (
                StatusCode::INTERNAL_SERVER_ERROR,
                "the work broke off".to_owned(),
            ),
        };
        (status, axum::Json(json!({ "error": text, "key": key }))).into_response()
    }
}

/// Runs work that takes its time away from the threads that answer.
async fn work<T: Send + 'static>(
    job: impl FnOnce() -> Result<T, Refused> + Send + 'static,
) -> Result<T, Refused> {
    tokio::task::spawn_blocking(job)
        .await
        .unwrap_or(Err(Refused::BrokenOff))
}
