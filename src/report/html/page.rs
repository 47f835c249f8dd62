//! The frame of every page.

use std::sync::LazyLock;

use askama::Template;
use base64::Engine;
use base64::engine::general_purpose::STANDARD;

use crate::error::{Error, ErrorKind, Result};

/// The chart library, packed by `build.rs`.
/// The script that draws charts, as a gzip file: for pages that load it by address instead of carrying it.
pub const CHART_SCRIPT_GZIP: &[u8] = include_bytes!(concat!(env!("OUT_DIR"), "/charts.js.gz"));

/// The same as text, once for all pages of a run.
static SCRIPT_TEXT: LazyLock<String> = LazyLock::new(|| STANDARD.encode(CHART_SCRIPT_GZIP));

/// What every page has; templates see it as `page`.
pub(super) struct Page {
    pub(super) title: String,
    /// Allows the page's own scripts and no others.
    pub(super) nonce: String,
    pub(super) version: &'static str,
    pub(super) style: &'static str,
    /// Unpacks the chart library and draws the figures.
    pub(super) loader: &'static str,
    pub(super) packed: &'static str,
}

impl Page {
    /// The frame of a page called `title`; `made_from` is any text that the page's content follows from.
    pub(super) fn new(title: String, made_from: &str) -> Self {
        let nonce = blake3::hash(made_from.as_bytes()).to_hex();
        Self {
            title,
            nonce: nonce.chars().take(32).collect(),
            version: env!("CARGO_PKG_VERSION"),
            style: include_str!("templates/style.css"),
            loader: include_str!("templates/loader.js"),
            packed: &SCRIPT_TEXT,
        }
    }
}

/// The page's text.
pub(super) fn render(template: &impl Template) -> Result<String> {
    template.render().map_err(|e| {
        Error::new(
            ErrorKind::Document,
            format!("the page cannot be written: {e}"),
        )
    })
}
