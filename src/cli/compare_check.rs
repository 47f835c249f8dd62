//! The last check with a reference target, as evidence for causes.

use std::path::Path;

use serde_json::Value;
use weighlight::agreement::causes::TargetCheck;
use weighlight::history::read_log;
use weighlight::{Error, ErrorKind, Result};

/// Reads what the last check says of weights: from a drift report or from a log of checks.
pub(crate) fn target_check(path: &Path) -> Result<TargetCheck> {
    let is_log = path.extension().is_some_and(|it| it == "jsonl");
    if is_log {
        return of_log(path);
    }
    let wrong = |found: String| {
        Error::new(ErrorKind::Document, found).at(path).expected(
            "expected what weighlight drift --format json writes, or a log of checks (.jsonl)",
        )
    };
    let text = std::fs::read_to_string(path).map_err(|source| Error::io(path, &source))?;
    let report: Value = serde_json::from_str(&text).map_err(|e| wrong(e.to_string()))?;
    if report["format"] != "weighlight-drift/1" {
        return Err(wrong("this is no drift report".to_owned()));
    }
    let number = |key: &str| {
        report["weight_effect"][key]
            .as_f64()
            .ok_or_else(|| wrong(format!("no number under weight_effect.{key}")))
    };
    Ok(TargetCheck {
        relative: number("relative")?,
        relative_u: number("relative_u")?,
    })
}

fn of_log(path: &Path) -> Result<TargetCheck> {
    let folder = match path.parent() {
        Some(folder) if !folder.as_os_str().is_empty() => folder,
        _ => Path::new("."),
    };
    let scanner = path
        .file_stem()
        .and_then(|it| it.to_str())
        .unwrap_or_default();
    let log = read_log(folder, scanner)?;
    match log.newest_check() {
        Some(check) => Ok(TargetCheck {
            relative: check.weight_effect.relative,
            relative_u: check.weight_effect.relative_u,
        }),
        None => Err(
            Error::new(ErrorKind::Document, "there is no check in this log")
                .at(path)
                .expected("expected a log with at least one check of a target"),
        ),
    }
}
