//! How well measured pieces agree with the true ones.

use std::num::NonZero;

use kiddo::{ImmutableKdTree, SquaredEuclidean};

use super::truth::TruthPiece;
use crate::error::{Error, ErrorKind, Result};
use crate::tables::PieceRecord;

/// True pieces looked at near each measured one.
const NEIGHBOURS: usize = 8;

/// Mean, spread and worst of a list of errors.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Spread {
    /// How many.
    pub count: usize,
    /// Mean: the bias.
    pub mean: f64,
    /// Standard deviation about the mean (n − 1); 0 with fewer than two.
    pub sd: f64,
    /// The one of largest magnitude, with its sign.
    pub worst: f64,
    /// Mean magnitude.
    pub mean_abs: f64,
}

impl Spread {
    /// Of a list of errors.
    pub fn of(errors: impl IntoIterator<Item = f64>) -> Self {
        let errors: Vec<f64> = errors.into_iter().collect();
        let count = errors.len();
        if count == 0 {
            return Self::default();
        }
        let n = count as f64;
        let mean = errors.iter().sum::<f64>() / n;
        let squares: f64 = errors.iter().map(|e| (e - mean).powi(2)).sum();
        Self {
            count,
            mean,
            sd: if count > 1 {
                (squares / (n - 1.0)).sqrt()
            } else {
                0.0
            },
            worst: errors
                .iter()
                .fold(0.0, |w: f64, e| if e.abs() > w.abs() { *e } else { w }),
            mean_abs: errors.iter().map(|e| e.abs()).sum::<f64>() / n,
        }
    }
}

/// One measured piece beside its true one. Relative errors are (measured − true)/true.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Match {
    /// Index in the measured pieces.
    pub record: usize,
    /// Index in the true pieces.
    pub truth: usize,
    /// Distance of the centroids, mm.
    pub distance_mm: f64,
    /// Relative error of the volume.
    pub volume: f64,
    /// Relative error of the area.
    pub area: f64,
    /// Relative error of the mass.
    pub mass: f64,
    /// Relative error of the length.
    pub length: f64,
    /// Error of the fat fraction of the top surface, as a difference of shares; `None` without colour.
    pub fat: Option<f64>,
    /// Error of the volume over its stated standard uncertainty; `None` where that is 0.
    pub volume_normalised: Option<f64>,
    /// Error of the mass over its stated standard uncertainty; `None` where that is 0.
    pub mass_normalised: Option<f64>,
    /// Error of the fat fraction over its stated standard uncertainty; `None` where either is not known.
    pub fat_normalised: Option<f64>,
}

/// The agreement of measured with true pieces.
#[derive(Debug, Clone, PartialEq)]
pub struct Score {
    /// Pairs, in the order of the measured pieces.
    pub matches: Vec<Match>,
    /// True pieces nobody measured, as indices.
    pub missed: Vec<usize>,
    /// Measured pieces that do not exist, as indices.
    pub extra: Vec<usize>,
    /// Relative error of the volume.
    pub volume: Spread,
    /// Relative error of the area.
    pub area: Spread,
    /// Relative error of the mass.
    pub mass: Spread,
    /// Relative error of the length.
    pub length: Spread,
    /// Difference of fat fractions.
    pub fat: Spread,
    /// Volume errors over their standard uncertainties.
    pub volume_normalised: Spread,
    /// Mass errors over their standard uncertainties.
    pub mass_normalised: Spread,
    /// Errors of the fat fraction over their standard uncertainties.
    pub fat_normalised: Spread,
}

/// Pairs measured with true pieces, nearest centroids first, one to one and no farther than `tolerance_mm`, and
/// compares them.
///
/// # Errors
/// [`ErrorKind::Mismatch`] when a place is not finite.
pub fn score(records: &[PieceRecord], truth: &[TruthPiece], tolerance_mm: f64) -> Result<Score> {
    let pairs = pair(records, truth, tolerance_mm)?;
    let mut record_of = vec![None; truth.len()];
    let mut truth_of = vec![None; records.len()];
    for (distance_mm, r, t) in pairs {
        if truth_of[r].is_none() && record_of[t].is_none() {
            truth_of[r] = Some((t, distance_mm));
            record_of[t] = Some(r);
        }
    }
    let matches: Vec<Match> = truth_of
        .iter()
        .enumerate()
        .filter_map(|(r, found)| {
            found.map(|(t, distance_mm)| compare((r, &records[r]), (t, &truth[t]), distance_mm))
        })
        .collect();
    let unmatched = |list: Vec<bool>| -> Vec<usize> {
        list.iter()
            .enumerate()
            .filter_map(|(i, missing)| missing.then_some(i))
            .collect()
    };
    let of = |error: fn(&Match) -> f64| Spread::of(matches.iter().map(error));
    Ok(Score {
        missed: unmatched(record_of.iter().map(Option::is_none).collect()),
        extra: unmatched(truth_of.iter().map(Option::is_none).collect()),
        volume: of(|m| m.volume),
        area: of(|m| m.area),
        mass: of(|m| m.mass),
        length: of(|m| m.length),
        fat: Spread::of(matches.iter().filter_map(|m| m.fat)),
        volume_normalised: Spread::of(matches.iter().filter_map(|m| m.volume_normalised)),
        mass_normalised: Spread::of(matches.iter().filter_map(|m| m.mass_normalised)),
        fat_normalised: Spread::of(matches.iter().filter_map(|m| m.fat_normalised)),
        matches,
    })
}

/// All pairs near enough, nearest first; equal distances by index, so that the order never depends on chance.
fn pair(
    records: &[PieceRecord],
    truth: &[TruthPiece],
    tolerance_mm: f64,
) -> Result<Vec<(f64, usize, usize)>> {
    let places = records
        .iter()
        .map(|r| [r.x_mm, r.y_mm])
        .chain(truth.iter().map(|t| [t.x_mm, t.y_mm]));
    for (number, place) in places.enumerate() {
        if !place.iter().all(|v| v.is_finite()) {
            let (list, index) = if number < records.len() {
                ("measured", number)
            } else {
                ("true", number - records.len())
            };
            return Err(Error::new(
                ErrorKind::Mismatch,
                format!("the place of {list} piece {} is not finite", index + 1),
            )
            .key("x_mm, y_mm"));
        }
    }
    let points: Vec<[f64; 2]> = truth.iter().map(|t| [t.x_mm, t.y_mm]).collect();
    if points.is_empty() || records.is_empty() {
        return Ok(Vec::new());
    }
    let tree = ImmutableKdTree::<f64, 2>::new_from_slice(&points).map_err(|e| {
        Error::new(
            ErrorKind::Mismatch,
            format!("the true pieces cannot be searched: {e}"),
        )
    })?;
    let most = NonZero::new(NEIGHBOURS).unwrap_or(NonZero::<usize>::MIN);
    let mut pairs = Vec::new();
    for (r, record) in records.iter().enumerate() {
        let near = tree
            .query(&[record.x_mm, record.y_mm])
            .nearest_n::<SquaredEuclidean<f64>>(most)
            .within(tolerance_mm * tolerance_mm)
            .execute();
        for found in near {
            pairs.push((found.distance.sqrt(), r, found.item as usize));
        }
    }
    pairs.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1)).then(a.2.cmp(&b.2)));
    Ok(pairs)
}

fn compare(
    (r, record): (usize, &PieceRecord),
    (t, truth): (usize, &TruthPiece),
    distance_mm: f64,
) -> Match {
    let relative = |measured: f64, true_value: f64| (measured - true_value) / true_value;
    let normalised = |error: f64, u: f64| (u > 0.0).then(|| error / u);
    Match {
        record: r,
        truth: t,
        distance_mm,
        volume: relative(record.volume_cm3, truth.volume_cm3),
        area: relative(record.area_cm2, truth.area_cm2),
        mass: relative(record.mass_g, truth.mass_g),
        length: relative(record.length_mm, truth.length_mm),
        fat: record.fat_fraction.map(|f| f - truth.fat_fraction),
        volume_normalised: normalised(record.volume_cm3 - truth.volume_cm3, record.volume_u_cm3),
        mass_normalised: normalised(record.mass_g - truth.mass_g, record.mass_u_g),
        fat_normalised: record
            .fat_fraction
            .zip(record.fat_u_fraction)
            .and_then(|(fat, u)| normalised(fat - truth.fat_fraction, u)),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn truth(x_mm: f64, y_mm: f64, volume_cm3: f64) -> TruthPiece {
        TruthPiece {
            piece: 1,
            kind: "test".into(),
            x_mm,
            y_mm,
            yaw_mrad: 0.0,
            length_mm: 100.0,
            width_mm: 50.0,
            max_height_mm: 20.0,
            area_cm2: 40.0,
            volume_cm3,
            fat_fraction: 0.2,
            fat_volume_fraction: 0.2,
            mass_g: volume_cm3,
            form: String::new(),
            touching: false,
            frame_end: false,
            cut: false,
        }
    }

    fn record(x_mm: f64, y_mm: f64, volume_cm3: f64) -> PieceRecord {
        PieceRecord {
            recording: "r".into(),
            scan: "r_0".into(),
            piece: 1,
            lane: None,
            time: None,
            x_mm,
            y_mm,
            yaw_mrad: 0.0,
            length_mm: 101.0,
            width_mm: 50.0,
            max_height_mm: 20.0,
            mean_height_mm: 15.0,
            area_cm2: 41.0,
            surface_cm2: 50.0,
            perimeter_mm: 300.0,
            volume_cm3,
            volume_u_cm3: 0.5,
            fat_fraction: Some(0.21),
            fat_volume_fraction: None,
            fat_mass_fraction: None,
            mass_g: volume_cm3,
            mass_u_g: 0.0,
            filled_fraction: 0.0,
            fat_u_fraction: None,
            area_u_cm2: None,
            length_u_mm: None,
            width_u_mm: None,
            flags: Vec::new(),
            classes: Vec::new(),
            budget: Vec::new(),
        }
    }

    #[test]
    fn nearest_pairs_are_made_first_and_the_rest_is_listed() {
        let true_pieces = [
            truth(0.0, 0.0, 100.0),
            truth(10.0, 0.0, 100.0),
            truth(500.0, 0.0, 50.0),
        ];
        // The first is near both, the second nearer to the first true piece; the third is nowhere.
        let measured = [
            record(4.0, 0.0, 102.0),
            record(1.0, 0.0, 99.0),
            record(0.0, 300.0, 80.0),
        ];
        let score = score(&measured, &true_pieces, 20.0).unwrap();
        let pairs: Vec<(usize, usize)> =
            score.matches.iter().map(|m| (m.record, m.truth)).collect();
        assert_eq!(pairs, [(0, 1), (1, 0)]);
        assert_eq!((score.missed, score.extra), (vec![2], vec![2]));
        assert!((score.volume.mean - 0.005).abs() < 1e-12);
        assert!((score.volume.worst - 0.02).abs() < 1e-12);
        assert!((score.volume.sd - 0.03 / 2.0_f64.sqrt()).abs() < 1e-12);
        assert!((score.volume_normalised.worst - 4.0).abs() < 1e-12);
        assert_eq!(score.mass_normalised.count, 0);
        assert!((score.fat.mean - 0.01).abs() < 1e-12);
        assert!((score.area.mean - 0.025).abs() < 1e-12);
        assert!((score.length.mean - 0.01).abs() < 1e-12);
    }

    #[test]
    fn nothing_measured_misses_all() {
        let score = score(&[], &[truth(0.0, 0.0, 1.0)], 20.0).unwrap();
        assert_eq!(score.missed, [0]);
        assert_eq!(score.volume, Spread::default());
    }

    #[test]
    fn a_place_that_is_no_number_is_an_error() {
        let error =
            score(&[record(f64::NAN, 0.0, 1.0)], &[truth(0.0, 0.0, 1.0)], 20.0).unwrap_err();
        assert!(error.to_string().contains("measured piece 1"), "{error}");
    }
}
