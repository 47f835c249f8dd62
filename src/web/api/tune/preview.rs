//! What a profile makes of a scan: classes cell by cell, the piece table, sums, colours counted.

use std::sync::Arc;

use axum::Json;
use axum::extract::{Path, Query, State};
use axum::http::header;
use axum::response::{IntoResponse, Response};
use serde::Deserialize;
use serde_json::{Value, json};
use weighlight::pipeline::{Classed, LabCounts};
use weighlight::product::Product;
use weighlight::tables::{PieceRecord, PieceTable, Provenance, Totals};
use weighlight::views::encode_heights;
use weighlight::{Error, ErrorKind};

use super::super::{Refused, bytes, work};
use super::bench::{Bench, Place};
use super::profile::{self, From};

/// A profile of the page.
#[derive(Deserialize)]
pub(super) struct Asked {
    #[serde(flatten)]
    pub(super) from: From,
    pub(super) profile: Value,
    /// The number of the kept scan whose pieces the page has.
    #[serde(default)]
    has: u64,
}

/// The answer's bytes: length of the JSON (4 bytes, low first), the JSON, and planes of one byte a cell: classes (255: none), and, where
/// the page has not got them, low and high byte of the pieces' numbers and 1 where the height is reconstructed.
pub(super) async fn preview(
    State(bench): State<Arc<Bench>>,
    Path(id): Path<usize>,
    Json(asked): Json<Asked>,
) -> Result<Response, Refused> {
    work(move || {
        let start = profile::start(&bench.store, id, &asked.from)?;
        let product = profile::from_json(asked.profile, &start.product)?;
        let place = bench.place(id, &product)?;
        let classed = place.classed(&product)?;
        let about = about(&place, &product, &classed)?;
        let about = serde_json::to_vec(&about).map_err(|error| refused(&error))?;
        let length = u32::try_from(about.len()).map_err(|error| refused(&error))?;
        let mut answer = length.to_le_bytes().to_vec();
        answer.extend(about);
        answer.extend(place.scan.class_plane(&classed).iter());
        if asked.has != place.number {
            let (numbers, filled) = place.scan.piece_planes();
            answer.extend(numbers.iter().map(|it| it.to_le_bytes()[0]));
            answer.extend(numbers.iter().map(|it| it.to_le_bytes()[1]));
            answer.extend(filled.iter().map(|it| u8::from(*it)));
        }
        Ok(([(header::CONTENT_TYPE, "application/octet-stream")], answer).into_response())
    })
    .await
}

fn refused(error: &dyn std::fmt::Display) -> Refused {
    Refused::Failed(Error::new(ErrorKind::Io, error.to_string()))
}

fn about(place: &Place, product: &Product, classed: &Classed) -> Result<Value, Refused> {
    let records = place.scan.records(product, classed);
    let records = records.map_err(Refused::Failed)?;
    // A piece counts where its middle is, as in the table: of two scans it reaches into only once.
    let own = records.iter().filter(|it| it.scan == place.scan.scan());
    let own: Vec<PieceRecord> = own.cloned().collect();
    let totals = Totals::of(&own);
    let (rows, columns) = place.scan.size();
    let LabCounts { by_class } = place.scan.lab_counts(classed);
    Ok(json!({
        "number": place.number,
        "rows": rows,
        "columns": columns,
        "classes": product.classes.iter().map(|it| &it.name).collect::<Vec<_>>(),
        "has_colour": place.scan.has_colour(),
        "learned": classed.learned().map(weighlight::tables::LearnedLimit::in_words),
        "totals": {
            "pieces": totals.pieces,
            "outside_spec": totals.outside_spec,
            "mass_g": totals.mass_g,
            "mass_u_g": totals.mass_u_g,
            "fat_fraction": totals.fat_fraction,
            "fat_u_fraction": totals.fat_u_fraction,
        },
        "pieces": rows_of(own)?,
        "lab": by_class.iter().map(|axes| axes.each_ref().map(Vec::as_slice)).collect::<Vec<_>>(),
    }))
}

/// Rows as `measure --format json` writes them.
fn rows_of(records: Vec<PieceRecord>) -> Result<Value, Refused> {
    let provenance = Provenance {
        version: env!("CARGO_PKG_VERSION").to_owned(),
        command: Vec::new(),
        settings: Vec::new(),
        recordings: Vec::new(),
    };
    let mut table = bytes::table(&PieceTable::new(records, Vec::new(), provenance))?;
    Ok(table["pieces"].take())
}

/// The heights that the pieces were found in.
pub(super) async fn heights(
    State(bench): State<Arc<Bench>>,
    Path(id): Path<usize>,
    Query(from): Query<From>,
) -> Result<Response, Refused> {
    work(move || {
        let start = profile::start(&bench.store, id, &from)?;
        let place = bench.place(id, &start.product)?;
        let (cells, grid) = (encode_heights(place.scan.height_mm()), place.scan.grid());
        bytes::heights(
            &cells,
            [grid.pitch_across_mm, grid.pitch_along_mm],
            json!({}),
        )
    })
    .await
}

pub(super) async fn colour(
    State(bench): State<Arc<Bench>>,
    Path(id): Path<usize>,
    Query(from): Query<From>,
) -> Result<Response, Refused> {
    work(move || {
        let start = profile::start(&bench.store, id, &from)?;
        let place = bench.place(id, &start.product)?;
        bytes::colours(&place.scan.colour().ok_or(Refused::Unknown)?)
    })
    .await
}
