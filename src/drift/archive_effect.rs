//! What a new calibration does to pieces that were really scanned: measured with the calibration in force and with the new one.

use std::num::NonZero;

use kiddo::{ImmutableKdTree, SquaredEuclidean};

use super::report::ProductEffect;
use crate::calibration::{Calibration, GeometricErrors};
use crate::error::{Error, ErrorKind, Result};
use crate::pipeline::{MeasuredRecording, Plan, measure_recording};
use crate::product::Product;
use crate::scan::{Archive, Recording};
use crate::tables::{Flag, PieceRecord};

/// Pieces looked at near each one.
const NEIGHBOURS: usize = 8;

/// What a day's production is worth.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Turnover {
    /// Price of a kilogram, in the user's currency.
    pub price_per_kg: f64,
    /// Production of a day, t.
    pub tonnes_per_day: f64,
}

/// What to compare.
#[derive(Debug, Clone, Copy)]
pub struct Comparison<'a> {
    /// The scanner that changed; recordings of others are left out.
    pub scanner: &'a str,
    /// Measured with this profile; recordings that name another product are left out.
    pub product: &'a Product,
    /// The calibration in force; `None`: the scanner is taken as true.
    pub in_force: Option<&'a Calibration>,
    /// The calibration from the check.
    pub new: &'a Calibration,
    /// Relative standard uncertainty of the closed-form effect: what the check leaves open is shared by all pieces.
    pub relative_u: f64,
    /// For money a day.
    pub turnover: Option<Turnover>,
}

/// A flag that pieces gain or lose.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct FlagChange {
    /// The flag.
    pub flag: Flag,
    /// Pieces that bear it with the calibration in force, but not with the new one.
    pub only_in_force: u64,
    /// Pieces that bear it with the new calibration only.
    pub only_new: u64,
}

/// The outcome of a comparison.
#[derive(Debug, Clone, PartialEq)]
pub struct ArchiveEffect {
    /// The change of weight. Positive: with the calibration in force pieces are taken as heavier than they are.
    pub effect: ProductEffect,
    /// Pieces found with one of the two calibrations only.
    pub unmatched: u64,
    /// Flags that differ, in the flags' order.
    pub flags: Vec<FlagChange>,
    /// Recordings that could not be measured, with the reason.
    pub failed: Vec<(String, String)>,
    /// Recordings of other scanners or products.
    pub left_out: u64,
}

impl ArchiveEffect {
    /// The outcome in sentences, without a full stop.
    #[must_use]
    pub fn findings(&self) -> Vec<String> {
        let ProductEffect {
            product, pieces, ..
        } = &self.effect;
        let mut said = Vec::new();
        for change in &self.flags {
            said.push(format!(
                "{product}: flag {} on {} of {pieces} pieces only with the calibration in force, on {} only with the new one",
                change.flag.name(),
                change.only_in_force,
                change.only_new
            ));
        }
        if self.unmatched > 0 {
            said.push(format!(
                "{product}: {} pieces were found with one of the two calibrations only and are left out",
                self.unmatched
            ));
        }
        for (recording, reason) in &self.failed {
            said.push(format!(
                "{product}: recording {recording} could not be measured: {reason}"
            ));
        }
        said
    }
}

/// Measures every recording of the scanner twice and compares its pieces one by one.
///
/// Whether the recordings were made before or after the scanner changed makes no difference: only the two calibrations do.
///
/// The mean change's standard uncertainty joins the spread over pieces (standard error of the mean) with what the check
/// itself leaves open; with a single piece there is none.
///
/// # Errors
/// [`ErrorKind::Unmeasurable`] when no recording of this scanner and product could be measured both ways, or no piece is on it.
pub fn effect_on_archive(archive: &Archive, with: &Comparison<'_>) -> Result<ArchiveEffect> {
    let mut tally = Tally::default();
    for recording in &archive.recordings {
        let Some(first) = recording.frames.first().map(|frame| &frame.description) else {
            continue;
        };
        let named = first.product.as_deref();
        if first.scanner != with.scanner || named.is_some_and(|name| name != with.product.name) {
            tally.left_out += 1;
            continue;
        }
        let in_force = with.in_force;
        let both = measured(recording, with.product, in_force).and_then(|old| {
            measured(recording, with.product, Some(with.new)).map(|new| (old, new))
        });
        match both {
            Ok((old, new)) => tally.add(
                recording,
                (&old, in_force.map_or(GeometricErrors::NONE, |c| c.errors)),
                (&new, with.new.errors),
            )?,
            Err(error) => tally
                .failed
                .push((recording.name.clone(), error.to_string())),
        }
    }
    tally.effect(with)
}

fn measured(
    recording: &Recording,
    product: &Product,
    calibration: Option<&Calibration>,
) -> Result<MeasuredRecording> {
    let plan = Plan {
        product,
        calibration,
        keep_views: false,
    };
    let (measured, broken) = measure_recording(recording, &plan, &mut |_, _| Ok(()))?;
    // A frame that is left out would be left out both times, but its neighbours' pieces would be cut.
    match broken.into_iter().next() {
        Some(rejected) => Err(rejected.error),
        None => Ok(measured),
    }
}

/// What pairs of pieces add up to.
#[derive(Default)]
struct Tally {
    changes_g: Vec<f64>,
    mass_g: f64,
    /// By place in [`Flag::ALL`].
    only_in_force: [u64; Flag::ALL.len()],
    only_new: [u64; Flag::ALL.len()],
    unmatched: u64,
    failed: Vec<(String, String)>,
    left_out: u64,
}

impl Tally {
    fn add(
        &mut self,
        recording: &Recording,
        (old, old_errors): (&MeasuredRecording, GeometricErrors),
        (new, new_errors): (&MeasuredRecording, GeometricErrors),
    ) -> Result<()> {
        let old: Vec<&PieceRecord> = old.pieces.iter().map(|piece| &piece.record).collect();
        let new: Vec<&PieceRecord> = new.pieces.iter().map(|piece| &piece.record).collect();
        let pairs = pairs(
            &places(&old, recording, &old_errors),
            &places(&new, recording, &new_errors),
            &new.iter()
                .map(|piece| 0.5 * piece.width_mm)
                .collect::<Vec<_>>(),
        )?;
        self.unmatched += (old.len() + new.len() - 2 * pairs.len()) as u64;
        for (one, other) in pairs {
            let (one, other) = (old[one], new[other]);
            self.changes_g.push(one.mass_g - other.mass_g);
            self.mass_g += other.mass_g;
            for (index, flag) in Flag::ALL.iter().enumerate() {
                match (one.flags.contains(flag), other.flags.contains(flag)) {
                    (true, false) => self.only_in_force[index] += 1,
                    (false, true) => self.only_new[index] += 1,
                    _ => {}
                }
            }
        }
        Ok(())
    }

    fn effect(self, with: &Comparison<'_>) -> Result<ArchiveEffect> {
        let count = self.changes_g.len();
        if count == 0 || self.mass_g <= 0.0 {
            let reason = self.failed.first().map_or_else(
                || format!("{} recordings are of others", self.left_out),
                |(recording, reason)| format!("recording {recording}: {reason}"),
            );
            return Err(Error::new(
                ErrorKind::Unmeasurable,
                format!(
                    "no piece of {} from scanner {} to compare: {reason}",
                    with.product.name, with.scanner
                ),
            )
            .key("--effect-on")
            .expected("expected recordings of this scanner with pieces of this product"));
        }
        let n = count as f64;
        let mean_g = self.changes_g.iter().sum::<f64>() / n;
        let mean_mass_g = self.mass_g / n;
        let squares: f64 = self.changes_g.iter().map(|c| (c - mean_g).powi(2)).sum();
        let relative = mean_g / mean_mass_g;
        let changed = |index: usize| FlagChange {
            flag: Flag::ALL[index],
            only_in_force: self.only_in_force[index],
            only_new: self.only_new[index],
        };
        Ok(ArchiveEffect {
            effect: ProductEffect {
                product: with.product.name.clone(),
                mass_g: mean_g,
                mass_u_g: (count > 1).then(|| {
                    (squares / (n - 1.0) / n)
                        .sqrt()
                        .hypot(with.relative_u * mean_mass_g)
                }),
                relative,
                pieces: count as u64,
                money_per_day: with
                    .turnover
                    .map(|day| relative * 1000.0 * day.tonnes_per_day * day.price_per_kg),
            },
            unmatched: self.unmatched,
            flags: (0..Flag::ALL.len())
                .map(changed)
                .filter(|change| change.only_in_force + change.only_new > 0)
                .collect(),
            failed: self.failed,
            left_out: self.left_out,
        })
    }
}

/// Where the scanner saw the pieces' centroids, which no calibration moves, mm.
fn places(
    pieces: &[&PieceRecord],
    recording: &Recording,
    errors: &GeometricErrors,
) -> Vec<[f64; 2]> {
    let pitch_mm = recording
        .frames
        .first()
        .map_or(0.0, |frame| frame.description.height.pitch_across_mm);
    let cx_mm = 0.5 * recording.columns() as f64 * pitch_mm;
    let seen = |piece: &&PieceRecord| {
        let aside_mm = piece.x_mm - cx_mm;
        [
            cx_mm + errors.across_scale * aside_mm,
            errors.along_scale * (piece.y_mm + 1e-3 * errors.skew_mrad * aside_mm),
        ]
    };
    pieces.iter().map(seen).collect()
}

/// Pairs of indices, nearest first, one to one, each no farther apart than the second piece's reach.
fn pairs(old: &[[f64; 2]], new: &[[f64; 2]], reach_mm: &[f64]) -> Result<Vec<(usize, usize)>> {
    if old.is_empty() || new.is_empty() {
        return Ok(Vec::new());
    }
    let tree = ImmutableKdTree::<f64, 2>::new_from_slice(old).map_err(|error| {
        Error::new(
            ErrorKind::Unmeasurable,
            format!("the pieces cannot be searched by place: {error}"),
        )
    })?;
    let most = NonZero::new(NEIGHBOURS).unwrap_or(NonZero::<usize>::MIN);
    let mut near = Vec::new();
    for (index, (place, reach_mm)) in new.iter().zip(reach_mm).enumerate() {
        let found = tree
            .query(place)
            .nearest_n::<SquaredEuclidean<f64>>(most)
            .within(reach_mm * reach_mm)
            .execute();
        near.extend(
            found
                .into_iter()
                .map(|f| (f.distance, f.item as usize, index)),
        );
    }
    near.sort_by(|a, b| a.0.total_cmp(&b.0).then((a.1, a.2).cmp(&(b.1, b.2))));
    let (mut old_taken, mut new_taken) = (vec![false; old.len()], vec![false; new.len()]);
    let mut pairs = Vec::new();
    for (_, one, other) in near {
        if !old_taken[one] && !new_taken[other] {
            old_taken[one] = true;
            new_taken[other] = true;
            pairs.push((one, other));
        }
    }
    Ok(pairs)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn pieces_are_paired_with_the_nearest_within_their_size() {
        let old = [[10.0, 10.0], [50.0, 10.0], [200.0, 90.0]];
        let new = [[51.0, 10.0], [12.0, 10.0], [120.0, 90.0]];
        let found = pairs(&old, &new, &[20.0, 20.0, 20.0]).expect("finite places");
        assert_eq!(found, [(1, 0), (0, 1)]);
        assert!(pairs(&[], &new, &[20.0; 3]).expect("nothing").is_empty());
    }

    #[test]
    fn the_nearer_of_two_candidates_wins() {
        let old = [[0.0, 0.0], [6.0, 0.0]];
        let new = [[4.0, 0.0], [1.0, 0.0]];
        assert_eq!(
            pairs(&old, &new, &[30.0; 2]).expect("finite"),
            [(0, 1), (1, 0)]
        );
    }
}
