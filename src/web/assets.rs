//! The page's files, held in the program.

use axum::http::header;
use axum::response::{IntoResponse, Response};
use axum::{Router, routing::get};

const HTML: &str = "text/html; charset=utf-8";
const CSS: &str = "text/css; charset=utf-8";
const SCRIPT: &str = "text/javascript; charset=utf-8";

/// Address, kind, content.
const FILES: [(&str, &str, &str); 6] = [
    ("/", HTML, include_str!("page/index.html")),
    ("/style.css", CSS, include_str!("page/style.css")),
    ("/main.js", SCRIPT, include_str!("page/main.js")),
    ("/look.js", SCRIPT, include_str!("page/look.js")),
    ("/map.js", SCRIPT, include_str!("page/map.js")),
    ("/section.js", SCRIPT, include_str!("page/section.js")),
];

pub(super) fn routes<S: Clone + Send + Sync + 'static>() -> Router<S> {
    FILES
        .iter()
        .fold(Router::new(), |router, &(at, kind, text)| {
            let answer = move || async move { file(kind, text) };
            router.route(at, get(answer))
        })
}

fn file(kind: &'static str, text: &'static str) -> Response {
    ([(header::CONTENT_TYPE, kind)], text).into_response()
}
