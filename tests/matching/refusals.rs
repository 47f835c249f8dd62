//! What cannot be matched is refused, with what to do; what belongs together never is.

use weighlight::agreement::{MatchSettings, Weighing, match_weighings};
use weighlight::tables::PieceRecord;

use crate::generator::{Line, USUAL, at, make, record};

#[track_caller]
fn refused(pieces: &[PieceRecord], weighings: &[Weighing], words: &[&str]) {
    let message = match_weighings(pieces, weighings, &MatchSettings::USUAL)
        .unwrap_err()
        .to_string();
    for word in words {
        assert!(message.contains(word), "“{word}” is not in: {message}");
    }
}

#[test]
fn files_of_different_days_do_not_belong_together() {
    for seed in 0..6 {
        for line in [
            USUAL,
            Line {
                spread: 0.02,
                ..USUAL
            },
            Line { lanes: 4, ..USUAL },
        ] {
            let (one, other) = (make(&line, seed), make(&line, seed + 100));
            refused(
                &one.pieces,
                &other.weighings,
                &["do not belong together", "--lag-within"],
            );
        }
    }
}

#[test]
fn short_files_of_different_days_are_refused_too() {
    let line = Line {
        pieces: 60,
        tests: 0,
        ..USUAL
    };
    for seed in 0..20 {
        let (one, other) = (make(&line, seed), make(&line, seed + 100));
        refused(
            &one.pieces,
            &other.weighings,
            &["too little to tell", "longer stretch"],
        );
    }
}

#[test]
fn files_that_belong_together_are_never_refused() {
    for seed in 0..12 {
        for line in [
            Line {
                pieces: 50,
                tests: 0,
                ..USUAL
            },
            Line {
                pieces: 200,
                spread: 0.02,
                ..USUAL
            },
            Line {
                pieces: 400,
                missing: 0.3,
                noise: 0.03,
                ..USUAL
            },
        ] {
            let made = make(&line, seed);
            let matched = match_weighings(&made.pieces, &made.weighings, &MatchSettings::USUAL);
            assert!(matched.is_ok(), "{line:?} {seed}: {}", matched.unwrap_err());
        }
    }
}

#[test]
fn logs_of_another_time_are_told_with_both_spans() {
    let made = make(&USUAL, 1);
    let mut later = made.weighings.clone();
    for weighing in &mut later {
        weighing.time += jiff::SignedDuration::from_hours(2);
    }
    refused(
        &made.pieces,
        &later,
        &[
            "the pieces were scanned from 2026-03-04 06:00:",
            "2 hours off",
            "--zone",
        ],
    );
    for weighing in &mut later {
        weighing.time += jiff::SignedDuration::from_hours(24 * 9);
    }
    refused(&made.pieces, &later, &["2026-03-13", "the same day"]);
}

#[test]
fn a_wrong_unit_is_named_and_not_mended() {
    let made = make(&USUAL, 2);
    for (factor, words) in [
        (1e-3, "--unit kg"),
        (1e3, "--unit g"),
        (1.0 / 453.592_37, "--unit lb"),
        (1.0 / 28.349_523_125, "--unit oz"),
        (7.0, "same product"),
    ] {
        let mut weighings = made.weighings.clone();
        for weighing in &mut weighings {
            weighing.mass_g *= factor;
        }
        refused(&made.pieces, &weighings, &["the middle weighing is", words]);
    }
}

#[test]
fn too_little_or_too_much_of_the_same_is_refused() {
    let made = make(&USUAL, 3);
    refused(
        &made.pieces[..3],
        &made.weighings,
        &["3 pieces", "at least 8"],
    );
    refused(&made.pieces, &made.weighings[..3], &["3 weighings"]);
    refused(&[], &made.weighings, &["no pieces"]);
    refused(&made.pieces, &[], &["0 weighings"]);
    let mut same = made.weighings.clone();
    for weighing in &mut same {
        weighing.mass_g = 180.0;
    }
    refused(&made.pieces, &same, &["weighings are all the same"]);
    let even: Vec<PieceRecord> = (0..50).map(|k| record(k, None, k as f64, 180.0)).collect();
    refused(&even, &made.weighings, &["estimates are all the same"]);
    let mut timeless = made.pieces.clone();
    for piece in &mut timeless {
        piece.time = None;
    }
    refused(
        &timeless,
        &made.weighings,
        &["no piece has a time", "belt_speed_mm_s"],
    );
}

#[test]
fn a_few_pieces_without_time_or_mass_are_counted_and_stop_nothing() {
    let mut made = make(&USUAL, 4);
    made.pieces[10].time = None;
    made.pieces[20].mass_g = f64::NAN;
    made.pieces[30].mass_g = 0.0;
    let matching = match_weighings(&made.pieces, &made.weighings, &MatchSettings::USUAL).unwrap();
    assert_eq!(matching.counts().pieces_unusable, 3);
    assert!(matching.counts().pieces_weighed > 1330);
}

#[test]
fn too_few_to_tell_says_so() {
    // Twelve pieces with masses that nearly agree: nothing can be told of them.
    let line = Line {
        pieces: 12,
        spread: 0.002,
        tests: 0,
        missing: 0.0,
        doubles: 0.0,
        ..USUAL
    };
    let made = make(&line, 5);
    let weighings: Vec<Weighing> = made
        .weighings
        .iter()
        .enumerate()
        .map(|(k, it)| Weighing {
            time: at(100.0 + 3.0 * k as f64),
            mass_g: 180.0 + (k * 7 % 5) as f64,
            ..it.clone()
        })
        .collect();
    assert!(match_weighings(&made.pieces, &weighings, &MatchSettings::USUAL).is_err());
}
