//! Whether pieces that were parted from a neighbour know how uncertain they are: pairs laid with one end on the other, and errors over
//! uncertainties of both.

use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use weighlight::simulate::{
    Contact, Kind, PlacedPiece, Pose, Scenario, Scene, lay_against, score, simulate_scene,
};
use weighlight::tables::{BudgetPart, Flag, PieceRecord};

use super::recordings::{measured, rows, written};

/// Free belt for each pair, mm.
const SPAN_MM: f64 = 420.0;
const PAIRS: usize = 6;

/// Standard deviations of the errors of volume and area of parted pieces, as they are stated, and with the seam left out of the budget.
struct Spread {
    volume: Vec<[f64; 2]>,
    area: Vec<[f64; 2]>,
}

fn piece(kind: Kind, rng: &mut ChaCha8Rng) -> PlacedPiece {
    let (shape, pattern) = kind.draw(rng);
    let pose = Pose {
        x_mm: 0.0,
        y_mm: 0.0,
        yaw_rad: std::f64::consts::TAU * rng.random::<f64>(),
        mirrored: rng.random(),
    };
    PlacedPiece::new(kind.name(), shape, pattern, pose)
}

fn middle(pieces: [&PlacedPiece; 2], axis: usize) -> f64 {
    let ends = pieces.map(|piece| piece.bounds_mm());
    let low = ends.iter().map(|(low, _)| low[axis]);
    let high = ends.iter().map(|(_, high)| high[axis]);
    0.5 * (low.fold(f64::INFINITY, f64::min) + high.fold(f64::NEG_INFINITY, f64::max))
}

/// Pairs of a kind one behind the other on a belt.
fn lay(kinds: [Kind; 2], rng: &mut ChaCha8Rng) -> Vec<PlacedPiece> {
    let mut pieces = Vec::new();
    for number in 0..PAIRS {
        let mut one = piece(kinds[0], rng);
        let two = piece(kinds[1], rng);
        let overlap_mm = 4.0 + 6.0 * rng.random::<f64>();
        let two = lay_against(&mut one, two, Contact::Lap { overlap_mm });
        let shift = [0, 1].map(|axis| {
            let place_mm = [300.0, SPAN_MM * (number as f64 + 0.5)][axis];
            place_mm - middle([&one, &two], axis)
        });
        pieces.extend([one, two].map(|piece| piece.moved(shift[0], shift[1])));
    }
    pieces
}

fn without_seam(record: &PieceRecord, u: fn(&BudgetPart) -> f64) -> f64 {
    let parts = record.budget.iter().filter(|part| part.source != "seam");
    parts.map(|part| u(part).powi(2)).sum::<f64>().sqrt()
}

fn errors(kinds: [Kind; 2], seed: u64, spread: &mut Spread) {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let mut scenario = Scenario::named("crowd").unwrap();
    scenario.scanner.colour = None;
    scenario.length_mm = SPAN_MM * PAIRS as f64;
    scenario.frame_rows = scenario.rows();
    let pieces = lay(kinds, &mut rng);
    let simulated = simulate_scene(&scenario, &Scene { pieces }, seed).unwrap();
    let folder = written(&simulated.frames);
    let (product, calibration) = (scenario.product(), scenario.calibration());
    let (recording, _) = measured(folder.path(), &product, Some(&calibration)).unwrap();
    let records = rows(recording);
    for pair in score(&records, &simulated.truth, 20.0).unwrap().matches {
        let (record, truth) = (&records[pair.record], &simulated.truth[pair.truth]);
        if !record.flags.contains(&Flag::Touching) {
            continue;
        }
        let error_cm3 = record.volume_cm3 - truth.volume_cm3;
        spread.volume.push([
            error_cm3 / record.volume_u_cm3,
            error_cm3 / without_seam(record, |part| part.volume_u_cm3),
        ]);
        let error_cm2 = record.area_cm2 - truth.area_cm2;
        spread.area.push([
            error_cm2 / record.area_u_cm2.unwrap(),
            error_cm2 / without_seam(record, |part| part.area_u_cm2),
        ]);
    }
}

#[test]
fn errors_of_lapped_pieces_are_as_large_as_their_uncertainties() {
    let mut spread = Spread {
        volume: Vec::new(),
        area: Vec::new(),
    };
    // Seeds that nothing was chosen on.
    errors([Kind::Lobed, Kind::Lobed], 901, &mut spread);
    errors([Kind::Slab, Kind::Lobed], 902, &mut spread);
    errors([Kind::Slab, Kind::Slab], 903, &mut spread);
    errors([Kind::Roll, Kind::Roll], 904, &mut spread);
    for (what, errors) in [("volume", &spread.volume), ("area", &spread.area)] {
        let rms = |which: usize| {
            let squares = errors.iter().map(|error| error[which] * error[which]);
            (squares.sum::<f64>() / errors.len() as f64).sqrt()
        };
        println!(
            "{what}: {:.2} over {}, without seam {:.2}",
            rms(0),
            errors.len(),
            rms(1)
        );
        assert!(errors.len() >= 40, "{what}: {}", errors.len());
        // The spread of so few is known to 1/√(2n); three times that is allowed about 0.8 and 1.2.
        let slack = 3.0 / (2.0 * errors.len() as f64).sqrt();
        let stated = 0.8 / (1.0 + slack)..1.2 * (1.0 + slack);
        assert!(stated.contains(&rms(0)), "{what}: {}", rms(0));
        // A budget that forgets the seam is found out.
        assert!(rms(1) > 1.5 * stated.end, "{what}: {}", rms(1));
    }
}
