//! The product profile as a form, with what it does to a scan shown at once.

mod bench;
mod fit;
mod preview;
mod profile;
mod save;

use std::sync::Arc;

use axum::Router;
use axum::extract::DefaultBodyLimit;
use axum::routing::{get, post};

use super::store::Store;
use bench::Bench;

/// Largest profile with painted cells that is taken, bytes.
const MOST_BYTES: usize = 8 << 20;

pub(super) fn routes(store: Arc<Store>) -> Router {
    Router::new()
        .route("/api/tune/{id}/profile", get(profile::opened))
        .route("/api/tune/{id}/heights", get(preview::heights))
        .route("/api/tune/{id}/colour", get(preview::colour))
        .route("/api/tune/{id}/preview", post(preview::preview))
        .route("/api/tune/{id}/fit", post(fit::fit))
        .route("/api/tune/{id}/changes", post(save::told))
        .route("/api/tune/{id}/save", post(save::save))
        .layer(DefaultBodyLimit::max(MOST_BYTES))
        .with_state(Arc::new(Bench::new(store)))
}
