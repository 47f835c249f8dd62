//! Whole archives measured, summed up and compared.

use std::sync::Arc;

use axum::Router;

use super::store::Store;

pub(super) fn routes(_store: Arc<Store>) -> Router {
    Router::new()
}
