//! The page's files, held in the program.

use axum::http::header;
use axum::response::{IntoResponse, Response};
use axum::{Router, routing::get};

const HTML: &str = "text/html; charset=utf-8";
const CSS: &str = "text/css; charset=utf-8";
const SCRIPT: &str = "text/javascript; charset=utf-8";

/// The script that draws the charts of reports and of the page, compressed.
const CHARTS: &[u8] = weighlight::report::CHART_SCRIPT_GZIP;

/// Address, kind and content of a file of the page.
macro_rules! file {
    ($kind:ident, $name:literal) => {
        (
            concat!("/", $name),
            $kind,
            include_str!(concat!("page/", $name)),
        )
    };
}

/// The page and all that it loads but the script for charts.
const FILES: &[(&str, &str, &str)] = &[
    ("/", HTML, include_str!("page/index.html")),
    file!(CSS, "charts.css"),
    file!(SCRIPT, "charts.js"),
    file!(SCRIPT, "files.js"),
    file!(SCRIPT, "kit.js"),
    file!(SCRIPT, "main.js"),
    file!(CSS, "style.css"),
    file!(CSS, "agree/agree.css"),
    file!(SCRIPT, "agree/agree.js"),
    file!(SCRIPT, "agree/piece.js"),
    file!(SCRIPT, "agree/result.js"),
    file!(CSS, "check/check.css"),
    file!(SCRIPT, "check/check.js"),
    file!(SCRIPT, "check/history.js"),
    file!(SCRIPT, "check/record.js"),
    file!(SCRIPT, "check/result.js"),
    file!(SCRIPT, "look/list.js"),
    file!(SCRIPT, "look/look.js"),
    file!(SCRIPT, "look/map.js"),
    file!(SCRIPT, "look/section.js"),
    file!(SCRIPT, "look/solid.js"),
    file!(SCRIPT, "look/tools.js"),
    file!(SCRIPT, "runs/charts.js"),
    file!(SCRIPT, "runs/compare.js"),
    file!(SCRIPT, "runs/kit.js"),
    file!(SCRIPT, "runs/list.js"),
    file!(SCRIPT, "runs/made.js"),
    file!(SCRIPT, "runs/pieces.js"),
    file!(CSS, "runs/runs.css"),
    file!(SCRIPT, "runs/runs.js"),
    file!(SCRIPT, "runs/summary.js"),
    file!(SCRIPT, "tune/choose.js"),
    file!(SCRIPT, "tune/colour.js"),
    file!(SCRIPT, "tune/fields.js"),
    file!(SCRIPT, "tune/form.js"),
    file!(SCRIPT, "tune/histogram.js"),
    file!(SCRIPT, "tune/map.js"),
    file!(SCRIPT, "tune/preview.js"),
    file!(SCRIPT, "tune/result.js"),
    file!(SCRIPT, "tune/save.js"),
    file!(SCRIPT, "tune/state.js"),
    file!(CSS, "tune/tune.css"),
    file!(SCRIPT, "tune/tune.js"),
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
