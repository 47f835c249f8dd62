//! A reference target checked: pose, errors against tolerance, cost, history, record.

use std::sync::Arc;

use axum::Router;

use super::store::Store;

pub(super) fn routes(_store: Arc<Store>) -> Router {
    Router::new()
}
