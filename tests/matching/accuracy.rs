//! Matches against the truth; over many seeds and further lines in `benches/matching.rs`.

use weighlight::agreement::{
    MatchSettings, Matching, PieceFate, WeighingFate, match_weighings, paired_pieces,
};

use crate::generator::{Line, Made, USUAL, make};

struct Judged {
    accepted: usize,
    right: usize,
    single_pairs: usize,
    doubles_right: usize,
    doubles: usize,
}

fn matched(made: &Made) -> Matching {
    match_weighings(&made.pieces, &made.weighings, &MatchSettings::USUAL).unwrap()
}

fn judged(made: &Made, matching: &Matching) -> Judged {
    let singles = |many: usize| made.truth.iter().filter(|it| it.len() == many).count();
    let mut judged = Judged {
        accepted: 0,
        right: 0,
        single_pairs: singles(1),
        doubles_right: 0,
        doubles: singles(2),
    };
    for found in &matching.matches {
        let is_right = found.pieces == made.truth[found.weighing];
        if found.pieces.len() == 1 {
            judged.accepted += 1;
            judged.right += usize::from(is_right);
        } else {
            judged.doubles_right += usize::from(is_right);
        }
    }
    judged
}

/// Over some seeds together: share of accepted matches that are right, and of true pairs that were found.
#[track_caller]
fn check(line: &Line, seeds: std::ops::Range<u64>, right: f64, found: f64) {
    let (mut accepted, mut good, mut pairs, mut expected) = (0, 0, 0, 0.0);
    for seed in seeds {
        let made = make(line, seed);
        let matching = matched(&made);
        let judged = judged(&made, &matching);
        accepted += judged.accepted;
        good += judged.right;
        pairs += judged.single_pairs;
        expected += matching.wrong_expected;
    }
    let wrong = accepted - good;
    assert!(
        good as f64 >= right * accepted as f64,
        "{good} of {accepted} right"
    );
    assert!(
        good as f64 >= found * pairs as f64,
        "{good} of {pairs} found"
    );
    // The stated probabilities are no empty words: wrong matches are about as many as they say.
    assert!(
        (wrong as f64) < 4.0 * expected + 6.0,
        "{wrong} wrong, {expected:.1} expected"
    );
}

#[test]
fn a_usual_day_is_matched_rightly() {
    check(&USUAL, 0..4, 0.995, 0.98);
}

#[test]
fn a_day_with_many_missing_and_double_is_matched_rightly() {
    let line = Line {
        missing: 0.10,
        doubles: 0.05,
        ..USUAL
    };
    check(&line, 10..14, 0.99, 0.97);
}

#[test]
fn masses_that_hardly_differ_are_matched_by_time_and_order() {
    let line = Line {
        spread: 0.02,
        swaps: 0.0,
        ..USUAL
    };
    check(&line, 20..22, 0.99, 0.95);
}

#[test]
fn lanes_over_one_scale_are_matched_rightly() {
    let line = Line { lanes: 4, ..USUAL };
    check(&line, 30..32, 0.99, 0.93);
}

#[test]
fn a_scale_for_each_lane_is_matched_rightly_whatever_its_lanes_are_called() {
    let line = Line {
        lanes: 4,
        scale_a_lane: true,
        ..USUAL
    };
    check(&line, 40..41, 0.99, 0.96);
    // The checkweigher counts its lanes from the other side.
    let mut made = make(&line, 41);
    for weighing in &mut made.weighings {
        weighing.lane = weighing.lane.map(|lane| 5 - lane);
    }
    let matching = matched(&made);
    for (lane, weighed, share) in &matching.lanes {
        assert_eq!(lane + weighed, 5);
        assert!(*share > 0.95, "{share}");
    }
    let judged = judged(&made, &matching);
    assert!(judged.right as f64 > 0.96 * judged.single_pairs as f64);
}

#[test]
fn the_clocks_are_found_with_an_honest_uncertainty() {
    let mut off = Vec::new();
    for seed in 50..56 {
        let made = make(&USUAL, seed);
        let clocks = matched(&made).clocks;
        let middle_s = clocks
            .middle
            .duration_since(crate::generator::start())
            .as_secs_f64();
        let lag_s = 37.0 + 300e-6 * middle_s;
        assert!((clocks.lag_s - lag_s).abs() < 0.02, "{clocks:?}");
        assert!((clocks.rate - 300e-6).abs() < 30e-6, "{clocks:?}");
        off.push((clocks.lag_s - lag_s) / clocks.lag_u_s.unwrap());
        off.push((clocks.rate - 300e-6) / clocks.rate_u.unwrap());
        assert!((clocks.scatter_s - 0.05).abs() < 0.01, "{clocks:?}");
    }
    let rms = (off.iter().map(|it| it * it).sum::<f64>() / off.len() as f64).sqrt();
    assert!((0.4..2.2).contains(&rms), "{rms} {off:?}");
}

#[test]
fn what_was_left_out_is_named() {
    let made = make(&USUAL, 60);
    let matching = matched(&made);
    let counts = matching.counts();
    assert_eq!(matching.test_weights_g, [500.0]);
    assert_eq!(counts.weighings_test, 6);
    let judged = judged(&made, &matching);
    assert!(judged.doubles_right + 3 >= judged.doubles);
    // Each piece and each weighing has one fate.
    assert_eq!(matching.pieces.len(), made.pieces.len());
    assert_eq!(matching.weighings.len(), made.weighings.len());
    assert_eq!(
        counts.pieces_weighed,
        matching
            .matches
            .iter()
            .filter(|it| it.pieces.len() == 1)
            .count()
    );
    let weighed: Vec<usize> = made.truth.iter().flatten().copied().collect();
    let missed_right = matching
        .pieces
        .iter()
        .enumerate()
        .filter(|(at, fate)| **fate == PieceFate::NotWeighed && !weighed.contains(at))
        .count();
    let missed = made.pieces.len() - weighed.len();
    assert!(
        missed_right as f64 > 0.9 * missed as f64,
        "{missed_right} of {missed}"
    );
    assert!(counts.pieces_not_weighed <= missed + 2);
    let pairs = paired_pieces(&made.pieces, &made.weighings, &matching);
    assert_eq!(pairs.len(), counts.pieces_weighed);
    assert!(
        pairs
            .windows(2)
            .all(|pair| pair[0].piece_row < pair[1].piece_row)
    );
}

#[test]
fn a_log_that_starts_late_and_ends_early_leaves_the_ends_without_weighing() {
    let mut made = make(&USUAL, 61);
    let (first, last) = (300, made.weighings.len() - 200);
    made.weighings = made.weighings[first..last].to_vec();
    made.truth = made.truth[first..last].to_vec();
    let matching = matched(&made);
    let counts = matching.counts();
    assert!(counts.pieces_outside_log > 450, "{counts:?}");
    let judged = judged(&made, &matching);
    assert!(judged.right as f64 >= 0.98 * judged.single_pairs as f64);
    assert!(judged.right as f64 >= 0.99 * judged.accepted as f64);
    assert!(
        !matching
            .weighings
            .iter()
            .any(|it| matches!(it, WeighingFate::OutsideScans)),
        "{counts:?}"
    );
}

#[test]
fn unsorted_rows_and_coarse_times_still_match() {
    let mut made = make(&USUAL, 62);
    for weighing in &mut made.weighings {
        // Whole seconds, cut off as clocks do.
        let seconds = weighing.time.as_second();
        weighing.time = jiff::Timestamp::from_second(seconds).unwrap();
    }
    let matching = matched(&made);
    let coarse = judged(&made, &matching);
    assert!(coarse.right as f64 >= 0.985 * coarse.accepted as f64);
    assert!(coarse.right as f64 >= 0.90 * coarse.single_pairs as f64);
    // The newest row first.
    made.weighings.reverse();
    made.truth.reverse();
    let turned = judged(&made, &matched(&made));
    assert_eq!(
        (turned.accepted, turned.right),
        (coarse.accepted, coarse.right)
    );
}
