//! One scan: heights, pieces, marks, colour, and what lies under a point.

use std::io::Write;
use std::sync::Arc;

use axum::Json;
use axum::extract::{Path, Query, State};
use axum::http::{HeaderName, header};
use axum::response::{IntoResponse, Response};
use flate2::{Compression, write::GzEncoder};
use image::codecs::jpeg::JpegEncoder;
use serde::Deserialize;
use serde_json::{Value, json};
use weighlight::colour::lab_from_srgb8;
use weighlight::pipeline::{FrameView, MeasuredPiece};
use weighlight::tables::{PieceTable, Provenance, RecordingUsed, write_json};
use weighlight::views::{
    encode_heights, encode_heights_onto, encode_marks, encode_piece, encode_rebuilt,
};
use weighlight::{Error, ErrorKind};

use super::store::Store;
use super::{Refused, work};

/// Quality of the colour layer: no difference to be seen at arm's length (common practice, no source).
pub(super) const COLOUR_QUALITY: u8 = 88;

fn io(source: &std::io::Error) -> Refused {
    Refused::Failed(Error::io("the answer", source))
}

pub(super) fn packed(bytes: &[u8]) -> Result<Vec<u8>, Refused> {
    let mut to = GzEncoder::new(Vec::new(), Compression::fast());
    to.write_all(bytes)
        .and_then(|()| to.finish())
        .map_err(|source| io(&source))
}

pub(super) fn binary(bytes: Vec<u8>, about: String) -> Response {
    (
        [
            (header::CONTENT_TYPE, "application/octet-stream".to_owned()),
            (header::CONTENT_ENCODING, "gzip".to_owned()),
            (HeaderName::from_static("x-cells"), about),
        ],
        bytes,
    )
        .into_response()
}

/// What `answer` makes of a scan's measured frame and the pieces that reach into it.
fn on_frame<T>(
    store: &Store,
    id: usize,
    answer: impl FnOnce(&FrameView, &[MeasuredPiece]) -> Result<T, Refused>,
) -> Result<T, Refused> {
    let measured = store.measured(id)?;
    let (_, scan) = store.scan(id).ok_or(Refused::Unknown)?;
    let (view, pieces) = measured.frame(scan).ok_or(Refused::Unknown)?;
    answer(view, pieces)
}

pub(super) async fn heights(
    State(store): State<Arc<Store>>,
    Path(id): Path<usize>,
) -> Result<Response, Refused> {
    work(move || {
        let surface = store.surface(id)?;
        let view = &surface.view;
        let cells = encode_heights(&view.height_mm);
        let belt = surface.inspection.belt;
        let about = json!({
            "rows": cells.rows,
            "columns": cells.columns,
            "offset_mm": cells.offset_mm,
            "step_mm": cells.step_mm,
            "pitch_across_mm": view.pitch_across_mm,
            "pitch_along_mm": view.pitch_along_mm,
            "noise_mm": belt.map(|belt| belt.noise_mm),
            "calibrated": surface.inspection.calibrated,
        });
        Ok(binary(packed(&cells.bytes)?, about.to_string()))
    })
    .await
}

/// The heights that the pieces were measured on, as differences to those of [`heights`] where the cells are the same.
pub(super) async fn measured_heights(
    State(store): State<Arc<Store>>,
    Path(id): Path<usize>,
) -> Result<Response, Refused> {
    work(move || {
        let known = store.surface(id)?;
        on_frame(&store, id, |view, _| {
            let onto = encode_heights_onto(&known.view.height_mm, &view.height_mm);
            let about_known = onto.is_some();
            let cells = onto.unwrap_or_else(|| encode_heights(&view.height_mm));
            let about = json!({
                "rows": cells.rows,
                "columns": cells.columns,
                "offset_mm": cells.offset_mm,
                "step_mm": cells.step_mm,
                "pitch_across_mm": view.pitch_across_mm,
                "pitch_along_mm": view.pitch_along_mm,
                "onto_known": about_known,
            });
            Ok(binary(packed(&cells.bytes)?, about.to_string()))
        })
    })
    .await
}

pub(super) async fn pieces(
    State(store): State<Arc<Store>>,
    Path(id): Path<usize>,
) -> Result<Json<Value>, Refused> {
    work(move || {
        let measured = store.measured(id)?;
        let (_, scan) = store.scan(id).ok_or(Refused::Unknown)?;
        let it = &measured.recording;
        let used = RecordingUsed {
            recording: it.recording.clone(),
            scanner: it.scanner.clone(),
            scans: it.scans.clone(),
            calibration: it.calibration,
            product: Some(measured.product.clone()),
            has_colour: it.has_colour,
            colour_lossy: scan.colour_lossy,
            learned: it.learned.clone(),
        };
        let provenance = Provenance {
            version: env!("CARGO_PKG_VERSION").to_owned(),
            command: Vec::new(),
            settings: Vec::new(),
            recordings: vec![used],
        };
        let records = it.pieces.iter().map(|piece| piece.record.clone()).collect();
        let table = PieceTable::new(records, Vec::new(), provenance);
        let mut text = Vec::new();
        write_json(&table, &mut text).map_err(|source| io(&source))?;
        let table: Value = serde_json::from_slice(&text)
            .map_err(|error| Refused::Failed(Error::new(ErrorKind::Io, error.to_string())))?;
        let here: Vec<u32> = measured
            .frame(scan)
            .map(|(_, pieces)| pieces.iter().map(|piece| piece.record.piece).collect())
            .unwrap_or_default();
        let first_row = measured.frame(scan).map(|(view, _)| view.first_row);
        Ok(Json(json!({
            "table": table,
            "here": here,
            "first_row": first_row,
            "classes": measured.class_names,
            "product": measured.product.name,
        })))
    })
    .await
}

pub(super) async fn marks(
    State(store): State<Arc<Store>>,
    Path(id): Path<usize>,
) -> Result<Response, Refused> {
    work(move || {
        on_frame(&store, id, |view, pieces| {
            let (rows, columns) = view.height_mm.dim();
            let about = json!({ "rows": rows, "columns": columns });
            let marks = packed(&encode_marks(view, pieces))?;
            Ok(binary(marks, about.to_string()))
        })
    })
    .await
}

/// Heights of what is reconstructed.
pub(super) async fn rebuilt(
    State(store): State<Arc<Store>>,
    Path(id): Path<usize>,
) -> Result<Response, Refused> {
    work(move || {
        on_frame(&store, id, |view, pieces| {
            let bytes = encode_rebuilt(view, pieces);
            let about = json!({ "count": bytes.len() / 8 });
            Ok(binary(packed(&bytes)?, about.to_string()))
        })
    })
    .await
}

/// One piece as a solid.
pub(super) async fn piece(
    State(store): State<Arc<Store>>,
    Path((id, number)): Path<(usize, u32)>,
) -> Result<Response, Refused> {
    work(move || {
        on_frame(&store, id, |view, pieces| {
            let piece = pieces.iter().find(|piece| piece.record.piece == number);
            let cells = encode_piece(view, piece.ok_or(Refused::Unknown)?);
            let about = json!({
                "rows": cells.rows,
                "columns": cells.columns,
                "first_row": cells.first_row,
                "first_column": cells.first_column,
            });
            Ok(binary(packed(&cells.bytes)?, about.to_string()))
        })
    })
    .await
}

pub(super) async fn colour(
    State(store): State<Arc<Store>>,
    Path(id): Path<usize>,
) -> Result<Response, Refused> {
    work(move || {
        on_frame(&store, id, |view, _| {
            let colour = view.colour.as_ref().ok_or(Refused::Unknown)?;
            let (rows, columns) = colour.dim();
            let rgb: Vec<u8> = colour.iter().flatten().copied().collect();
            let mut bytes = Vec::new();
            JpegEncoder::new_with_quality(&mut bytes, COLOUR_QUALITY)
                .encode(
                    &rgb,
                    columns as u32,
                    rows as u32,
                    image::ExtendedColorType::Rgb8,
                )
                .map_err(|error| {
                    Refused::Failed(Error::new(ErrorKind::Image, error.to_string()))
                })?;
            Ok(([(header::CONTENT_TYPE, "image/jpeg")], bytes).into_response())
        })
    })
    .await
}

/// A cell of a frame.
#[derive(Deserialize)]
pub(super) struct At {
    row: usize,
    column: usize,
}

pub(super) async fn point(
    State(store): State<Arc<Store>>,
    Path(id): Path<usize>,
    Query(at): Query<At>,
) -> Result<Json<Value>, Refused> {
    work(move || {
        on_frame(&store, id, |view, _| {
            let cell = (at.row, at.column);
            let height = view.height_mm.get(cell).ok_or(Refused::Unknown)?;
            let rgb = view.colour.as_ref().and_then(|colour| colour.get(cell));
            let lab = rgb.map(|rgb| lab_from_srgb8(*rgb));
            Ok(Json(json!({
                "height_mm": height.is_finite().then_some(height),
                "lab": lab.map(|lab| [lab.l, lab.a, lab.b]),
            })))
        })
    })
    .await
}
