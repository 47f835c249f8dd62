//! How near area, length and width come to simulated truth, of pieces that lie free and of pieces parted from a neighbour.

use weighlight::simulate::{Scenario, score, simulate};

use super::recordings::records;

/// Farthest from the true centroid that a measured piece may lie, mm.
const MATCH_MM: f64 = 15.0;
/// Pitch of the simulated scanner, mm.
const PITCH_MM: f64 = 0.4;

/// Of each piece: relative error of the area, and the larger of the errors of length and width, mm.
fn errors(name: &str) -> Vec<[f64; 2]> {
    let scenario = Scenario::named(name).unwrap();
    let simulated = simulate(&scenario, 1).unwrap();
    let records = records(&simulated.frames, &scenario);
    let found = score(&records, &simulated.truth, MATCH_MM).unwrap();
    assert!(found.missed.is_empty() && found.extra.is_empty(), "{name}");
    let of_match = |found: &weighlight::simulate::Match| {
        let (piece, truth) = (&records[found.record], &simulated.truth[found.truth]);
        let long_mm = (piece.length_mm - truth.length_mm).abs();
        let wide_mm = (piece.width_mm - truth.width_mm).abs();
        [found.area, long_mm.max(wide_mm)]
    };
    let errors: Vec<[f64; 2]> = found.matches.iter().map(of_match).collect();
    assert!(errors.len() > 20, "{name}: {}", errors.len());
    errors
}

fn check(name: &str, area_mean: f64, area_worst: f64, within_a_pitch: f64) {
    let errors = errors(name);
    let count = errors.len() as f64;
    let mean = errors.iter().map(|[area, _]| area).sum::<f64>() / count;
    let worst = errors
        .iter()
        .map(|[area, _]| area.abs())
        .fold(0.0, f64::max);
    let near = errors.iter().filter(|[_, mm]| *mm <= PITCH_MM).count() as f64 / count;
    assert!(mean.abs() < area_mean, "{name}: mean of areas {mean}");
    assert!(worst < area_worst, "{name}: worst area {worst}");
    assert!(
        near > within_a_pitch,
        "{name}: {near} of both sides within a pitch"
    );
}

#[test]
fn lobed_pieces_have_their_area_length_and_width() {
    // Single round pieces may be measured in any direction.
    check("lobes", 0.002, 0.005, 0.8);
}

#[test]
fn slopes_that_end_on_the_belt_are_followed_to_it() {
    check("solids", 0.002, 0.02, 0.8);
}

#[test]
fn rolls_have_their_area_length_and_width() {
    check("rolls", 0.002, 0.005, 0.7);
}

#[test]
fn pieces_that_touch_have_no_teeth_in_each_others_shadow() {
    check("crowd", 0.002, 0.02, 0.7);
}
