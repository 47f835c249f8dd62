//! A limit between two classes learned from recordings whose light has drifted since the calibration.

use weighlight::pipeline::MeasuredRecording;
use weighlight::product::{LabAxis, LabBox, LearnMethod, LearnRule, Range};
use weighlight::simulate::{
    Scenario, Scene, SimulatedRecording, Spread, score, simulate, simulate_scene,
};
use weighlight::tables::Flag;

use super::recordings::{csv, measured, plain, rows, written};

const METHODS: [LearnMethod; 2] = [LearnMethod::Otsu, LearnMethod::TwoGaussian];

fn rule(method: LearnMethod) -> LearnRule {
    LearnRule {
        between: ["fat".into(), "lean".into()],
        method,
        axis: LabAxis::L,
        range: Range {
            low: 25.0,
            high: 95.0,
        },
        max_move: 15.0,
    }
}

/// Fat and lean nearer to each other than usual: L 72 and 52, parted at 62.
fn scenario() -> Scenario {
    let mut scenario = Scenario::named("lobes").unwrap();
    scenario.length_mm = 500.0;
    scenario.materials[0].lab = [52.0, 24.0, 13.0];
    scenario.materials[1].lab = [72.0, 5.0, 10.0];
    let range = |low: f64, high: f64| Range { low, high };
    let wide = |l: Range| {
        Some(LabBox {
            l,
            a: range(-30.0, 60.0),
            b: range(-20.0, 60.0),
        })
    };
    scenario.claims = vec![wide(range(5.0, 62.0)), wide(range(62.0, 100.0))];
    scenario
}

/// The same with its light a fifth weaker than the calibration knows.
fn drifted(share: f64) -> Scenario {
    let mut scenario = scenario();
    let colour = scenario.scanner.colour.as_mut().unwrap();
    colour.response = colour.response.map(|row| row.map(|value| share * value));
    scenario
}

fn measure(scenario: &Scenario, seed: u64, method: Option<LearnMethod>) -> MeasuredRecording {
    measure_simulated(scenario, &simulate(scenario, seed).unwrap(), method)
}

fn measure_simulated(
    scenario: &Scenario,
    simulated: &SimulatedRecording,
    method: Option<LearnMethod>,
) -> MeasuredRecording {
    let folder = written(&simulated.frames);
    let mut product = scenario.product();
    product.learn = method.map(rule);
    // The calibration is from before the drift.
    let calibration = self::scenario().calibration();
    let (recording, rejected) = measured(folder.path(), &product, Some(&calibration)).unwrap();
    assert!(rejected.is_empty());
    recording
}

/// Errors of the fat fraction over two recordings, one spread for each method.
fn errors<const N: usize>(share: f64, methods: [Option<LearnMethod>; N]) -> [Spread; N] {
    let scenario = drifted(share);
    let simulated = [1, 2].map(|seed| simulate(&scenario, seed).unwrap());
    methods.map(|method| {
        let mut errors = Vec::new();
        for simulated in &simulated {
            let records = rows(measure_simulated(&scenario, simulated, method));
            let found = score(&records, &simulated.truth, 15.0).unwrap();
            errors.extend(found.matches.iter().filter_map(|pair| pair.fat));
        }
        Spread::of(errors)
    })
}

#[test]
fn learned_limits_follow_a_light_that_drifts_by_a_fifth() {
    let [one, two] = METHODS.map(Some);
    let [fixed, learned @ ..] = errors(0.8, [None, one, two]);
    println!("fixed {fixed:?}");
    assert!(fixed.count >= 15);
    assert!(fixed.mean_abs > 0.02, "{fixed:?}");
    // Where nothing has drifted it does no harm.
    let still = errors(1.0, [one, two]);
    for ((method, learned), still) in METHODS.iter().zip(learned).zip(still) {
        println!("{method:?} {learned:?}, without drift {still:?}");
        assert!(learned.mean_abs < 0.25 * fixed.mean_abs, "{learned:?}");
        assert!(learned.worst.abs() < 0.02, "{learned:?}");
        assert!(still.worst.abs() < 0.01, "{still:?}");
    }
}

#[test]
fn a_learned_limit_is_stated_on_each_piece_and_with_the_recording() {
    let scenario = drifted(0.8);
    let simulated = simulate(&scenario, 1).unwrap();
    let recording = measure_simulated(&scenario, &simulated, Some(LearnMethod::Otsu));
    let learned = recording.learned.clone().unwrap();
    assert_eq!(learned.refused, None);
    assert_eq!(learned.profile_limit, 62.0);
    // Fat and lean have L 65.7 and 47.2 in four fifths of the light: by hand, L* of 0.8 times their Y.
    assert!((50.0..62.0).contains(&learned.used()), "{learned:?}");
    assert!(learned.separability.unwrap() > 0.75);
    assert!(!recording.pieces.is_empty());
    for piece in &recording.pieces {
        assert!(piece.record.flags.contains(&Flag::Learned));
    }
    let plain = measure_simulated(&scenario, &simulated, None);
    assert_eq!(plain.learned, None);
    assert!(
        plain
            .pieces
            .iter()
            .all(|p| !p.record.flags.contains(&Flag::Learned))
    );
}

#[test]
fn how_a_recording_is_cut_into_frames_does_not_change_what_is_learned() {
    let whole = drifted(0.8);
    let mut cut = drifted(0.8);
    cut.frame_rows = 170;
    for method in METHODS {
        let (one, many) = (
            measure(&whole, 3, Some(method)),
            measure(&cut, 3, Some(method)),
        );
        assert_eq!(one.learned, many.learned);
        assert_eq!(csv(rows(one)), csv(rows(many)));
    }
}

#[test]
fn pieces_of_one_class_teach_nothing_and_it_is_said() {
    let scenario = scenario();
    let mut scene: Scene = scenario.scene(1);
    for piece in &mut scene.pieces {
        piece.pattern = plain();
    }
    let simulated = simulate_scene(&scenario, &scene, 1).unwrap();
    let folder = written(&simulated.frames);
    let calibration = scenario.calibration();
    let fixed = scenario.product();
    let mut learning = fixed.clone();
    learning.learn = Some(rule(LearnMethod::Otsu));
    let (with, _) = measured(folder.path(), &learning, Some(&calibration)).unwrap();
    let (without, _) = measured(folder.path(), &fixed, Some(&calibration)).unwrap();
    let learned = with.learned.clone().unwrap();
    let reason = learned.refused.clone().unwrap();
    assert!(reason.contains("two humps"), "{reason}");
    assert_eq!(learned.used(), 62.0);
    assert_eq!(csv(rows(with)), csv(rows(without)));
}
