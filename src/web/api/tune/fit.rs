//! Colour limits fitted to cells that somebody has painted.

use std::sync::Arc;

use axum::Json;
use axum::extract::{Path, State};
use serde::Deserialize;
use serde_json::{Value, json};
use weighlight::inspection::{fit_colour_rules, named_colours};
use weighlight::pipeline::NamedCell;
use weighlight::{Error, ErrorKind};

use super::super::{Refused, work};
use super::bench::Bench;
use super::preview::Asked;
use super::profile;

/// A profile and what was painted: row, first column, one past the last, class.
#[derive(Deserialize)]
pub(super) struct Painted {
    #[serde(flatten)]
    asked: Asked,
    runs: Vec<[usize; 4]>,
}

pub(super) async fn fit(
    State(bench): State<Arc<Bench>>,
    Path(id): Path<usize>,
    Json(painted): Json<Painted>,
) -> Result<Json<Value>, Refused> {
    work(move || {
        let start = profile::start(&bench.store, id, &painted.asked.from)?;
        let product = profile::from_json(painted.asked.profile, &start.product)?;
        let place = bench.place(id, &product)?;
        let cells = cells(&painted.runs, place.scan.size(), product.classes.len())?;
        let named = named_colours(&place.scan, &cells);
        let unused = cells.len() - named.painted.len() - named.clipped;
        let fitted = fit_colour_rules(&product, &named.painted);
        let (new, fitted) = fitted.map_err(Refused::Failed)?;
        let by_class = fitted.by_class.iter().map(|&(class, cells, right)| {
            json!({ "class": product.classes[class].name, "cells": cells, "right_unseen_fraction": right })
        });
        Ok(Json(json!({
            "profile": profile::to_json(&new)?,
            "before_fraction": fitted.before,
            "unseen_fraction": fitted.unseen,
            "by_class": by_class.collect::<Vec<_>>(),
            "clipped_cells": named.clipped,
            "unused_cells": unused,
        })))
    })
    .await
}

fn cells(
    runs: &[[usize; 4]],
    (rows, columns): (usize, usize),
    classes: usize,
) -> Result<Vec<NamedCell>, Refused> {
    let sound = |&&[row, first, end, class]: &&[usize; 4]| {
        row < rows && first < end && end <= columns && class < classes
    };
    let most = rows * columns;
    let sum = runs
        .iter()
        .filter(sound)
        .map(|it| it[2] - it[1])
        .sum::<usize>();
    if !runs.iter().all(|run| sound(&run)) || sum > most {
        return Err(Refused::Failed(
            Error::new(
                ErrorKind::Mismatch,
                "painted cells that are none of the scan's",
            )
            .expected(format!(
                "expected at most {rows} × {columns} cells and {classes} classes"
            )),
        ));
    }
    let of_run = |&[row, first, end, class]: &[usize; 4]| {
        (first..end).map(move |column| NamedCell { row, column, class })
    };
    Ok(runs.iter().flat_map(of_run).collect())
}
