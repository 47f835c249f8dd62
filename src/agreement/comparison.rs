//! All that a piece table and a checkweigher's log say together.

use super::PairedPiece;
use super::causes::{CauseSettings, Causes, FEWEST_PAIRS, find_causes};
use super::log::LogReading;
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
}

/// The result.
#[derive(Debug, Clone)]
pub struct Comparison {
    /// What was read of the logs.
    pub reading: LogReading,
    /// Which weighing is of which piece.
    pub matching: Matching,
    /// The pieces that were weighed by themselves.
    pub pairs: Vec<PairedPiece>,
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
    let pairs = paired_pieces(pieces, &reading.weighings, &matching);
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
        agreement,
        groups: all,
        causes,
    })
}
