//! The page's files, held in the program.

use axum::http::header;
use axum::response::{IntoResponse, Response};
use axum::{Router, routing::get};

const HTML: &str = "text/html; charset=utf-8";
const CSS: &str = "text/css; charset=utf-8";
const SCRIPT: &str = "text/javascript; charset=utf-8";

/// The script that draws the charts of reports and of the page, compressed.
const CHARTS: &[u8] = weighlight::report::CHART_SCRIPT_GZIP;

/// Address, kind, content.
const FILES: [(&str, &str, &str); 27] = [
    ("/", HTML, include_str!("page/index.html")),
    ("/style.css", CSS, include_str!("page/style.css")),
    ("/tune.css", CSS, include_str!("page/tune.css")),
    ("/check.css", CSS, include_str!("page/check.css")),
    ("/agree.css", CSS, include_str!("page/agree.css")),
    ("/runs.css", CSS, include_str!("page/runs.css")),
    ("/charts.css", CSS, include_str!("page/charts.css")),
    ("/main.js", SCRIPT, include_str!("page/main.js")),
    ("/kit.js", SCRIPT, include_str!("page/kit.js")),
    ("/list.js", SCRIPT, include_str!("page/list.js")),
    ("/look.js", SCRIPT, include_str!("page/look.js")),
    ("/map.js", SCRIPT, include_str!("page/map.js")),
    ("/section.js", SCRIPT, include_str!("page/section.js")),
    ("/solid.js", SCRIPT, include_str!("page/solid.js")),
    ("/tools.js", SCRIPT, include_str!("page/tools.js")),
    ("/tune.js", SCRIPT, include_str!("page/tune.js")),
    ("/check.js", SCRIPT, include_str!("page/check.js")),
    ("/agree.js", SCRIPT, include_str!("page/agree.js")),
    ("/runs.js", SCRIPT, include_str!("page/runs.js")),
    (
        "/runs_charts.js",
        SCRIPT,
        include_str!("page/runs_charts.js"),
    ),
    ("/runs_kit.js", SCRIPT, include_str!("page/runs_kit.js")),
    ("/runs_list.js", SCRIPT, include_str!("page/runs_list.js")),
    ("/runs_made.js", SCRIPT, include_str!("page/runs_made.js")),
    (
        "/runs_summary.js",
        SCRIPT,
        include_str!("page/runs_summary.js"),
    ),
    (
        "/runs_pieces.js",
        SCRIPT,
        include_str!("page/runs_pieces.js"),
    ),
    (
        "/runs_compare.js",
        SCRIPT,
        include_str!("page/runs_compare.js"),
    ),
    ("/charts.js", SCRIPT, include_str!("page/charts.js")),
];

pub(super) fn routes<S: Clone + Send + Sync + 'static>() -> Router<S> {
    FILES.iter().fold(
        Router::new().route("/plotting.js", get(charts)),
        |router, &(at, kind, text)| {
            let answer = move || async move { file(kind, text) };
            router.route(at, get(answer))
        },
    )
}

fn file(kind: &'static str, text: &'static str) -> Response {
    ([(header::CONTENT_TYPE, kind)], text).into_response()
}

async fn charts() -> Response {
    let about = [
        (header::CONTENT_TYPE, SCRIPT),
        (header::CONTENT_ENCODING, "gzip"),
    ];
    (about, CHARTS).into_response()
}
