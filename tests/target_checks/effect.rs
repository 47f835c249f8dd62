//! The weight effect in closed form against measuring simulated pieces.

use weighlight::calibration::{Calibration, GeometricErrors};
use weighlight::drift::{Comparison, Turnover, effect_on_archive, weight_effect};
use weighlight::pipeline::{Plan, measure_recording};
use weighlight::scan::read_archive;
use weighlight::simulate::{Scenario, simulate};

use super::written::written;

/// What the closed form may be off by.
const LIMIT: f64 = 5e-4;

/// Scales that moved by up to half a percent, and 5 mrad or half a millimetre of everything else.
const MOVED: [GeometricErrors; 2] = [
    GeometricErrors {
        across_scale: 1.0045,
        along_scale: 1.0031,
        height_scale: 0.9952,
        height_offset_mm: -0.4,
        roll_mrad: 5.0,
        pitch_mrad: -4.0,
        bow_mm: 0.5,
        skew_mrad: 5.0,
        lean_mrad: -5.0,
    },
    GeometricErrors {
        across_scale: 0.9962,
        along_scale: 0.9981,
        height_scale: 0.9990,
        height_offset_mm: 0.5,
        roll_mrad: -5.0,
        pitch_mrad: 5.0,
        bow_mm: -0.5,
        skew_mrad: -5.0,
        lean_mrad: 5.0,
    },
];

fn calibration(scenario: &Scenario, errors: GeometricErrors) -> Calibration {
    Calibration {
        errors,
        ..scenario.calibration()
    }
}

#[test]
fn measuring_with_the_old_calibration_is_off_by_what_the_closed_form_says() {
    for (seed, moved) in (1..).zip(MOVED) {
        let mut scenario = Scenario::named("belly-strips").unwrap();
        let before = scenario.scanner.errors;
        scenario.scanner.errors = moved;
        let recording = simulate(&scenario, seed).unwrap();
        let folder = written(&recording);
        let archive = read_archive(&[folder.path().to_path_buf()]).unwrap();
        let product = scenario.product();
        let total_cm3 = |errors: GeometricErrors| -> f64 {
            let calibration = calibration(&scenario, errors);
            let plan = Plan {
                product: &product,
                calibration: Some(&calibration),
                keep_views: false,
            };
            let (measured, _) =
                measure_recording(&archive.recordings[0], &plan, &mut |_, _| Ok(())).unwrap();
            assert_eq!(measured.pieces.len(), recording.truth.len());
            let volumes = measured.pieces.iter().map(|p| p.record.volume_cm3);
            volumes.sum()
        };
        let truth: f64 = recording.truth.iter().map(|piece| piece.volume_cm3).sum();
        let (old, new) = (total_cm3(before), total_cm3(moved));
        let said = weight_effect(&before, &moved, &[[0.0; 9]; 9]).relative;
        // The change alone, and against the truth, where what measuring is off by anyway comes on top.
        println!(
            "said {said:.5} seen {:.5} against truth {:.5}; new alone {:.5}",
            old / new - 1.0,
            old / truth - 1.0,
            new / truth - 1.0
        );
        assert!(
            (old / new - 1.0 - said).abs() < LIMIT,
            "{said} {}",
            old / new - 1.0
        );
        assert!(
            (old / truth - 1.0 - said).abs() < 2.0 * LIMIT,
            "{said} {}",
            old / truth - 1.0
        );
    }
}

#[test]
fn archived_pieces_change_by_as_much_and_are_worth_money() {
    let scenario = Scenario::named("belly-strips").unwrap();
    let recording = simulate(&scenario, 5).unwrap();
    let folder = written(&recording);
    let archive = read_archive(&[folder.path().to_path_buf()]).unwrap();
    let product = scenario.product();
    let in_force = scenario.calibration();
    // Upright ends of strips under a leaning laser plane are not in the closed form: up to ½·7 mrad·30/150 mm = 0.07 %.
    let moved = GeometricErrors {
        lean_mrad: 0.0,
        ..MOVED[0]
    };
    let new = calibration(&scenario, moved);
    let with = Comparison {
        scanner: "harbour-1",
        product: &product,
        in_force: Some(&in_force),
        new: &new,
        relative_u: 1e-4,
        turnover: Some(Turnover {
            price_per_kg: 4.0,
            tonnes_per_day: 12.0,
        }),
    };
    let found = effect_on_archive(&archive, &with).unwrap();
    let said = weight_effect(&scenario.scanner.errors, &moved, &[[0.0; 9]; 9]);
    let effect = &found.effect;
    println!("{found:?} said {}", said.relative);
    assert_eq!(effect.pieces as usize, recording.truth.len());
    assert!((effect.relative - said.relative).abs() < LIMIT);
    let mass_g: f64 = recording
        .truth
        .iter()
        .map(|piece| piece.mass_g)
        .sum::<f64>()
        / recording.truth.len() as f64;
    assert!((effect.mass_g - effect.relative * mass_g).abs() < 0.01 * effect.mass_g.abs());
    let u = effect.mass_u_g.unwrap();
    assert!(1e-4 * mass_g < u && u < 0.1 * effect.mass_g.abs(), "{u}");
    let money = effect.money_per_day.unwrap();
    assert!((money - effect.relative * 48_000.0).abs() < 1e-9);
    assert_eq!(found.unmatched, 0);

    // Another scanner's recordings are left out, and that nothing is left is said.
    let other = Comparison {
        scanner: "harbour-9",
        ..with
    };
    let error = effect_on_archive(&archive, &other).unwrap_err();
    assert!(error.to_string().contains("harbour-9"), "{error}");
}
