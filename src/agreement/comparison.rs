//! All that a piece table and a checkweigher's log say together.

use std::path::Path;

use jiff::{SignedDuration, Timestamp};

use super::PairedPiece;
use super::causes::{CauseSettings, Causes, FEWEST_PAIRS, find_causes};
use super::exclusions::{Exclusion, Exclusions};
use super::log::{LogLayout, LogReading, read_log_files};
use super::matching::{MatchSettings, Matching, match_weighings, paired_pieces};
use super::statistics::{Agreement, AgreementSettings, Group, GroupBy, agreement, groups};
use crate::error::Result;
use crate::tables::PieceRecord;

/// How to compare.
#[derive(Debug, Clone)]
pub struct CompareSettings {
    /// How to match.
    pub matching: MatchSettings,
    /// What is known and asked of the agreement.
    pub agreement: AgreementSettings,
    /// What is known beside the pairs for their causes.
    pub causes: CauseSettings,
    /// Pairs that a person set aside; they enter nothing but the matching.
    pub exclusions: Exclusions,
}

/// The result.
#[derive(Debug, Clone)]
pub struct Comparison {
    /// What was read of the logs.
    pub reading: LogReading,
    /// Which weighing is of which piece.
    pub matching: Matching,
    /// The pieces that were weighed by themselves, without those set aside.
    pub pairs: Vec<PairedPiece>,
    /// The pairs that were set aside.
    pub set_aside: Vec<(PairedPiece, Exclusion)>,
    /// What was to be set aside and is no pair of this comparison.
    pub set_aside_unknown: Vec<Exclusion>,
    /// How well they agree.
    pub agreement: Agreement,
    /// By lane, hour and size.
    pub groups: Vec<Group>,
    /// Why they differ; or why nothing can be said of that.
    pub causes: std::result::Result<Causes, String>,
}

/// Matches, and says how well estimates and weighings agree, and why they differ.
///
/// # Errors
/// Files that cannot be matched (see [`match_weighings`]); settings that make no sense. Too few pairs for causes are none: the result then says so.
pub fn compare(
    pieces: &[PieceRecord],
    reading: LogReading,
    settings: &CompareSettings,
) -> Result<Comparison> {
    let mut matching_settings = settings.matching.clone();
    for mass in &reading.test_weights_g {
        if !matching_settings.test_weights_g.contains(mass) {
            matching_settings.test_weights_g.push(*mass);
        }
    }
    let matching = match_weighings(pieces, &reading.weighings, &matching_settings)?;
    let all = paired_pieces(pieces, &reading.weighings, &matching);
    let (pairs, aside) = settings.exclusions.part(all);
    let (set_aside, set_aside_unknown) = named(aside, &settings.exclusions);
    let agreement = agreement(&pairs, &settings.agreement)?;
    let mut all = Vec::new();
    for by in [
        GroupBy::Lane,
        GroupBy::Hour,
        GroupBy::Recording,
        GroupBy::Size,
    ] {
        let parted = groups(&pairs, by, |_| None);
        // A single group says nothing that the whole does not.
        if parted.len() > 1 {
            all.extend(parted);
        }
    }
    let causes = if pairs.len() < FEWEST_PAIRS {
        Err(format!(
            "{} pairs: at least {FEWEST_PAIRS} are needed to look for causes",
            pairs.len()
        ))
    } else {
        find_causes(&pairs, &settings.causes).map_err(|error| error.to_string())
    };
    Ok(Comparison {
        reading,
        matching,
        pairs,
        set_aside,
        set_aside_unknown,
        agreement,
        groups: all,
        causes,
    })
}

/// The pairs set aside with their reasons, and what was to be set aside and is not there.
fn named(
    aside: Vec<PairedPiece>,
    exclusions: &Exclusions,
) -> (Vec<(PairedPiece, Exclusion)>, Vec<Exclusion>) {
    let (mut known, mut unknown) = (Vec::new(), Vec::new());
    for exclusion in exclusions.in_force() {
        let of = (exclusion.piece_row, exclusion.log_row);
        match aside.iter().find(|it| (it.piece_row, it.log_row) == of) {
            Some(pair) => known.push((pair.clone(), exclusion.clone())),
            None => unknown.push(exclusion.clone()),
        }
    }
    (known, unknown)
}

/// Reads logs as far as they lie near the scans, and compares.
///
/// All of a log is counted, but only its rows near the scans are kept; if there are none, all are wanted for saying so.
///
/// # Errors
/// As [`read_log_files`] and [`compare`].
pub fn compare_logs(
    pieces: &[PieceRecord],
    logs: &[impl AsRef<Path>],
    layout: &LogLayout,
    settings: &CompareSettings,
) -> Result<Comparison> {
    let near = span(pieces, settings.matching.lag_within_s);
    let mut reading = read_log_files(logs, layout, near)?;
    if reading.weighings.is_empty() {
        reading = read_log_files(logs, layout, None)?;
    }
    compare(pieces, reading, settings)
}

/// From before the first to after the last scan.
fn span(pieces: &[PieceRecord], within_s: f64) -> Option<(Timestamp, Timestamp)> {
    let times = || pieces.iter().filter_map(|piece| piece.time);
    let margin = SignedDuration::from_secs_f64(within_s);
    let from = times().min()?.checked_sub(margin).ok()?;
    let to = times().max()?.checked_add(margin).ok()?;
    Some((from, to))
}

impl Comparison {
    /// What was set aside, in words; empty where nothing was.
    #[must_use]
    pub fn set_aside_in_words(&self) -> Vec<String> {
        let mut words = Vec::new();
        if !self.set_aside.is_empty() {
            let mut reasons: Vec<(&str, usize)> = Vec::new();
            for (_, exclusion) in &self.set_aside {
                match reasons.iter_mut().find(|it| it.0 == exclusion.reason) {
                    Some(known) => known.1 += 1,
                    None => reasons.push((&exclusion.reason, 1)),
                }
            }
            let reasons: Vec<String> = reasons
                .iter()
                .map(|(reason, count)| format!("{reason} ({count})"))
                .collect();
            words.push(format!(
                "{} of {} pairs were set aside by hand and are in no figure: {}",
                self.set_aside.len(),
                self.set_aside.len() + self.pairs.len(),
                reasons.join("; ")
            ));
        }
        if !self.set_aside_unknown.is_empty() {
            words.push(format!(
                "{} to be set aside are no pairs here",
                self.set_aside_unknown.len()
            ));
        }
        words
    }
}
