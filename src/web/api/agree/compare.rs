//! The comparison, with the same functions as `compare`.

use std::path::{Path, PathBuf};
use std::sync::{Arc, PoisonError};

use axum::Json;
use axum::response::Response;
use jiff::Timestamp;
use jiff::civil::Date;
use serde::{Deserialize, Serialize};
use serde_json::{Value, json};
use weighlight::agreement::causes::{CauseSettings, TargetCheck};
use weighlight::agreement::statistics::{AgreementSettings, Nominal, ScaleClass};
use weighlight::agreement::{
    CompareSettings, Comparison, DateOrder, DecimalMark, Exclusions, LogLayout, MassUnit,
    MatchSettings, compare_logs, comparison_json, files_hash, pair_rows, write_pairs_csv,
};
use weighlight::report::{AgreementPage, agreement_page};
use weighlight::{Error, ErrorKind, Result};

use super::super::received::received_file;
use super::super::{Answer, Refused, check, saved, work};
use super::{Desk, Pieces, State, aside, pieces};

/// The folder of what is saved.
const AGREEMENTS: &str = "agreement";

/// What is compared, and how; as the options of the command.
#[derive(Debug, Clone, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Asked {
    /// Key of the piece table.
    pub(super) pieces: String,
    /// Key of the log.
    pub(super) log: String,
    time: Option<String>,
    date: Option<String>,
    mass: Option<String>,
    lane: Option<String>,
    unit: Option<String>,
    zone: Option<String>,
    day: Option<String>,
    date_order: Option<String>,
    decimal: Option<String>,
    #[serde(default)]
    test_weights_g: Vec<f64>,
    lag_within_s: Option<f64>,
    least_probability: Option<f64>,
    scale_sd_g: Option<f64>,
    #[serde(default)]
    within_g: Vec<f64>,
    nominal_g: Option<f64>,
    class: Option<String>,
    /// The scanner whose newest check tells scales from densities.
    checked: Option<String>,
}

fn wrong(key: &str, found: &str, expected: &str) -> Error {
    Error::new(ErrorKind::Mismatch, format!("found \"{found}\""))
        .key(key)
        .expected(expected)
}

impl Asked {
    fn layout(&self) -> Result<LogLayout> {
        let unit = self.unit.as_deref().map(|text| {
            MassUnit::of_sign(text).ok_or_else(|| wrong("unit", text, "expected g, kg, lb or oz"))
        });
        let day = self.day.as_deref().map(|text| {
            text.parse::<Date>()
                .map_err(|_| wrong("day", text, "expected a date such as 2026-03-04"))
        });
        let date_order = self.date_order.as_deref().map(|text| {
            DateOrder::of_word(text)
                .ok_or_else(|| wrong("date-order", text, "expected day-month or month-day"))
        });
        let decimal = self.decimal.as_deref().map(|text| {
            DecimalMark::of_word(text)
                .ok_or_else(|| wrong("decimal", text, "expected point or comma"))
        });
        Ok(LogLayout {
            time: self.time.clone(),
            date: self.date.clone(),
            mass: self.mass.clone(),
            lane: self.lane.clone(),
            unit: unit.transpose()?,
            zone: self.zone.clone(),
            day: day.transpose()?,
            date_order: date_order.transpose()?,
            decimal: decimal.transpose()?,
            test_weights_g: self.test_weights_g.clone(),
        })
    }

    fn settings(&self, desk: &Desk, exclusions: Exclusions) -> Result<CompareSettings> {
        let grams = |key: &str, value: f64| match (1e-6..=1e6).contains(&value) {
            true => Ok(value),
            false => Err(wrong(
                key,
                &value.to_string(),
                "expected more than 0, at most 1000000 g",
            )),
        };
        let usual = MatchSettings::USUAL;
        let lag_within_s = self.lag_within_s.unwrap_or(usual.lag_within_s);
        if !(1.0..=86_400.0).contains(&lag_within_s) {
            return Err(wrong(
                "lag-within",
                &lag_within_s.to_string(),
                "expected 1 to 86400 s",
            ));
        }
        let least_probability = self.least_probability.unwrap_or(usual.least_probability);
        if !(0.501..=0.9999).contains(&least_probability) {
            return Err(wrong(
                "least-probability",
                &least_probability.to_string(),
                "expected 0.501 to 0.9999",
            ));
        }
        for mass in &self.test_weights_g {
            grams("test-weight", *mass)?;
        }
        for within in &self.within_g {
            grams("within-g", *within)?;
        }
        let scale_sd_g = self
            .scale_sd_g
            .map(|it| grams("scale-sd-g", it))
            .transpose()?;
        let nominal = self.nominal_g.map(Nominal::of_portion).transpose();
        let class = self.class.as_deref().map(str::parse::<ScaleClass>);
        let checked = self.checked.as_deref();
        Ok(CompareSettings {
            matching: MatchSettings {
                lag_within_s,
                least_probability,
                test_weights_g: Vec::new(),
            },
            agreement: AgreementSettings {
                within_g: self.within_g.clone(),
                scale_sd_g,
                variance_ratio: None,
                nominal: nominal.map_err(|error| error.key("nominal-g"))?,
                class: class.transpose()?,
            },
            causes: CauseSettings {
                scale_sd_g,
                check: checked.map(|it| last_check(desk, it)).transpose()?,
            },
            exclusions,
        })
    }
}

/// What the newest check of a scanner says of weights.
fn last_check(desk: &Desk, scanner: &str) -> Result<TargetCheck> {
    let log = check::log_of(&desk.store.opened.save_to, scanner)?;
    let newest = log.as_ref().and_then(|it| it.newest_check());
    newest
        .map(|check| TargetCheck {
            relative: check.weight_effect.relative,
            relative_u: check.weight_effect.relative_u,
        })
        .ok_or_else(|| {
            Error::new(
                ErrorKind::Mismatch,
                format!("no check of scanner {scanner} is kept here"),
            )
            .key("checked")
        })
}

/// A comparison with what it was made from.
struct Made {
    pieces: Arc<Pieces>,
    log: PathBuf,
    comparison: Comparison,
    exclusions: Exclusions,
    /// State of the pairs set aside.
    seen: String,
}

fn make(desk: &Desk, asked: &Asked) -> Result<Made> {
    let pieces = pieces::table(desk, &asked.pieces)?;
    let log = received_file(&desk.store.opened.save_to, &asked.log)?;
    let hash = files_hash(&[&log])?;
    let (exclusions, seen) = aside::held(desk, &pieces.blake3, &hash)?;
    let settings = asked.settings(desk, exclusions.clone())?;
    let layout = asked.layout()?;
    let _alone = desk.working.lock().unwrap_or_else(PoisonError::into_inner);
    let comparison = compare_logs(&pieces.records, &[&log], &layout, &settings)?;
    Ok(Made {
        pieces,
        log,
        comparison,
        exclusions,
        seen,
    })
}

pub(super) async fn compared(state: State, Json(asked): Json<Asked>) -> Answer<Json<Value>> {
    work(move || {
        let made = make(&state, &asked)?;
        let mut answer = comparison_json(&made.comparison);
        // Where it lies is the program's own affair.
        answer["logs"][0]["path"] = json!(made.log.file_name().map(|it| it.to_string_lossy()));
        answer["pairs"] = pairs(&made.comparison);
        answer["set_aside_pairs"] = aside_pairs(&made.comparison);
        answer["set_aside_all"] = aside::told(&made.exclusions);
        answer["seen"] = json!(made.seen);
        Ok(Json(answer))
    })
    .await
}

/// The pairs column by column: rows as records would take three times as much.
fn pairs(comparison: &Comparison) -> Value {
    let pairs = &comparison.pairs;
    json!({
        "piece_row": pairs.iter().map(|it| it.piece_row).collect::<Vec<_>>(),
        "log_row": pairs.iter().map(|it| it.log_row).collect::<Vec<_>>(),
        "weighed_g": pairs.iter().map(|it| it.weighed_g).collect::<Vec<_>>(),
        "mass_g": pairs.iter().map(|it| it.mass_g).collect::<Vec<_>>(),
        "mass_u_g": pairs.iter().map(|it| it.mass_u_g).collect::<Vec<_>>(),
        "probability": pairs.iter().map(|it| it.probability).collect::<Vec<_>>(),
        "scanned": pairs.iter().map(|it| it.scanned.as_millisecond()).collect::<Vec<_>>(),
    })
}

fn aside_pairs(comparison: &Comparison) -> Value {
    let pairs = comparison.set_aside.iter().map(|(pair, _)| {
        json!({
            "piece_row": pair.piece_row, "log_row": pair.log_row,
            "weighed_g": pair.weighed_g, "mass_g": pair.mass_g,
        })
    });
    pairs.collect()
}

/// Saves the comparison's page and its pairs, for printing and for tuning a profile.
pub(super) async fn save(state: State, Json(asked): Json<Asked>) -> Answer<Json<Value>> {
    work(move || {
        let made = make(&state, &asked)?;
        let save_to = &state.store.opened.save_to;
        let words = serde_json::to_string(&asked)
            .map_err(|error| Error::new(ErrorKind::Document, error.to_string()))?;
        // The same comparison has the same name; another has another.
        let hash = blake3::hash(format!("{words}{}{}", made.pieces.blake3, made.seen).as_bytes());
        let stem = format!("agreement-{}", &hash.to_hex()[..12]);
        let table = match asked.pieces.starts_with("run-") {
            true => asked.pieces.clone(),
            false => file_name(&received_file(save_to, &asked.pieces)?),
        };
        let page = agreement_page(&AgreementPage {
            comparison: &made.comparison,
            pieces: &made.pieces.records,
            table: &table,
            made: Timestamp::now(),
        })?;
        let matching = &made.comparison.matching;
        let weighings = &made.comparison.reading.weighings;
        let mut rows = pair_rows(&made.pieces.records, weighings, matching);
        rows.retain(|it| !made.exclusions.hold(it.piece_row, it.log_row));
        let mut csv = Vec::new();
        write_pairs_csv(&rows, &mut csv).map_err(|source| Error::io("pairs", &source))?;
        let name = format!("{stem}.html");
        let page = saved::write(save_to, AGREEMENTS, &name, page.as_bytes())?;
        let pairs = saved::write(save_to, AGREEMENTS, &format!("{stem}-pairs.csv"), &csv)?;
        Ok(Json(json!({
            "name": name, "page": page.display().to_string(), "pairs": pairs.display().to_string(),
        })))
    })
    .await
}

fn file_name(path: &Path) -> String {
    let name = path.file_name().map(|it| it.to_string_lossy().into_owned());
    name.unwrap_or_default()
}

/// A saved page.
pub(super) async fn saved_page(
    state: State,
    name: axum::extract::Path<String>,
) -> Answer<Response> {
    work(move || {
        let save_to = &state.store.opened.save_to;
        saved::page(save_to, AGREEMENTS, &name)?.ok_or(Refused::Unknown)
    })
    .await
}
