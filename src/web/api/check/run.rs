//! One check, with the same functions as `drift`.

use std::sync::{Arc, PoisonError};

use axum::Json;
use serde::Deserialize;
use serde_json::{Value, json};
use weighlight::calibration::Target;
use weighlight::drift::{
    COVERAGE_FACTOR, CheckTask, Compared, DriftReport, ParameterCheck, Turnover, add_cost,
    check_scan,
};
use weighlight::history::{report_hash, report_json};
use weighlight::product::find_product;
use weighlight::report::quantity;
use weighlight::scan::{Archive, Scan};
use weighlight::{Error, ErrorKind, Result};

use super::super::received::received_scan;
use super::super::saved::clean_name;
use super::super::{Answer, Refused, work};
use super::{Desk, MOST_CHECKS, State, history, targets};

/// Temperatures at which a target can be measured, °C, as on the command line.
const TEMPERATURE_C: std::ops::RangeInclusive<f64> = -60.0..=150.0;

/// What is asked for.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Asked {
    /// Place of the scan in the list of those opened.
    scan: Option<usize>,
    /// Or the name of one that was received.
    received: Option<String>,
    /// Key of the target.
    target: String,
    target_temperature_c: Option<f64>,
    /// What the change costs on the scans opened, of this product.
    product: Option<String>,
    price_per_kg: Option<f64>,
    tonnes_per_day: Option<f64>,
}

fn within(
    key: &str,
    value: Option<f64>,
    range: std::ops::RangeInclusive<f64>,
    expected: &str,
) -> Result<()> {
    match value {
        Some(value) if !range.contains(&value) => {
            Err(Error::new(ErrorKind::Mismatch, value.to_string())
                .key(key)
                .expected(expected))
        }
        _ => Ok(()),
    }
}

fn scan_of(desk: &Desk, asked: &Asked) -> Answer<Scan> {
    match (asked.scan, &asked.received) {
        (Some(id), None) => {
            let (_, scan) = desk.store.scan(id).ok_or(Refused::Unknown)?;
            Ok(scan.clone())
        }
        (None, Some(name)) => Ok(received_scan(&desk.store.opened.save_to, name)?),
        _ => Err(Refused::Failed(
            Error::new(ErrorKind::Mismatch, "not one scan").expected("expected one scan"),
        )),
    }
}

pub(super) async fn run(state: State, Json(asked): Json<Asked>) -> Answer<Json<Value>> {
    work(move || {
        let scan = scan_of(&state, &asked)?;
        let opened = &state.store.opened;
        let (target, target_file) = targets::of_key(opened, &asked.target)?;
        let report = check(&state, &asked, &scan, (&target, &target_file))?;
        let key = report_hash(&report)?;
        let report = Arc::new(report);
        let mut answer = answer(
            &key,
            &report,
            &target,
            &scan,
            opened.calibrations_folder.is_some(),
        )?;
        let mut made = state.made.lock().unwrap_or_else(PoisonError::into_inner);
        made.retain(|(known, _)| *known != key);
        if made.len() >= MOST_CHECKS {
            made.remove(0);
        }
        made.push((key, report.clone()));
        drop(made);
        let log = history::standing(&state, &report)?;
        answer["log"] = log;
        Ok(Json(answer))
    })
    .await
}

fn check(
    desk: &Desk,
    asked: &Asked,
    scan: &Scan,
    (target, target_file): (&Target, &std::path::Path),
) -> Result<DriftReport> {
    within(
        "target_temperature_c",
        asked.target_temperature_c,
        TEMPERATURE_C,
        "expected a temperature from -60 to 150 °C",
    )?;
    within(
        "price_per_kg",
        asked.price_per_kg,
        0.0..=1e6,
        "expected 0 to 1000000 a kilogram",
    )?;
    within(
        "tonnes_per_day",
        asked.tonnes_per_day,
        0.0..=1e6,
        "expected 0 to 1000000 t",
    )?;
    let opened = &desk.store.opened;
    let compared = Compared::in_force(&opened.calibrations, scan).unwrap_or_else(Compared::perfect);
    let task = CheckTask {
        scan,
        target,
        target_file,
        compared: &compared,
        target_temperature_c: asked.target_temperature_c,
    };
    let mut check = check_scan(&task)?;
    if let Some(name) = &asked.product {
        let folder = opened.products.as_deref().ok_or_else(|| {
            Error::new(ErrorKind::Mismatch, "no product profiles were opened").key("product")
        })?;
        let product = find_product(folder, clean_name(name)?)?;
        let turnover = asked.price_per_kg.zip(asked.tonnes_per_day);
        let turnover = turnover.map(|(price_per_kg, tonnes_per_day)| Turnover {
            price_per_kg,
            tonnes_per_day,
        });
        // A target is no product: only recordings that name the product are measured.
        let recordings = opened.archive.recordings.iter().filter(|recording| {
            let first = recording.frames.first();
            first.is_some_and(|it| it.description.product.as_deref() == Some(name))
        });
        let archive = Archive {
            recordings: recordings.cloned().collect(),
            rejected: Vec::new(),
        };
        add_cost(&mut check, &task, &archive, &product, turnover)?;
    }
    Ok(check.report)
}

fn answer(
    key: &str,
    report: &DriftReport,
    target: &Target,
    scan: &Scan,
    calibrations: bool,
) -> Result<Value> {
    let pose = &report.pose;
    let plate = &target.plate;
    let (x, y) = (plate.across_mm, plate.along_mm);
    let outline: Vec<[f64; 2]> = [[0.0, 0.0], [x, 0.0], [x, y], [0.0, y], [0.0, 0.0]]
        .map(|corner| pose.to_belt(corner))
        .to_vec();
    let height = &scan.description.height;
    // As the command writes it, to the last digit.
    let told: Value = serde_json::from_str(&report_json(report)?)
        .map_err(|error| Error::new(ErrorKind::Document, error.to_string()))?;
    Ok(json!({
        "key": key,
        "report": told,
        "coverage_factor": COVERAGE_FACTOR,
        "shown": report.parameters.iter().map(shown).collect::<Vec<_>>(),
        "outline_mm": outline,
        "belt_mm": [
            scan.columns as f64 * height.pitch_across_mm,
            scan.rows as f64 * height.pitch_along_mm,
        ],
        "calibrations": calibrations,
    }))
}

/// An error in the unit in which pages show it, scales as percent off 1.
fn shown(check: &ParameterCheck) -> Value {
    let as_shown = quantity(&check.name, &check.unit);
    json!({
        "name": check.name,
        "title": as_shown.title,
        "unit": as_shown.unit,
        "off_one": check.name.ends_with("_scale"),
        "value": check.value.map(|it| as_shown.value(it)),
        "baseline": as_shown.value(check.baseline),
        "change": check.change.map(|it| as_shown.difference(it)),
        "u": check.u.map(|it| as_shown.difference(it)),
        "tolerance": as_shown.difference(check.tolerance),
        "verdict": check.verdict,
        "remark": check.remark,
    })
}
