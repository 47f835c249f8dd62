//! Whether stated uncertainties are as large as errors are: input quantities are drawn from what is stated of them, and the spread of what
//! comes out is compared with the budget (JCGM 101:2008, propagation of distributions); and errors over a number of simulated pieces.

use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};
use rayon::prelude::*;
use weighlight::calibration::{CameraSide, GeometricErrors};
use weighlight::simulate::{
    Kind, PlacedPiece, Pose, Scenario, Scene, SmoothField, score, simulate, simulate_scene,
};
use weighlight::tables::{Flag, PieceRecord};

use super::recordings::{measured, rows, written};

/// Trials of a piece: the standard deviation of a root mean square over so many is 1/√(2·24) = 14 %.
const TRIALS: u64 = 24;
/// Relative standard uncertainties of the calibration's scales across, along and in height.
const SCALES_U: [f64; 3] = [0.0004, 0.0004, 0.0008];
/// Standard uncertainty of the calibration's registration, mm: what the fat fraction's budget takes where none is stated, a tenth of a cell.
const REGISTRATION_U_MM: f64 = 0.04;

/// A piece in one trial: its record, its true volume and its true fat fraction.
struct Trial {
    record: PieceRecord,
    volume_cm3: f64,
    fat_fraction: f64,
}

/// One trial: the same piece, with the scanner, the belt, its place and the colour limit drawn anew.
fn trial(kind: Kind, number: u64) -> Trial {
    let mut rng = ChaCha8Rng::seed_from_u64(1000 + number);
    let mut normal = || -> f64 { StandardNormal.sample(&mut rng) };
    let mut scenario = Scenario::named("lobes").unwrap();
    scenario.scanner.width_mm = 260.0;
    scenario.length_mm = 240.0;
    let mut calibration = scenario.calibration();
    calibration.errors_u = GeometricErrors {
        across_scale: SCALES_U[0],
        along_scale: SCALES_U[1],
        height_scale: SCALES_U[2],
        ..GeometricErrors::ZERO
    };
    let scanner = &mut scenario.scanner;
    // Noise of a sample 0.05 mm, half of its variance shared by neighbours.
    scanner.noise_mm = 0.035;
    scanner.correlated_noise_mm = 0.035;
    scanner.correlation_mm = 1.0;
    // Scales from their covariance about the calibration's.
    scanner.errors.across_scale *= 1.0 + SCALES_U[0] * normal();
    scanner.errors.along_scale *= 1.0 + SCALES_U[1] * normal();
    scanner.errors.height_scale *= 1.0 + SCALES_U[2] * normal();
    let colour = scanner.colour.as_mut().unwrap();
    colour.registration.dx_mm += REGISTRATION_U_MM * normal();
    colour.registration.dy_mm += REGISTRATION_U_MM * normal();
    let limit = 62.0 + 2.0 * normal();
    scanner.belt.tilt_across_mrad = 1.5 * normal();
    let mut drawn = |low: f64, high: f64| low + (high - low) * rng.random::<f64>();
    scanner.belt.ripple_phase_rad = drawn(0.0, std::f64::consts::TAU);
    scanner.belt.ripple_wavelength_mm = drawn(60.0, 120.0);
    scanner.belt.ripple_skew_rad = drawn(-0.4, 0.4);
    // Which flank is hidden: the piece turned any way, seen from either side.
    let camera = scanner.camera.as_mut().unwrap();
    if drawn(0.0, 1.0) < 0.5 {
        camera.side = CameraSide::HighY;
    }
    calibration.camera = Some(*camera);
    let pose = Pose {
        x_mm: 130.0 + drawn(-20.0, 20.0),
        y_mm: 110.0 + drawn(-10.0, 10.0),
        yaw_rad: drawn(0.0, std::f64::consts::PI),
        mirrored: false,
    };
    let (shape, mut pattern) = kind.draw(&mut ChaCha8Rng::seed_from_u64(5));
    pattern.gloss = SmoothField::new(6.0, &mut rng);
    let scene = Scene {
        pieces: vec![PlacedPiece::new("drawn", shape, pattern, pose)],
    };
    let mut product = scenario.product();
    for class in &mut product.classes {
        if let Some(lab) = &mut class.lab {
            let ends = [&mut lab.l.low, &mut lab.l.high];
            ends.into_iter()
                .filter(|end| **end == 62.0)
                .for_each(|end| *end = limit);
        }
    }
    let simulated = simulate_scene(&scenario, &scene, number).unwrap();
    let folder = written(&simulated.frames);
    let (recording, _) = measured(folder.path(), &product, Some(&calibration)).unwrap();
    let mut records = rows(recording);
    assert_eq!(records.len(), 1, "trial {number}");
    Trial {
        record: records.remove(0),
        volume_cm3: simulated.truth[0].volume_cm3,
        fat_fraction: simulated.truth[0].fat_fraction,
    }
}

fn root_mean_square(values: impl Iterator<Item = f64>) -> f64 {
    let squares: Vec<f64> = values.map(|value| value * value).collect();
    (squares.iter().sum::<f64>() / squares.len() as f64).sqrt()
}

#[test]
fn drawn_inputs_spread_volume_and_fat_as_the_budgets_say() {
    for kind in [Kind::Lobed, Kind::Slab] {
        let trials: Vec<Trial> = (0..TRIALS)
            .into_par_iter()
            .map(|number| trial(kind, number))
            .collect();
        let over = |u: &dyn Fn(&PieceRecord) -> f64| {
            root_mean_square(
                trials
                    .iter()
                    .map(|t| (t.record.volume_cm3 - t.volume_cm3) / u(&t.record)),
            )
        };
        let volume = over(&|record| record.volume_u_cm3);
        let fat = root_mean_square(trials.iter().map(|t| {
            (t.record.fat_fraction.unwrap() - t.fat_fraction) / t.record.fat_u_fraction.unwrap()
        }));
        println!("{kind:?}: volume {volume:.2}, fat {fat:.2}");
        assert!((0.7..1.35).contains(&volume), "{kind:?}: volume {volume}");
        assert!((0.6..1.4).contains(&fat), "{kind:?}: fat {fat}");
        // A budget that forgets the scales is found out.
        let without = over(&|record| {
            let parts = record.budget.iter().filter(|part| part.source != "scale");
            parts
                .map(|part| part.volume_u_cm3.powi(2))
                .sum::<f64>()
                .sqrt()
        });
        assert!(without > 1.35, "{kind:?}: {without}");
    }
}

#[test]
fn errors_over_simulated_pieces_are_as_large_as_their_uncertainties() {
    let words = ["", "steep", "flat", "small", "shadowed"];
    let mut volume: Vec<Vec<f64>> = vec![Vec::new(); words.len()];
    let mut fat = volume.clone();
    let mut mass = Vec::new();
    for name in ["belly-strips", "fillets", "lobes", "solids", "rolls"] {
        let mut scenario = Scenario::named(name).unwrap();
        scenario.length_mm = 600.0;
        let simulated = simulate(&scenario, 21).unwrap();
        let folder = written(&simulated.frames);
        let product = scenario.product();
        let calibration = scenario.calibration();
        let (recording, _) = measured(folder.path(), &product, Some(&calibration)).unwrap();
        let records = rows(recording);
        // The uncertainty of a mass holds that of the density: the true one is drawn.
        let mut truth = simulated.truth.clone();
        let mut rng = ChaCha8Rng::seed_from_u64(21);
        for piece in &mut truth {
            let normal: f64 = StandardNormal.sample(&mut rng);
            piece.mass_g *= 1.0 + product.weight.density_u_rel * normal;
        }
        for pair in score(&records, &truth, 15.0).unwrap().matches {
            let (record, truth) = (&records[pair.record], &truth[pair.truth]);
            if record.flags.contains(&Flag::Cut) || record.flags.contains(&Flag::Edge) {
                continue;
            }
            mass.extend(pair.mass_normalised);
            for (subset, word) in words.iter().enumerate() {
                let inside = match *word {
                    "" => true,
                    "shadowed" => record.flags.contains(&Flag::Filled),
                    word => truth.form.split(' ').any(|form| form == word),
                };
                if inside {
                    volume[subset].extend(pair.volume_normalised);
                    fat[subset].extend(pair.fat_normalised);
                }
            }
        }
    }
    // Limits of 0.8 to 1.2 are for hundreds of pieces (`cargo bench --bench accuracy`); with n of them the spread itself is known to 1/√(2n), and
    // three times that is allowed.
    let check = |what: &str, values: &[f64]| {
        if values.len() < 15 {
            return;
        }
        let slack = 3.0 / (2.0 * values.len() as f64).sqrt();
        let rms = root_mean_square(values.iter().copied());
        println!("{what}: {rms:.2} over {}", values.len());
        assert!(
            rms > 0.8 / (1.0 + slack) && rms < 1.2 * (1.0 + slack),
            "{what}: {rms} over {}",
            values.len()
        );
    };
    for (subset, word) in words.iter().enumerate() {
        check(&format!("volume {word}"), &volume[subset]);
        check(&format!("fat {word}"), &fat[subset]);
    }
    check("mass", &mass);
    assert!(volume[0].len() >= 70, "{}", volume[0].len());
}
