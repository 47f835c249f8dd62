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
    file!(CSS, "agree.css"),
    file!(SCRIPT, "agree.js"),
    file!(SCRIPT, "agree_piece.js"),
    file!(SCRIPT, "agree_result.js"),
    file!(CSS, "charts.css"),
    file!(SCRIPT, "charts.js"),
    file!(CSS, "check.css"),
    file!(SCRIPT, "check.js"),
    file!(SCRIPT, "check_history.js"),
    file!(SCRIPT, "check_record.js"),
    file!(SCRIPT, "check_result.js"),
    file!(SCRIPT, "files.js"),
    file!(SCRIPT, "kit.js"),
    file!(SCRIPT, "list.js"),
    file!(SCRIPT, "look.js"),
    file!(SCRIPT, "main.js"),
    file!(SCRIPT, "map.js"),
    file!(CSS, "runs.css"),
    file!(SCRIPT, "runs.js"),
    file!(SCRIPT, "section.js"),
    file!(SCRIPT, "solid.js"),
    file!(CSS, "style.css"),
    file!(SCRIPT, "tools.js"),
    file!(CSS, "tune.css"),
    file!(SCRIPT, "tune.js"),
    file!(SCRIPT, "tune_choose.js"),
    file!(SCRIPT, "tune_colour.js"),
    file!(SCRIPT, "tune_fields.js"),
    file!(SCRIPT, "tune_form.js"),
    file!(SCRIPT, "tune_histogram.js"),
    file!(SCRIPT, "tune_map.js"),
    file!(SCRIPT, "tune_preview.js"),
    file!(SCRIPT, "tune_result.js"),
    file!(SCRIPT, "tune_save.js"),
    file!(SCRIPT, "tune_state.js"),
    file!(SCRIPT, "runs_charts.js"),
    file!(SCRIPT, "runs_compare.js"),
    file!(SCRIPT, "runs_kit.js"),
    file!(SCRIPT, "runs_list.js"),
    file!(SCRIPT, "runs_made.js"),
    file!(SCRIPT, "runs_pieces.js"),
    file!(SCRIPT, "runs_summary.js"),
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
