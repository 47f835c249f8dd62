//! Whole archives measured, summed up and compared.

mod compare;
mod job;
mod list;
mod one;
mod place;

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex, PoisonError};

use axum::Router;
use axum::http::header;
use axum::response::{IntoResponse, Response};
use axum::routing::{get, post};
use weighlight::runs::PieceList;
use weighlight::runs::diff::RunDiff;

use super::store::Store;
use job::Board;

/// What was opened, the run that is being made, and what was worked out last.
struct Desk {
    store: Arc<Store>,
    board: Arc<Board>,
    pieces: Last<PieceList>,
    diff: Last<Compared>,
    /// One thing is read or measured at a time for this job: each may take much memory.
    working: Mutex<()>,
}

/// Pictures by the piece's place among those that moved most, and whether it is of the run after.
type Pictures = BTreeMap<(usize, bool), Arc<Vec<u8>>>;

/// Two runs compared, with the pictures that were asked for.
struct Compared {
    diff: RunDiff,
    pictures: Mutex<Pictures>,
}

/// The last result, under the words that say what it is of.
struct Last<T>(Mutex<Option<(String, Arc<T>)>>);

impl<T> Last<T> {
    fn new() -> Self {
        Self(Mutex::new(None))
    }

    /// The result of `key`, made by `make` when it is not the last.
    fn get<E>(&self, key: &str, make: impl FnOnce() -> Result<T, E>) -> Result<Arc<T>, E> {
        // A thread that broke off left the old entry whole.
        let mut last = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some((known, found)) = &*last
            && known == key
        {
            return Ok(found.clone());
        }
        // Dropped first: two big ones at a time may be too many.
        *last = None;
        let made = Arc::new(make()?);
        *last = Some((key.to_owned(), made.clone()));
        Ok(made)
    }
}

/// A report as a file of its own: the browser saves it, for the page's own policy would not let it show its charts.
fn saved_page(text: String) -> Response {
    let about = [
        (header::CONTENT_TYPE, "text/html; charset=utf-8"),
        (header::CONTENT_DISPOSITION, "attachment"),
    ];
    (about, text).into_response()
}

pub(super) fn routes(store: Arc<Store>) -> Router {
    let desk = Arc::new(Desk {
        store,
        board: Arc::new(Board::default()),
        pieces: Last::new(),
        diff: Last::new(),
        working: Mutex::new(()),
    });
    Router::new()
        .route("/api/runs", get(list::runs))
        .route("/api/runs/job", get(job::state))
        .route("/api/runs/start", post(job::start))
        .route("/api/runs/stop", post(job::stop))
        .route("/api/runs/one/{id}/summary", get(one::summary))
        .route("/api/runs/one/{id}/page", get(one::page))
        .route("/api/runs/one/{id}/rejected", get(one::rejected))
        .route("/api/runs/one/{id}/pieces", get(one::pieces))
        .route("/api/runs/compare", get(compare::compared))
        .route("/api/runs/compare/page", get(compare::page))
        .route("/api/runs/compare/picture", get(compare::picture))
        .with_state(desk)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_last_result_is_made_once_and_a_failure_leaves_none() {
        let last: Last<u32> = Last::new();
        let fresh = |value: u32| move || Ok::<u32, &str>(value);
        assert_eq!(*last.get("a", fresh(1)).unwrap(), 1);
        assert_eq!(*last.get("a", fresh(2)).unwrap(), 1);
        assert_eq!(*last.get("b", fresh(3)).unwrap(), 3);
        assert_eq!(*last.get("a", fresh(4)).unwrap(), 4);
        assert!(last.get("c", || Err("no")).is_err());
        assert_eq!(*last.get("a", fresh(5)).unwrap(), 5);
    }
}
