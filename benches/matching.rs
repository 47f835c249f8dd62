//! How many weighings are matched rightly, whether files that do not belong together are seen, and how long it takes: a table for people.
//!
//! `cargo bench --bench matching -- [--seeds N] [--only NAME] [--shift]`
//!
//! Days are those of `weighlight simulate day`. "right": accepted matches of single pieces that are right; "found": true pairs of a piece weighed
//! alone that were accepted; both over all seeds, and for the worst day. "expected": wrong matches that the stated probabilities announce. "refused":
//! pairs of one day's pieces with another day's log that were refused, and true pairs that were refused (false alarms). `--shift` adds days of
//! 30 000 pieces.

use std::time::Instant;

use weighlight::agreement::{MatchSettings, Weighing, match_weighings};
use weighlight::simulate::{Day, SimulatedDay, simulate_day};

type Outcome<T> = Result<T, Box<dyn std::error::Error>>;

#[derive(Default)]
struct Sum {
    days: usize,
    accepted: usize,
    right: usize,
    pairs: usize,
    expected: f64,
    worst_right: f64,
    worst_found: f64,
    doubles: usize,
    doubles_accepted: usize,
    doubles_right: usize,
    alarms: usize,
    strangers: usize,
    strangers_refused: usize,
    least_sigmas: f64,
    seconds: f64,
}

fn main() -> Outcome<()> {
    let (mut seeds, mut only, mut shift) = (20u64, None, false);
    let mut arguments = std::env::args().skip(1);
    while let Some(argument) = arguments.next() {
        match argument.as_str() {
            "--seeds" => {
                seeds = arguments
                    .next()
                    .and_then(|it| it.parse().ok())
                    .unwrap_or(seeds)
            }
            "--only" => only = arguments.next(),
            "--shift" => shift = true,
            _ => {}
        }
    }
    println!(
        "{:<34}{:>5}{:>9}{:>8}{:>9}{:>8}{:>7}{:>10}{:>10}{:>8}{:>10}{:>8}{:>7}",
        "day",
        "days",
        "right %",
        "worst",
        "found %",
        "worst",
        "wrong",
        "expected",
        "doubles %",
        "right %",
        "strangers",
        "alarms",
        "s"
    );
    for (name, day) in days(shift) {
        if only
            .as_ref()
            .is_some_and(|only| !name.contains(only.as_str()))
        {
            continue;
        }
        let days = if day.pieces > 10_000 { 1 } else { seeds };
        show(name, &run(&day, days)?);
    }
    Ok(())
}

fn days(shift: bool) -> Vec<(&'static str, Day)> {
    let usual = Day::usual;
    let mut days = vec![
        ("usual", usual()),
        (
            "10 % missing, 5 % double",
            Day {
                missing: 0.10,
                doubles: 0.05,
                ..usual()
            },
        ),
        (
            "mass spread 5 %",
            Day {
                mass_spread: 0.05,
                ..usual()
            },
        ),
        (
            "mass spread 15 %",
            Day {
                mass_spread: 0.15,
                ..usual()
            },
        ),
        (
            "mass spread 2 %",
            Day {
                mass_spread: 0.02,
                ..usual()
            },
        ),
        (
            "mass spread 2 %, none swapped",
            Day {
                mass_spread: 0.02,
                swaps: 0.0,
                ..usual()
            },
        ),
        (
            "four lanes over one scale",
            Day {
                lanes: 4,
                ..usual()
            },
        ),
        (
            "clock of whole seconds",
            Day {
                clock_step_s: 1.0,
                ..usual()
            },
        ),
        (
            "times scatter by 0.3 s",
            Day {
                jitter_s: 0.3,
                ..usual()
            },
        ),
        (
            "150 pieces",
            Day {
                pieces: 150,
                ..usual()
            },
        ),
        (
            "40 pieces",
            Day {
                pieces: 40,
                test_weights: 0,
                ..usual()
            },
        ),
    ];
    if shift {
        let long = |lanes| Day {
            pieces: 30_000,
            lanes,
            ..usual()
        };
        days.push(("shift of 30 000", long(1)));
        days.push(("shift of 30 000 in four lanes", long(4)));
    }
    days
}

fn weighings(day: &SimulatedDay) -> Vec<Weighing> {
    day.log
        .iter()
        .enumerate()
        .map(|(at, row)| Weighing {
            log_row: at + 1,
            time: row.time,
            mass_g: row.mass_g,
            lane: None,
        })
        .collect()
}

fn run(day: &Day, seeds: u64) -> Outcome<Sum> {
    let mut sum = Sum {
        worst_right: 1.0,
        worst_found: 1.0,
        least_sigmas: f64::INFINITY,
        ..Sum::default()
    };
    for seed in 0..seeds {
        let made = simulate_day(day, seed)?;
        let log = weighings(&made);
        let started = Instant::now();
        let matched = match_weighings(&made.pieces, &log, &MatchSettings::USUAL);
        sum.seconds += started.elapsed().as_secs_f64();
        sum.days += 1;
        if day.pieces <= 10_000 {
            let stranger = weighings(&simulate_day(day, seed + 10_000)?);
            sum.strangers += 1;
            sum.strangers_refused += usize::from(
                match_weighings(&made.pieces, &stranger, &MatchSettings::USUAL).is_err(),
            );
        }
        let Ok(matched) = matched else {
            sum.alarms += 1;
            continue;
        };
        let (mut accepted, mut right) = (0, 0);
        for found in &matched.matches {
            let is_right = found.pieces == made.log[found.weighing].pieces;
            if found.pieces.len() == 1 {
                accepted += 1;
                right += usize::from(is_right);
            } else {
                sum.doubles_accepted += 1;
                sum.doubles_right += usize::from(is_right);
            }
        }
        let of = |many: usize| made.log.iter().filter(|it| it.pieces.len() == many).count();
        sum.accepted += accepted;
        sum.right += right;
        sum.pairs += of(1);
        sum.doubles += of(2);
        sum.expected += matched.wrong_expected;
        sum.worst_right = sum.worst_right.min(right as f64 / accepted.max(1) as f64);
        sum.worst_found = sum.worst_found.min(right as f64 / of(1).max(1) as f64);
        sum.least_sigmas = sum.least_sigmas.min(matched.likeness_sigmas);
    }
    Ok(sum)
}

fn show(name: &str, sum: &Sum) {
    let percent = |part: usize, of: usize| 100.0 * part as f64 / of.max(1) as f64;
    println!(
        "{name:<34}{:>5}{:>9.2}{:>8.2}{:>9.2}{:>8.2}{:>7}{:>10.1}{:>10.1}{:>8.1}{:>10}{:>8}{:>7.2}",
        sum.days,
        percent(sum.right, sum.accepted),
        100.0 * sum.worst_right,
        percent(sum.right, sum.pairs),
        100.0 * sum.worst_found,
        sum.accepted - sum.right,
        sum.expected,
        percent(sum.doubles_right, sum.doubles),
        percent(sum.doubles_right, sum.doubles_accepted),
        format!("{}/{}", sum.strangers_refused, sum.strangers),
        sum.alarms,
        sum.seconds / sum.days.max(1) as f64,
    );
}
