//! One scan: heights, pieces, marks, colour, and what lies under a point.

use std::sync::Arc;

use axum::Json;
use axum::extract::{Path, Query, State};
use axum::response::Response;
use serde::Deserialize;
use serde_json::{Value, json};
use weighlight::colour::lab_from_srgb8;
use weighlight::pipeline::{FrameView, MeasuredPiece};
use weighlight::tables::{PieceTable, Provenance, RecordingUsed};
use weighlight::views::{
    encode_heights, encode_heights_onto, encode_marks, encode_piece, encode_rebuilt,
};

use super::store::Store;
use super::{Answer, Refused, bytes, work};

/// What `answer` makes of a scan's measured frame and the pieces that reach into it.
fn on_frame<T>(
    store: &Store,
    id: usize,
    answer: impl FnOnce(&FrameView, &[MeasuredPiece]) -> Answer<T>,
) -> Answer<T> {
    let measured = store.measured(id)?;
    let (_, scan) = store.scan(id).ok_or(Refused::Unknown)?;
    let (view, pieces) = measured.frame(scan).ok_or(Refused::Unknown)?;
    answer(view, pieces)
}

/// Bytes of a scan's measured frame and what the page needs to know to read them.
async fn cells_on_frame(
    store: Arc<Store>,
    id: usize,
    answer: impl FnOnce(&FrameView, &[MeasuredPiece]) -> Answer<(Vec<u8>, Value)> + Send + 'static,
) -> Answer<Response> {
    work(move || {
        on_frame(&store, id, |view, pieces| {
            let (cells, about) = answer(view, pieces)?;
            bytes::cells(&cells, &about)
        })
    })
    .await
}

pub(super) async fn heights(
    State(store): State<Arc<Store>>,
    Path(id): Path<usize>,
) -> Answer<Response> {
    work(move || {
        let surface = store.surface(id)?;
        let view = &surface.view;
        let belt = surface.inspection.belt;
        let more = json!({
            "noise_mm": belt.map(|belt| belt.noise_mm),
            "calibrated": surface.inspection.calibrated,
        });
        let pitch_mm = [view.pitch_across_mm, view.pitch_along_mm];
        bytes::heights(&encode_heights(&view.height_mm), pitch_mm, more)
    })
    .await
}

/// The heights that the pieces were measured on, as differences to those of [`heights`] where the cells are the same.
pub(super) async fn measured_heights(
    State(store): State<Arc<Store>>,
    Path(id): Path<usize>,
) -> Answer<Response> {
    work(move || {
        let known = store.surface(id)?;
        on_frame(&store, id, |view, _| {
            let onto = encode_heights_onto(&known.view.height_mm, &view.height_mm);
            let more = json!({ "onto_known": onto.is_some() });
            let cells = onto.unwrap_or_else(|| encode_heights(&view.height_mm));
            bytes::heights(&cells, [view.pitch_across_mm, view.pitch_along_mm], more)
        })
    })
    .await
}

pub(super) async fn pieces(
    State(store): State<Arc<Store>>,
    Path(id): Path<usize>,
) -> Answer<Json<Value>> {
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
        let table = bytes::table(&table)?;
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
) -> Answer<Response> {
    cells_on_frame(store, id, |view, pieces| {
        let (rows, columns) = view.height_mm.dim();
        let about = json!({ "rows": rows, "columns": columns });
        Ok((encode_marks(view, pieces), about))
    })
    .await
}

/// Heights of what is reconstructed.
pub(super) async fn rebuilt(
    State(store): State<Arc<Store>>,
    Path(id): Path<usize>,
) -> Answer<Response> {
    cells_on_frame(store, id, |view, pieces| {
        let bytes = encode_rebuilt(view, pieces);
        let about = json!({ "count": bytes.len() / 8 });
        Ok((bytes, about))
    })
    .await
}

/// One piece as a solid.
pub(super) async fn piece(
    State(store): State<Arc<Store>>,
    Path((id, number)): Path<(usize, u32)>,
) -> Answer<Response> {
    cells_on_frame(store, id, move |view, pieces| {
        let piece = pieces.iter().find(|piece| piece.record.piece == number);
        let cells = encode_piece(view, piece.ok_or(Refused::Unknown)?);
        let about = json!({
            "rows": cells.rows,
            "columns": cells.columns,
            "first_row": cells.first_row,
            "first_column": cells.first_column,
        });
        Ok((cells.bytes, about))
    })
    .await
}

pub(super) async fn colour(
    State(store): State<Arc<Store>>,
    Path(id): Path<usize>,
) -> Answer<Response> {
    work(move || {
        on_frame(&store, id, |view, _| {
            bytes::colours(view.colour.as_ref().ok_or(Refused::Unknown)?)
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
) -> Answer<Json<Value>> {
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
