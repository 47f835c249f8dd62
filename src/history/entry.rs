//! One entry of a log: what is kept of a check, and how it becomes a line.

use jiff::Timestamp;
use serde::{Deserialize, Serialize};

use crate::drift::{DriftReport, Verdict};
use crate::error::{Error, ErrorKind, Result};

/// The format word of every entry.
pub const LOG_FORMAT: &str = "weighlight-log/1";

/// What stands between an entry's own words and its hash.
const HASH_KEY: &str = ",\"hash\":\"";

/// Length of a BLAKE3 hash in hexadecimal.
const HASH_LENGTH: usize = 64;

/// One line of a log, without its own hash.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Entry {
    /// [`LOG_FORMAT`].
    pub format: String,
    /// 1, 2, 3 …
    pub sequence: u64,
    /// The scanner.
    pub scanner: String,
    /// When it happened: a check's scan was taken, or the time stated for an event.
    pub time: Timestamp,
    /// When it was written down.
    pub logged: Timestamp,
    /// Who did it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub operator: Option<String>,
    /// What happened, in the words of whoever wrote it; an entry without a check is an event.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub note: Option<String>,
    /// The check.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub check: Option<CheckEntry>,
    /// The file that a torn last line was moved to before this entry was written.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub repaired: Option<String>,
    /// The hash of the entry before; of the first one 64 zeros.
    pub previous: String,
}

/// What a log keeps of a drift report.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct CheckEntry {
    /// The target scan's id.
    pub scan: String,
    /// The target's name.
    pub target: String,
    /// What the values were compared with.
    pub compared_with: String,
    /// The worst of all verdicts.
    pub verdict: Verdict,
    /// The geometric errors.
    pub parameters: Vec<ParameterEntry>,
    /// How well the surface was seen.
    pub surface: SurfaceEntry,
    /// The largest CIEDE2000 difference of a patch.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub max_de00: Option<f64>,
    /// The tolerance for it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub tolerance_de00: Option<f64>,
    /// What the change does to weights.
    pub weight_effect: WeightEntry,
    /// BLAKE3 of the drift report, see [`report_json`].
    pub report_blake3: String,
}

/// One geometric error.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ParameterEntry {
    /// Its name.
    pub name: String,
    /// What the scan says; absent where it cannot tell.
    pub value: Option<f64>,
    /// Standard uncertainty.
    pub u: Option<f64>,
    /// What it was compared with.
    pub baseline: f64,
    /// The largest change that does not matter.
    pub tolerance: f64,
    /// `1`, `mm` or `mrad`.
    pub unit: String,
    /// The outcome.
    pub verdict: Verdict,
}

/// How well the surface was seen.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct SurfaceEntry {
    /// Root mean square of the residuals, mm.
    pub residual_rms_mm: f64,
    /// Flatness measurement error, mm.
    pub flatness_mm: f64,
    /// Noise of a sample, mm.
    pub noise_mm: f64,
    /// Share of samples without a return.
    pub dropout_fraction: f64,
}

/// The weight effect.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct WeightEntry {
    /// Relative.
    pub relative: f64,
    /// Its standard uncertainty.
    pub relative_u: f64,
}

/// The text of a report whose hash a log keeps: JSON over several lines with a line end, as the program writes it.
///
/// # Errors
/// It holds what JSON cannot say.
pub fn report_json(report: &DriftReport) -> Result<String> {
    let mut text = serde_json::to_string_pretty(report)
        .map_err(|e| Error::new(ErrorKind::Document, format!("no JSON for the report: {e}")))?;
    text.push('\n');
    Ok(text)
}

/// BLAKE3 of [`report_json`], in hexadecimal.
///
/// # Errors
/// It holds what JSON cannot say.
pub fn report_hash(report: &DriftReport) -> Result<String> {
    Ok(hash_of(report_json(report)?.as_bytes()))
}

pub(super) fn hash_of(bytes: &[u8]) -> String {
    blake3::hash(bytes).to_hex().to_string()
}

impl CheckEntry {
    /// What a log keeps of `report`.
    ///
    /// # Errors
    /// The report holds what JSON cannot say.
    pub fn of(report: &DriftReport) -> Result<Self> {
        let parameters = report.parameters.iter().map(|it| ParameterEntry {
            name: it.name.clone(),
            value: it.value,
            u: it.u,
            baseline: it.baseline,
            tolerance: it.tolerance,
            unit: it.unit.clone(),
            verdict: it.verdict,
        });
        Ok(Self {
            scan: report.scan.clone(),
            target: report.target.clone(),
            compared_with: report.compared_with.clone(),
            verdict: report.verdict,
            parameters: parameters.collect(),
            surface: SurfaceEntry {
                residual_rms_mm: report.surface.residual_rms_mm,
                flatness_mm: report.surface.flatness_mm,
                noise_mm: report.surface.noise_mm,
                dropout_fraction: report.surface.dropout_fraction,
            },
            max_de00: report.colour.as_ref().map(|it| it.max_de00),
            tolerance_de00: report.colour.as_ref().map(|it| it.tolerance_de00),
            weight_effect: WeightEntry {
                relative: report.weight_effect.relative,
                relative_u: report.weight_effect.relative_u,
            },
            report_blake3: report_hash(report)?,
        })
    }
}

impl CheckEntry {
    fn is_finite(&self) -> bool {
        let parameters = self.parameters.iter().flat_map(|it| {
            let stated = [Some(it.baseline), Some(it.tolerance)];
            stated.into_iter().chain([it.value, it.u]).flatten()
        });
        let surface = self.surface;
        parameters
            .chain([self.max_de00, self.tolerance_de00].into_iter().flatten())
            .chain([
                surface.residual_rms_mm,
                surface.flatness_mm,
                surface.noise_mm,
                surface.dropout_fraction,
                self.weight_effect.relative,
                self.weight_effect.relative_u,
            ])
            .all(f64::is_finite)
    }
}

/// A line of a log, taken apart.
#[derive(Debug)]
pub(super) struct ReadLine {
    pub(super) entry: Entry,
    /// The hash it carries.
    pub(super) hash: String,
    /// Whether its words give that hash.
    pub(super) intact: bool,
}

/// The line of an entry, without line end, and its hash: BLAKE3 of all that stands before `,"hash"`.
pub(super) fn line_of(entry: &Entry) -> Result<(String, String)> {
    let no_json = |e: serde_json::Error| {
        Error::new(ErrorKind::Document, format!("no JSON for the entry: {e}"))
    };
    // JSON would say null, and the number would be lost without a word.
    if !entry.check.as_ref().is_none_or(CheckEntry::is_finite) {
        return Err(Error::new(
            ErrorKind::Document,
            "the report holds a number that is not finite",
        )
        .expected("expected finite numbers; nothing was written"));
    }
    let mut line = serde_json::to_string(entry).map_err(no_json)?;
    line.pop();
    let hash = hash_of(line.as_bytes());
    line.push_str(HASH_KEY);
    line.push_str(&hash);
    line.push_str("\"}");
    Ok((line, hash))
}

/// Takes a line apart, or says why it is no entry.
pub(super) fn read_line(line: &[u8]) -> std::result::Result<ReadLine, String> {
    let text = std::str::from_utf8(line).map_err(|_| "it is not UTF-8".to_owned())?;
    let entry: Entry = serde_json::from_str(text).map_err(|e| e.to_string())?;
    if entry.format != LOG_FORMAT {
        return Err(format!("its format is \"{}\"", entry.format));
    }
    let tail = HASH_KEY.len() + HASH_LENGTH + 2;
    let parts = text
        .len()
        .checked_sub(tail)
        .and_then(|at| text.split_at_checked(at))
        .and_then(|(words, tail)| Some((words, tail.strip_prefix(HASH_KEY)?.strip_suffix("\"}")?)));
    let Some((words, hash)) = parts else {
        return Err("it does not end in its hash".to_owned());
    };
    Ok(ReadLine {
        intact: hash_of(words.as_bytes()) == hash,
        hash: hash.to_owned(),
        entry,
    })
}
