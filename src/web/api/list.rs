//! The list of what was opened, and small pictures.

use std::sync::Arc;

use axum::Json;
use axum::extract::{Path, State};
use axum::http::header;
use axum::response::{IntoResponse, Response};
use image::ImageFormat;
use serde_json::{Value, json};
use weighlight::report::HeightColours;
use weighlight::views::thumbnail;
use weighlight::{Error, ErrorKind};

use super::store::Store;
use super::{Refused, work};

/// Length of a small picture, px.
const PICTURE_PX: u32 = 160;

pub(super) async fn scans(State(store): State<Arc<Store>>) -> Json<Value> {
    let scans: Vec<Value> = (0..store.places.len())
        .filter_map(|id| store.scan(id).map(|found| (id, found)))
        .map(|(id, (recording, scan))| {
            let about = &scan.description;
            json!({
                "id": id,
                "name": about.id,
                "recording": recording.name,
                "product": about.product,
                "scanner": about.scanner,
                "captured": about.captured.to_string(),
                "across_mm": scan.columns as f64 * about.height.pitch_across_mm,
                "along_mm": scan.rows as f64 * about.height.pitch_along_mm,
                "colour": about.colour.is_some(),
            })
        })
        .collect();
    let rejected: Vec<String> = store
        .opened
        .archive
        .rejected
        .iter()
        .map(|it| it.error.to_string())
        .collect();
    let colours = HeightColours::new();
    let table: Vec<[u8; 3]> = (0..256)
        .map(|i| colours.at(f64::from(i) / 255.0).0)
        .collect();
    let opened = &store.opened;
    let shown = |path: &std::path::Path| path.display().to_string();
    let all = |paths: &[std::path::PathBuf]| paths.iter().map(|it| shown(it)).collect::<Vec<_>>();
    let places = json!({
        "folders": all(&opened.folders),
        "runs": all(&opened.runs),
        "products": opened.products.as_deref().map(shown),
        "calibrations": opened.calibrations_folder.as_deref().map(shown),
        "save_to": shown(&opened.save_to),
    });
    Json(json!({ "places": places, "scans": scans, "rejected": rejected, "height_colours": table }))
}

pub(super) async fn picture(
    State(store): State<Arc<Store>>,
    Path(id): Path<usize>,
) -> Result<Response, Refused> {
    let bytes = work(move || {
        store.picture(id, |scan| {
            let mut bytes = std::io::Cursor::new(Vec::new());
            thumbnail(scan, PICTURE_PX)?
                .write_to(&mut bytes, ImageFormat::Jpeg)
                .map_err(|error| Error::new(ErrorKind::Image, error.to_string()))?;
            Ok(bytes.into_inner())
        })
    })
    .await?;
    Ok(([(header::CONTENT_TYPE, "image/jpeg")], bytes.to_vec()).into_response())
}
