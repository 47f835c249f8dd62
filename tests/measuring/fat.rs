//! The fat fraction against simulated truth: whole pieces at two camera angles, and a colour camera near the belt.

use weighlight::calibration::ColourCamera;
use weighlight::simulate::{Scenario, Spread, score, simulate};
use weighlight::tables::Flag;

use super::recordings::{measured, records, written};

use weighlight::pipeline::MeasuredPiece;

/// Farthest from the true centroid that a measured piece may lie, mm.
const MATCH_MM: f64 = 15.0;

/// Errors of the fat fractions of whole pieces.
fn errors(name: &str, angle_deg: f64) -> Vec<f64> {
    let mut scenario = Scenario::named(name).unwrap();
    scenario.scanner.camera.as_mut().unwrap().angle_deg = angle_deg;
    let simulated = simulate(&scenario, 1).unwrap();
    let records = records(&simulated.frames, &scenario);
    let found = score(&records, &simulated.truth, MATCH_MM).unwrap();
    let whole = found.matches.iter().filter(|pair| {
        let flags = &records[pair.record].flags;
        !flags.contains(&Flag::Cut) && !flags.contains(&Flag::Edge)
    });
    whole.filter_map(|pair| pair.fat).collect()
}

#[test]
fn fat_is_found_within_four_tenths_of_a_point() {
    for name in ["lobes", "belly-strips"] {
        for angle_deg in [25.0, 32.0] {
            let errors = errors(name, angle_deg);
            let spread = Spread::of(errors.iter().copied());
            assert!(errors.len() >= 15, "{name}: {} pieces", errors.len());
            assert!(spread.mean.abs() < 0.0015, "{name} {angle_deg}: {spread:?}");
            assert!(spread.worst.abs() < 0.004, "{name} {angle_deg}: {spread:?}");
        }
    }
}

/// Errors of the fat fractions over their stated standard uncertainties.
fn normalised(name: &str, seeds: [u64; 3]) -> Vec<f64> {
    let scenario = Scenario::named(name).unwrap();
    let mut normalised = Vec::new();
    for seed in seeds {
        let simulated = simulate(&scenario, seed).unwrap();
        let folder = written(&simulated.frames);
        let calibration = scenario.calibration();
        let (recording, _) =
            measured(folder.path(), &scenario.product(), Some(&calibration)).unwrap();
        let u_of = |piece: &MeasuredPiece| piece.fat_budget.map(|budget| budget.combined());
        let u: Vec<Option<f64>> = recording.pieces.iter().map(u_of).collect();
        let records: Vec<_> = recording.pieces.into_iter().map(|p| p.record).collect();
        let found = score(&records, &simulated.truth, MATCH_MM).unwrap();
        for pair in &found.matches {
            let flags = &records[pair.record].flags;
            if !flags.contains(&Flag::Cut) && !flags.contains(&Flag::Edge) {
                normalised.push(pair.fat.unwrap() / u[pair.record].unwrap());
            }
        }
    }
    normalised
}

#[test]
fn errors_of_the_fat_fraction_are_as_large_as_their_uncertainties_say() {
    for name in ["lobes", "belly-strips"] {
        let normalised = normalised(name, [4, 5, 6]);
        let squares: f64 = normalised.iter().map(|e| e * e).sum();
        let rms = (squares / normalised.len() as f64).sqrt();
        println!(
            "{name}: {:?}, rms {rms}",
            Spread::of(normalised.iter().copied())
        );
        assert!((0.5..1.3).contains(&rms), "{name}: {rms}");
    }
}

/// Largest errors with a colour camera 900 mm over the belt, aside and tilted, by a calibration with its place and by one without.
fn worst_aside() -> [f64; 2] {
    let mut scenario = Scenario::named("lobes").unwrap();
    scenario.length_mm = 400.0;
    scenario.scanner.colour.as_mut().unwrap().camera = Some(ColourCamera {
        height_mm: 900.0,
        x_mm: 60.0,
        y_mm: -80.0,
    });
    let simulated = simulate(&scenario, 1).unwrap();
    let folder = written(&simulated.frames);
    [true, false].map(|told| {
        let mut calibration = scenario.calibration();
        if !told {
            calibration.colour_camera = None;
        }
        let (recording, rejected) =
            measured(folder.path(), &scenario.product(), Some(&calibration)).unwrap();
        assert!(rejected.is_empty());
        let records: Vec<_> = recording.pieces.into_iter().map(|p| p.record).collect();
        let found = score(&records, &simulated.truth, MATCH_MM).unwrap();
        let errors: Vec<f64> = found.matches.iter().filter_map(|pair| pair.fat).collect();
        assert!(errors.len() >= 6, "{} pieces", errors.len());
        Spread::of(errors.iter().copied()).worst.abs()
    })
}

#[test]
fn a_near_colour_camera_is_corrected_by_each_cell_s_height() {
    let [corrected, uncorrected] = worst_aside();
    assert!(corrected < 0.004, "{corrected}");
    assert!(uncorrected > 0.01, "{uncorrected}");
}
