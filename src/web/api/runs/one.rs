//! One run: its summary, what was rejected, its pieces.

use std::sync::{Arc, PoisonError};

use axum::Json;
use axum::extract::{Path, Query, State};
use axum::response::Response;
use jiff::Timestamp;
use serde::Deserialize;
use serde_json::{Value, json};
use weighlight::report::summary_page;
use weighlight::runs::summary::{
    Checked, Limit, LimitKind, Summary, check_limits, summarise, summary_json,
};
use weighlight::runs::{MOST_LISTED, Partition, PieceList, Run, SortBy, Wanted, standing};
use weighlight::tables::Flag;
use weighlight::{Error, ErrorKind};

use super::super::{Refused, work};
use super::place::find;
use super::{Desk, saved_page};

/// Most pieces on a page.
const MOST_ROWS: usize = 500;

/// Limits of a line.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Limits {
    most_out_of_spec_percent: Option<f64>,
    least_per_minute: Option<f64>,
    least_kg_per_hour: Option<f64>,
}

impl Limits {
    fn list(&self) -> Result<Vec<Limit>, Refused> {
        let mut limits = Vec::new();
        for (kind, value, factor, most) in [
            (
                LimitKind::MostOutOfSpec,
                self.most_out_of_spec_percent,
                0.01,
                100.0,
            ),
            (
                LimitKind::LeastPiecesPerMinute,
                self.least_per_minute,
                1.0,
                1e9,
            ),
            (LimitKind::LeastKgPerHour, self.least_kg_per_hour, 1.0, 1e9),
        ] {
            let Some(value) = value else { continue };
            if !(0.0..=most).contains(&value) {
                return Err(wrong(format!(
                    "{}: {value}; expected 0 to {most}",
                    kind.words()
                )));
            }
            limits.push(Limit {
                kind,
                value: factor * value,
            });
        }
        Ok(limits)
    }
}

fn wrong(words: String) -> Refused {
    Refused::Failed(Error::new(ErrorKind::Mismatch, words))
}

/// A run's summary and how it stands to limits.
fn summed_up(desk: &Desk, id: &str, limits: &Limits) -> Result<(Summary, Vec<Checked>), Refused> {
    let place = find(&desk.store.opened, id)?;
    let limits = limits.list()?;
    let _alone = desk.working.lock().unwrap_or_else(PoisonError::into_inner);
    let summary = summarise(&[place.path]).map_err(Refused::Failed)?;
    let checked = check_limits(&summary, &limits);
    Ok((summary, checked))
}

pub(super) async fn summary(
    State(desk): State<Arc<Desk>>,
    Path(id): Path<String>,
    Query(limits): Query<Limits>,
) -> Result<Json<Value>, Refused> {
    work(move || {
        let (summary, checked) = summed_up(&desk, &id, &limits)?;
        Ok(Json(summary_json(&summary, &checked)))
    })
    .await
}

pub(super) async fn page(
    State(desk): State<Arc<Desk>>,
    Path(id): Path<String>,
    Query(limits): Query<Limits>,
) -> Result<Response, Refused> {
    work(move || {
        let (summary, checked) = summed_up(&desk, &id, &limits)?;
        let page = summary_page(&summary, &checked, Timestamp::now()).map_err(Refused::Failed)?;
        Ok(saved_page(page))
    })
    .await
}

pub(super) async fn rejected(
    State(desk): State<Arc<Desk>>,
    Path(id): Path<String>,
) -> Result<Json<Value>, Refused> {
    work(move || {
        let place = find(&desk.store.opened, &id)?;
        let run = Run::open(&place.path).map_err(Refused::Failed)?;
        let rows = run.rejected().map_err(Refused::Failed)?;
        let rows: Vec<Value> = rows
            .iter()
            .map(|it| json!({ "input": it.input, "recording": it.recording, "reason": it.reason }))
            .collect();
        Ok(Json(json!({ "rejected": rows })))
    })
    .await
}

/// A page of the piece list.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct PiecePage {
    #[serde(default)]
    q: String,
    product: Option<String>,
    /// A flag's name, or `spec` for any limit of the spec.
    flag: Option<String>,
    /// Scanner and day, `scanner=…/day=…`.
    part: Option<String>,
    sort: Option<String>,
    #[serde(default)]
    down: bool,
    #[serde(default)]
    from: usize,
    count: Option<usize>,
}

pub(super) async fn pieces(
    State(desk): State<Arc<Desk>>,
    Path(id): Path<String>,
    Query(page): Query<PiecePage>,
) -> Result<Json<Value>, Refused> {
    work(move || {
        let place = find(&desk.store.opened, &id)?;
        let run = Run::open(&place.path).map_err(Refused::Failed)?;
        let part = match &page.part {
            None => None,
            Some(text) => {
                let part = Partition::from_text(text).filter(|it| run.partitions.contains(it));
                Some(part.ok_or_else(|| Refused::Missing(format!("the run has no part {text}")))?)
            }
        };
        let wanted = wanted(&page)?;
        let parts: Vec<Value> = run
            .partitions
            .iter()
            .map(|it| json!({ "part": it.text(), "scanner": it.scanner, "day": it.day }))
            .collect();
        let flags: Vec<Value> = Flag::ALL
            .into_iter()
            .map(|flag| json!({ "name": flag.name(), "meaning": flag.meaning() }))
            .collect();
        if part.is_none() && run.description.counts.pieces > MOST_LISTED {
            return Ok(Json(json!({
                "choose": true, "all": run.description.counts.pieces, "found": 0, "from": 0, "rows": [],
                "products": [], "parts": parts, "flags": flags,
            })));
        }
        // Another result has another version.
        let version = standing(&place.path).map_err(Refused::Failed)?.version;
        let key = format!(
            "{} {version} {}",
            place.path.display(),
            page.part.as_deref().unwrap_or_default()
        );
        let list = desk
            .pieces
            .get(&key, || PieceList::read(&run, part.as_ref()))
            .map_err(Refused::Failed)?;
        let found = list.select(&wanted);
        let rows: Vec<Value> = found
            .iter()
            .skip(page.from)
            .take(page.count.unwrap_or(MOST_ROWS).min(MOST_ROWS))
            .map(|at| row(&list, *at))
            .collect();
        let mut products: Vec<&str> = list
            .recordings
            .iter()
            .map(|it| it.product.as_str())
            .collect();
        products.sort_unstable();
        products.dedup();
        Ok(Json(json!({
            "choose": false, "all": list.rows.len(), "found": found.len(), "from": page.from, "rows": rows,
            "products": products, "parts": parts, "flags": flags,
        })))
    })
    .await
}

fn wanted(page: &PiecePage) -> Result<Wanted, Refused> {
    let sort = match page.sort.as_deref() {
        None => SortBy::Table,
        Some(name) => SortBy::from_column(name)
            .ok_or_else(|| wrong(format!("the list cannot be sorted by \"{name}\"")))?,
    };
    let flag = match page.flag.as_deref() {
        None | Some("spec") => None,
        Some(name) => {
            Some(Flag::from_name(name).ok_or_else(|| wrong(format!("no flag \"{name}\"")))?)
        }
    };
    Ok(Wanted {
        words: page.q.clone(),
        product: page.product.clone(),
        flag,
        out_of_spec: page.flag.as_deref() == Some("spec"),
        sort,
        descending: page.down,
    })
}

fn row(list: &PieceList, at: usize) -> Value {
    let row = &list.rows[at];
    let recording = &list.recordings[row.recording];
    let flags: Vec<&str> = row.flags.iter().map(|flag| flag.name()).collect();
    json!({
        "recording": recording.name, "scan": list.scans[row.scan], "piece": row.piece,
        "product": recording.product, "scanner": recording.partition.scanner,
        "time": row.time.unwrap_or(recording.captured).to_string(), "lane": row.lane,
        "mass_g": row.mass_g, "mass_u_g": row.mass_u_g,
        "volume_cm3": row.volume_cm3, "volume_u_cm3": row.volume_u_cm3,
        "fat_fraction": row.fat_fraction, "fat_u_fraction": row.fat_u_fraction,
        "length_mm": row.length_mm, "length_u_mm": row.length_u_mm,
        "width_mm": row.width_mm, "width_u_mm": row.width_u_mm,
        "max_height_mm": row.max_height_mm, "flags": flags,
    })
}
