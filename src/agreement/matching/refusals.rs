//! What cannot be matched, and what to do about it.

use jiff::{SignedDuration, Timestamp};

use super::belonging::Likeness;
use super::core::Unalignable;
use super::order::median;
use super::sequence::Item;
use super::{MatchSettings, Matching};
use crate::error::{Error, ErrorKind, Result};
use crate::tables::PieceRecord;

/// Fewer of either cannot show that two files belong together.
const FEWEST: usize = 8;
/// Standard deviations of chance from which on two files belong together: by chance once in some million (normal; files of different days reached 3.8 in
/// 8400 trials).
pub(super) const BELONG_SIGMAS: f64 = 5.0;
/// A test that would reach this for files that belong together has the last word.
const STRONG_TEST_SIGMAS: f64 = 10.0;
/// From here on the words are "do not belong together", below "too little to tell".
const FAIR_TEST_SIGMAS: f64 = 7.0;
/// Share matched by which shorter files belong together all the same. Files of different days reach 0.67 with 24 pieces, 0.37 with 40 and 0.33 with 100;
/// those of one day rarely stay below 0.85.
const SHARE: f64 = 0.45;
const SHARE_TIMES_PIECES: f64 = 8.0;
/// Share that must be matched in any case.
const LEAST_SHARE: f64 = 0.1;
/// Median weighing over median estimate beyond which the unit or the product is another.
const FARTHEST_RATIO: f64 = 2.5;
/// Ratios that slips of the unit make, and the slips.
const SLIPS: [(f64, &str); 6] = [
    (
        1000.0,
        "the log may be in kilograms and was read as more than that, or the estimates are in kilograms; give --unit g",
    ),
    (0.001, "the log is in kilograms? give --unit kg"),
    (1.0 / 453.592_37, "the log is in pounds? give --unit lb"),
    (1.0 / 28.349_523_125, "the log is in ounces? give --unit oz"),
    (
        453.592_37,
        "the log is in grams and was read as pounds? give --unit g",
    ),
    (
        28.349_523_125,
        "the log is in grams and was read as ounces? give --unit g",
    ),
];

fn mismatch(found: impl Into<String>) -> Error {
    Error::new(ErrorKind::Mismatch, found)
}

/// The time of the first piece.
pub(super) fn first_time(pieces: &[PieceRecord]) -> Result<Timestamp> {
    if pieces.is_empty() {
        return Err(mismatch("the piece table has no pieces"));
    }
    pieces
        .iter()
        .filter_map(|piece| piece.time)
        .min()
        .ok_or_else(|| {
            mismatch("no piece has a time").expected(
                "times come from belt_speed_mm_s in scan.toml or from [profiles]; measure again with one of them",
            )
        })
}

pub(super) fn too_few(pieces: usize, weighings: usize) -> Error {
    mismatch(format!(
        "{pieces} pieces with a time and {weighings} weighings"
    ))
    .expected(format!(
        "at least {FEWEST} of each are needed to tell whether they belong together"
    ))
}

/// Numbers and spans of time.
pub(super) fn check(
    pieces: &[Item],
    weighings: &[Item],
    start: Timestamp,
    settings: &MatchSettings,
) -> Result<()> {
    if pieces.len() < FEWEST || weighings.len() < FEWEST {
        return Err(too_few(pieces.len(), weighings.len()));
    }
    let (Some(first), Some(last)) = (pieces.first(), pieces.last()) else {
        return Err(too_few(pieces.len(), weighings.len()));
    };
    let (Some(log_first), Some(log_last)) = (weighings.first(), weighings.last()) else {
        return Err(too_few(pieces.len(), weighings.len()));
    };
    let within = settings.lag_within_s;
    let inside = weighings
        .iter()
        .filter(|it| first.time_s - within <= it.time_s && it.time_s <= last.time_s + within)
        .count();
    if inside >= FEWEST {
        return Ok(());
    }
    let at = |time_s: f64| {
        start
            .checked_add(SignedDuration::from_secs_f64(time_s))
            .map_or_else(
                |_| "?".to_owned(),
                |it| it.strftime("%Y-%m-%d %H:%M:%S").to_string(),
            )
    };
    let found = format!(
        "the pieces were scanned from {} to {} UTC, the weighings are from {} to {} UTC: {inside} of them lie within {} of the scans",
        at(first.time_s),
        at(last.time_s),
        at(log_first.time_s),
        at(log_last.time_s),
        span(within),
    );
    // Whole hours are the sign of a wrong zone.
    let hours = ((first.time_s - log_first.time_s) / 3600.0).round();
    let apart = (first.time_s - log_first.time_s) - 3600.0 * hours;
    let expected = if hours != 0.0 && hours.abs() <= 14.0 && apart.abs() <= 900.0 {
        format!(
            "the log starts {} hours off: is its --zone right? If the clocks do differ, give --lag-within",
            hours.abs()
        )
    } else {
        "give the log of the same day; its --zone if its times are local; --lag-within if the clocks differ by more".to_owned()
    };
    Err(mismatch(found).expected(expected))
}

fn span(seconds: f64) -> String {
    if seconds >= 120.0 {
        format!("{:.0} min", seconds / 60.0)
    } else {
        format!("{seconds:.0} s")
    }
}

/// Weighings and estimates are of the same order.
pub(super) fn check_units(pieces: &[Item], weighings: &[Item]) -> Result<()> {
    let middle =
        |items: &[Item]| median(&mut items.iter().map(|it| it.mass_g).collect::<Vec<f64>>());
    let (estimate, weighing) = (middle(pieces), middle(weighings));
    let ratio = weighing / estimate;
    if (1.0 / FARTHEST_RATIO..=FARTHEST_RATIO).contains(&ratio) {
        return Ok(());
    }
    let slip = SLIPS
        .iter()
        .find(|slip| (0.6..=1.7).contains(&(ratio / slip.0)))
        .map_or(
            "is the unit right (--unit)? Are these weighings of the same product?",
            |slip| slip.1,
        );
    Err(mismatch(format!(
        "the middle weighing is {}, the middle estimate {}: {} times",
        grams(weighing),
        grams(estimate),
        ratio_text(ratio)
    ))
    .expected(slip))
}

fn grams(mass_g: f64) -> String {
    if mass_g.abs() >= 100.0 {
        format!("{mass_g:.0} g")
    } else {
        format!("{mass_g:.3} g")
    }
}

fn ratio_text(ratio: f64) -> String {
    if ratio >= 10.0 {
        format!("{ratio:.0}")
    } else {
        format!("{ratio:.4}")
    }
}

pub(super) fn unalignable(why: Unalignable) -> Error {
    match why {
        Unalignable::SameEstimates => mismatch("the estimates are all the same mass")
            .expected("masses that differ are what matches are found by"),
        Unalignable::SameWeighings => mismatch("the weighings are all the same mass").expected(
            "is --mass the right column? Masses that differ are what matches are found by",
        ),
        Unalignable::Nothing => mismatch("no weighing lies near any piece's time"),
    }
}

/// Share of pieces (or of weighings, if those are fewer) that must be matched where masses alone do not tell.
pub(super) fn needed_share(fewer: usize) -> f64 {
    SHARE + SHARE_TIMES_PIECES / fewer.max(1) as f64
}

/// Files of which the masses alone say that they do not belong together; a fit would only cost time.
pub(super) fn check_likeness(
    likeness: &Likeness,
    pieces: usize,
    weighings: usize,
    settings: &MatchSettings,
) -> Result<()> {
    if likeness.sigmas < BELONG_SIGMAS && likeness.reach_sigmas >= STRONG_TEST_SIGMAS {
        return Err(strangers(likeness, pieces, weighings, settings));
    }
    Ok(())
}

/// After matching: the masses are alike beyond chance, or nearly all pieces found a weighing.
pub(super) fn check_belonging(
    likeness: &Likeness,
    matching: &Matching,
    settings: &MatchSettings,
) -> Result<()> {
    let (matched, pieces, weighings) = matching.matched();
    let fewer = pieces.min(weighings);
    let share = matched as f64 / fewer.max(1) as f64;
    let belong = likeness.sigmas >= BELONG_SIGMAS || share >= needed_share(fewer);
    if !belong {
        return Err(strangers(likeness, pieces, weighings, settings));
    }
    if share >= LEAST_SHARE && matched >= 3 {
        return Ok(());
    }
    Err(mismatch(format!(
        "only {matched} of {pieces} pieces within the log's span could be matched with one of {weighings} weighings"
    ))
    .expected("the files hardly belong together; is it the log of this line, and are times and masses the right columns?"))
}

fn strangers(
    likeness: &Likeness,
    pieces: usize,
    weighings: usize,
    settings: &MatchSettings,
) -> Error {
    let seen = format!(
        "the masses of {pieces} pieces and {weighings} weighings are alike by {:.1} standard deviations of chance at the best lag within {}, and {BELONG_SIGMAS} are needed",
        likeness.sigmas,
        span(settings.lag_within_s),
    );
    if likeness.reach_sigmas >= FAIR_TEST_SIGMAS {
        mismatch(format!("the two files do not belong together: {seen}")).expected(
            "is it the log of this line and day? If the clocks may differ by more, give --lag-within",
        )
    } else {
        mismatch(format!(
            "too little to tell whether the files belong together: {seen}"
        ))
        .expected("take a longer stretch, or see that it is the log of this line and day")
    }
}
