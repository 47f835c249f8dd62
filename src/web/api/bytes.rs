//! Answers that are bytes: cells of a frame, pictures; and tables as JSON.

use std::io::Write;

use axum::http::{HeaderName, header};
use axum::response::{IntoResponse, Response};
use flate2::{Compression, write::GzEncoder};
use image::codecs::jpeg::JpegEncoder;
use ndarray::Array2;
use serde_json::{Value, json};
use weighlight::tables::{PieceTable, write_json};
use weighlight::views::CellHeights;
use weighlight::{Error, ErrorKind};

use super::{Answer, Refused};

/// Quality of the colour layer: no difference to be seen at arm's length (common practice, no source).
const COLOUR_QUALITY: u8 = 88;

fn io(source: &std::io::Error) -> Refused {
    Refused::Failed(Error::io("the answer", source))
}

/// Cells, compressed, with what the page needs to know to read them.
pub(super) fn cells(bytes: &[u8], about: &Value) -> Answer<Response> {
    let mut to = GzEncoder::new(Vec::new(), Compression::fast());
    let packed = to.write_all(bytes).and_then(|()| to.finish());
    let headers = [
        (header::CONTENT_TYPE, "application/octet-stream".to_owned()),
        (header::CONTENT_ENCODING, "gzip".to_owned()),
        (HeaderName::from_static("x-cells"), about.to_string()),
    ];
    Ok((headers, packed.map_err(|source| io(&source))?).into_response())
}

/// Heights of a frame; `more` is told beside their size and scale.
pub(super) fn heights(
    heights: &CellHeights,
    [pitch_across_mm, pitch_along_mm]: [f64; 2],
    more: Value,
) -> Answer<Response> {
    let mut about = json!({
        "rows": heights.rows,
        "columns": heights.columns,
        "offset_mm": heights.offset_mm,
        "step_mm": heights.step_mm,
        "pitch_across_mm": pitch_across_mm,
        "pitch_along_mm": pitch_along_mm,
    });
    if let (Value::Object(about), Value::Object(more)) = (&mut about, more) {
        about.extend(more);
    }
    cells(&heights.bytes, &about)
}

/// Colours of a frame as a picture, one pixel a cell.
pub(super) fn colours(colour: &Array2<[u8; 3]>) -> Answer<Response> {
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
        .map_err(|error| Error::new(ErrorKind::Image, error.to_string()))?;
    Ok(([(header::CONTENT_TYPE, "image/jpeg")], bytes).into_response())
}

/// A table as `measure --format json` writes it.
pub(super) fn table(table: &PieceTable) -> Answer<Value> {
    let mut text = Vec::new();
    write_json(table, &mut text).map_err(|source| io(&source))?;
    serde_json::from_slice(&text)
        .map_err(|error| Refused::Failed(Error::new(ErrorKind::Io, error.to_string())))
}
