//! Two runs compared: what `diff` says, how the changes are distributed, and pictures of the pieces that moved most.

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex, PoisonError};

use axum::Json;
use axum::extract::{Query, State};
use axum::http::header;
use axum::response::{IntoResponse, Response};
use jiff::Timestamp;
use serde::Deserialize;
use serde_json::{Value, json};
use weighlight::report::{run_diff_page, small_piece_picture};
use weighlight::runs::Run;
use weighlight::runs::diff::{Bars, Spread, compare, diff_json, frame_seen};

use super::super::{Refused, work};
use super::place::{Place, find};
use super::{Compared, Desk, saved_page};

/// Bars of a distribution.
const BARS: usize = 48;

/// The two runs.
#[derive(Deserialize)]
pub(super) struct Pair {
    before: String,
    after: String,
}

/// Which picture: of the piece at this place among those that moved most.
#[derive(Deserialize)]
pub(super) struct Wanted {
    before: String,
    after: String,
    at: usize,
    side: Side,
}

/// In which run.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "lowercase")]
enum Side {
    Before,
    After,
}

fn open(desk: &Desk, id: &str) -> Result<(Place, Run), Refused> {
    let place = find(&desk.store.opened, id)?;
    let run = Run::open(&place.path).map_err(Refused::Failed)?;
    Ok((place, run))
}

/// The comparison, worked out unless it was the last.
fn diff_of(desk: &Desk, before: &Run, after: &Run) -> Result<Arc<Compared>, Refused> {
    let version = |run: &Run| weighlight::runs::standing(&run.path).map(|it| it.version);
    let key = format!(
        "{} {}",
        version(before).map_err(Refused::Failed)?,
        version(after).map_err(Refused::Failed)?
    );
    let _alone = desk.working.lock().unwrap_or_else(PoisonError::into_inner);
    desk.diff
        .get(&key, || {
            Ok(Compared {
                diff: compare(before, after, &mut |_| Ok(()))?,
                pictures: Mutex::new(BTreeMap::new()),
            })
        })
        .map_err(Refused::Failed)
}

pub(super) async fn compared(
    State(desk): State<Arc<Desk>>,
    Query(pair): Query<Pair>,
) -> Result<Json<Value>, Refused> {
    work(move || {
        let (before_at, before) = open(&desk, &pair.before)?;
        let (after_at, after) = open(&desk, &pair.after)?;
        let compared = diff_of(&desk, &before, &after)?;
        let all = &compared.diff.all;
        Ok(Json(json!({
            "names": [before_at.name, after_at.name],
            "diff": diff_json(&compared.diff),
            "bars": {
                "mass_g": bars(&all.mass_g), "mass_relative": bars(&all.mass_relative), "fat_fraction": bars(&all.fat_fraction),
            },
        })))
    })
    .await
}

pub(super) async fn page(
    State(desk): State<Arc<Desk>>,
    Query(pair): Query<Pair>,
) -> Result<Response, Refused> {
    work(move || {
        let (_, before) = open(&desk, &pair.before)?;
        let (_, after) = open(&desk, &pair.after)?;
        let compared = diff_of(&desk, &before, &after)?;
        let page = run_diff_page(&compared.diff, &[], Timestamp::now()).map_err(Refused::Failed)?;
        Ok(saved_page(page))
    })
    .await
}

fn bars(spread: &Spread) -> Option<Value> {
    spread.bars(BARS).map(|bars: Bars| {
        json!({ "middles": bars.middles().collect::<Vec<_>>(), "width": bars.width, "counts": bars.counts })
    })
}

pub(super) async fn picture(
    State(desk): State<Arc<Desk>>,
    Query(wanted): Query<Wanted>,
) -> Result<Response, Refused> {
    let bytes = work(move || {
        let (_, before) = open(&desk, &wanted.before)?;
        let (_, after) = open(&desk, &wanted.after)?;
        let compared = diff_of(&desk, &before, &after)?;
        let key = (wanted.at, wanted.side == Side::After);
        // Held while the frame is measured again: one at a time.
        let mut pictures = compared
            .pictures
            .lock()
            .unwrap_or_else(PoisonError::into_inner);
        if let Some(found) = pictures.get(&key) {
            return Ok(found.clone());
        }
        let pair = compared
            .diff
            .most_moved
            .get(wanted.at)
            .ok_or(Refused::Unknown)?;
        let (run, piece) = match wanted.side {
            Side::Before => (&before, &pair.before),
            Side::After => (&after, &pair.after),
        };
        let seen = frame_seen(run, &pair.partition, &piece.recording, &piece.scan)
            .map_err(Refused::Failed)?;
        let made =
            small_piece_picture(&seen.view, &seen.pieces, piece.piece).map_err(Refused::Failed)?;
        let made = Arc::new(made);
        pictures.insert(key, made.clone());
        Ok(made)
    })
    .await?;
    Ok(([(header::CONTENT_TYPE, "image/png")], bytes.to_vec()).into_response())
}
