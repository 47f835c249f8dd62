//! The product profile as a form, with what it does to a scan shown at once.

use std::sync::Arc;

use axum::Router;

use super::store::Store;

pub(super) fn routes(_store: Arc<Store>) -> Router {
    Router::new()
}
