//! What checks say together: false alarms as theory has them, changes called and tied to events, trends with their date.

use std::time::Instant;

use jiff::SignedDuration;
use weighlight::drift::DriftReport;
use weighlight::history::{
    ChangeCause, Log, Meeting, NewEntry, Review, ReviewSettings, Series, read_log, review,
};
use weighlight::report::history_page;

use crate::sample::{Noise, PARAMETERS, check, day, event, report, write_log};

/// Checks, then events, in a log of their own.
fn log_of(checks: impl IntoIterator<Item = DriftReport>, events: &[(&str, i64)]) -> Log {
    let folder = tempfile::tempdir().unwrap();
    let checks: Vec<DriftReport> = checks.into_iter().collect();
    let events = events
        .iter()
        .map(|(note, number)| event(note, day(*number) - SignedDuration::from_hours(2)));
    write_log(folder.path(), checks.iter().map(check).chain(events));
    read_log(folder.path(), "line-2").unwrap()
}

fn daily(days: i64, seed: u64, moved: impl Fn(i64) -> [f64; 9]) -> Vec<DriftReport> {
    let mut noise = Noise::new(seed);
    (0..days)
        .map(|i| report(&format!("check_{i:05}"), day(i), moved(i), &mut noise))
        .collect()
}

fn only(parameter: usize, by: f64) -> [f64; 9] {
    let mut moved = [0.0; 9];
    moved[parameter] = by;
    moved
}

fn series<'a>(review: &'a Review, name: &str) -> &'a Series {
    review.series.iter().find(|it| it.name == name).unwrap()
}

/// 1,000 checks in control, nine errors each: calls are as many as run lengths say, and no lasting change is seen.
#[test]
fn a_scanner_in_control_is_called_as_often_as_chance_has_it() {
    let log = log_of(daily(1000, 5, |_| [0.0; 9]), &[]);
    let review = review(&log, &ReviewSettings::USUAL);
    let errors = &review.series[..9];
    let charted = errors.iter().flat_map(|it| &it.charted).flatten().count();
    assert_eq!(charted, 9 * 992);
    // How many separate calls: a run of points outside counts once, as a run length does.
    let calls = |rule: &str| -> usize {
        let starts = |it: &Series| {
            let at: Vec<usize> = it
                .signals
                .iter()
                .filter(|s| s.rules.contains(&rule))
                .map(|s| s.index)
                .collect();
            at.iter()
                .enumerate()
                .filter(|(i, index)| *i == 0 || at[i - 1] + 1 < **index)
                .count()
        };
        errors.iter().map(starts).sum()
    };
    // Theory: 8928/370.4 = 24, 8928/500 = 18, 8928/465 = 19. The bounds are four standard deviations of such counts; sums
    // and averages that wander about their limit call more than once.
    let beyond = calls("1 beyond 3 s");
    assert!((5..=44).contains(&beyond), "{beyond}");
    for (rule, most) in [("EWMA", 40), ("CUSUM", 42)] {
        let found = calls(rule);
        assert!((2..=most).contains(&found), "{rule}: {found}");
    }
    let changes: usize = errors.iter().map(|it| it.changes.len()).sum();
    assert!(changes <= 1, "{changes} changes");
    let trends = errors.iter().filter(|it| it.trend.is_some()).count();
    assert!(trends <= 1, "{trends} trends");
}

/// A change of 0.05 % in any scale is called within 5 checks, and seen as a lasting change of that size.
#[test]
fn half_a_permille_in_any_scale_is_called_with_five_checks() {
    for (parameter, (name, ..)) in PARAMETERS.into_iter().enumerate().take(3) {
        for (run, sign) in [1.0, -1.0, 1.0, -1.0].into_iter().enumerate() {
            let step = sign * 0.000_5;
            let moved = |i| {
                if i < 40 {
                    [0.0; 9]
                } else {
                    only(parameter, step)
                }
            };
            let log = log_of(daily(45, 20 + run as u64, moved), &[]);
            let review = review(&log, &ReviewSettings::USUAL);
            let found = series(&review, name);
            assert!(!found.calls_now().is_empty());
            assert_eq!(found.changes.len(), 1, "{:?}", found.changes);
            let change = &found.changes[0];
            assert_eq!(change.index, 40);
            assert!((change.after - change.before - step).abs() < 4.0 * change.u);
            assert!(change.u < 0.000_04);
            assert_eq!(change.cause, ChangeCause::Unknown);
        }
    }
}

#[test]
fn a_change_is_tied_to_the_event_that_was_noted_and_starts_new_limits() {
    let moved = |i| if i < 60 { [0.0; 9] } else { only(1, 0.0004) };
    let log = log_of(
        daily(120, 3, moved),
        &[("belt changed", 60), ("lamp wiped", 20)],
    );
    let review = review(&log, &ReviewSettings::USUAL);
    let along = series(&review, "along_scale");
    assert_eq!(along.changes.len(), 1);
    match &along.changes[0].cause {
        ChangeCause::Event {
            note,
            after,
            sequence,
        } => {
            assert_eq!((note.as_str(), *sequence), ("belt changed", 121));
            assert_eq!(*after, SignedDuration::from_hours(2));
        }
        other => panic!("{other:?}"),
    }
    let starts: Vec<usize> = along.phases.iter().map(|it| it.start).collect();
    assert_eq!(starts, [0, 60]);
    assert!((along.phases[1].learned.unwrap().centre - 1.0004).abs() < 3e-5);
    assert!(along.calls_now().is_empty());
    // What the belt did not move keeps its limits.
    assert_eq!(series(&review, "height_scale").phases.len(), 1);
}

#[test]
fn another_target_is_a_cause_too() {
    let mut checks = daily(60, 3, |i| if i < 30 { [0.0; 9] } else { only(2, 0.0006) });
    for made in &mut checks[30..] {
        made.target = "frustum plate B".to_owned();
    }
    let review = review(&log_of(checks, &[]), &ReviewSettings::USUAL);
    let cause = &series(&review, "height_scale").changes[0].cause;
    assert!(
        matches!(cause, ChangeCause::Target { to, .. } if to == "frustum plate B"),
        "{cause:?}"
    );
}

/// A drift of 0.00001 a day meets a tolerance of 0.002 after 200 days: the interval holds that day in at least 90 of
/// 100 runs, and steps are not mistaken for it.
#[test]
fn a_slow_trend_names_the_day_on_which_it_meets_the_tolerance() {
    let mut held = 0;
    const RUNS: u64 = 40;
    for seed in 0..RUNS {
        let log = log_of(daily(100, 100 + seed, |i| only(2, 0.00001 * i as f64)), &[]);
        let review = review(&log, &ReviewSettings::USUAL);
        let height = series(&review, "height_scale");
        assert!(height.changes.is_empty(), "{:?}", height.changes);
        let trend = height.trend.as_ref().unwrap();
        assert!((trend.per_day - 0.00001).abs() < 5.0 * trend.per_day_u);
        match &trend.meeting {
            Some(Meeting::At {
                date,
                earliest,
                latest,
                limit,
            }) => {
                assert!((limit - 1.002).abs() < 1e-12);
                let (earliest, latest) = (earliest.unwrap(), latest.unwrap());
                assert!(earliest < *date && *date < latest);
                held += u64::from(earliest <= day(200) && day(200) <= latest);
            }
            other => panic!("{other:?}"),
        }
    }
    assert!(held * 100 >= 85 * RUNS, "{held} of {RUNS}");
}

/// Three operators, three occasions, four checks each: the spread of checks and between operators is found again.
#[test]
fn repeated_checks_of_operators_make_a_gauge_study() {
    let folder = tempfile::tempdir().unwrap();
    let mut noise = Noise::new(12);
    let mut made = Vec::new();
    for occasion in 0..3 {
        for trial in 0..4 {
            for (who, bias) in [("Ada", 0.0), ("Ben", 0.3), ("Cy", -0.3)] {
                let time = day(10 * occasion) + SignedDuration::from_mins(20 * trial);
                let scan = format!("{who}-{occasion}-{trial}");
                made.push((who, report(&scan, time, only(4, bias), &mut noise)));
            }
        }
    }
    // A check by somebody alone does not count.
    made.push(("Dan", report("alone", day(40), [0.0; 9], &mut noise)));
    let entries = made.iter().map(|(who, made)| NewEntry {
        operator: Some(who),
        ..check(made)
    });
    write_log(folder.path(), entries);
    let log = read_log(folder.path(), "line-2").unwrap();
    let gauge = review(&log, &ReviewSettings::USUAL).gauge.unwrap();
    assert_eq!(gauge.operators, ["Ada", "Ben", "Cy"]);
    assert_eq!(gauge.entries.len(), 36);
    let roll = gauge
        .parameters
        .iter()
        .find(|it| it.name == "roll_mrad")
        .unwrap();
    assert_eq!(
        (roll.study.parts, roll.study.operators, roll.study.trials),
        (3, 3, 4)
    );
    assert!(
        (roll.study.repeatability - 0.04).abs() < 0.02,
        "{}",
        roll.study.repeatability
    );
    assert!(
        (roll.study.reproducibility - 0.3).abs() < 0.05,
        "{}",
        roll.study.reproducibility
    );
    assert!(
        (roll.share_of_tolerance - 0.9).abs() < 0.2,
        "{}",
        roll.share_of_tolerance
    );
    let pitch = gauge
        .parameters
        .iter()
        .find(|it| it.name == "pitch_mrad")
        .unwrap();
    assert!(pitch.study.reproducibility < 0.05);
}

#[test]
fn few_checks_set_no_limits_and_equal_ones_stop_nothing() {
    let review_of = |checks| review(&log_of(checks, &[]), &ReviewSettings::USUAL);
    let few = review_of(daily(7, 1, |_| [0.0; 9]));
    assert!(
        few.series
            .iter()
            .all(|it| it.phases[0].learned.is_none() && it.signals.is_empty())
    );
    let mut equal = daily(30, 1, |_| [0.0; 9]);
    for made in &mut equal {
        made.surface.noise_mm = 0.05;
        made.parameters[3].value = None;
    }
    let equal = review_of(equal);
    assert!(series(&equal, "noise_mm").phases[0].learned.is_none());
    assert!(equal.series.iter().all(|it| it.name != "height_offset_mm"));
    assert_eq!(
        review(&log_of([], &[("belt changed", 1)]), &ReviewSettings::USUAL).checks,
        0
    );
}

/// Ten years of daily checks with events, steps and a drift, read and looked at. The time is a bound for a busy machine;
/// what is typical stands in docs/performance.md.
#[test]
fn ten_years_of_daily_checks_are_looked_at_in_a_second() {
    let steps = |i: i64| only(1, (i / 400) as f64 * 0.0002);
    let folder = tempfile::tempdir().unwrap();
    let checks = daily(3650, 2, steps);
    let events = (1..10).map(|i| event("belt changed", day(400 * i)));
    write_log(folder.path(), checks.iter().map(check).chain(events));
    let clock = Instant::now();
    let log = read_log(folder.path(), "line-2").unwrap();
    let read = clock.elapsed();
    let review = review(&log, &ReviewSettings::USUAL);
    let looked = clock.elapsed();
    let page = history_page(&log, &review, day(3650)).unwrap();
    let all = clock.elapsed();
    println!(
        "read {read:?}, looked at {looked:?}, page {all:?}, {} bytes",
        page.len()
    );
    if let Some(folder) = std::env::var_os("PAGES") {
        std::fs::write(std::path::Path::new(&folder).join("ten-years.html"), &page).unwrap();
    }
    assert!(log.damage.is_empty(), "{:?}", &log.damage[..1]);
    assert_eq!(review.checks, 3650);
    assert_eq!(series(&review, "along_scale").changes.len(), 9);
    assert!(all.as_secs_f64() < 3.0, "{all:?}");
}

/// Over many series, charts that learn their limits run as long in control as charts whose limits are known.
#[test]
fn charts_that_learn_run_as_long_as_theory_says() {
    // 40 scanners with nine errors and 400 checks each: 141,120 charted points.
    let (mut beyond, mut zones, mut charted) = (0, 0, 0);
    let (mut sums, mut averages) = (0, 0);
    for seed in 0..40 {
        let log = log_of(daily(400, 500 + seed, |_| [0.0; 9]), &[]);
        for found in &review(&log, &ReviewSettings::USUAL).series[..9] {
            charted += found.charted.iter().flatten().count();
            let first = |rule: &str| {
                let at = found.signals.iter().find(|it| it.rules.contains(&rule))?;
                Some(at.index - 7)
            };
            beyond += found
                .signals
                .iter()
                .filter(|it| it.rules.contains(&"1 beyond 3 s"))
                .count();
            zones += usize::from(found.breaks.first().is_some_and(|it| it.index - 7 <= 92));
            averages += usize::from(first("EWMA").is_some());
            sums += usize::from(first("CUSUM").is_some());
        }
    }
    let near = |found: usize, expected: f64, of: f64| {
        // Four standard deviations, and a tenth for the memory that charts of sums have at their start.
        let spread = 4.0 * (expected * (1.0 - expected / of)).sqrt() + 0.1 * expected;
        assert!(
            (found as f64 - expected).abs() < spread,
            "{found}, expected {expected}"
        );
    };
    near(beyond, charted as f64 / 370.4, charted as f64);
    // Run lengths are close to exponential: of 360 charts, 1 − exp(−points/ARL) call at least once.
    let share = |points: f64, run_length: f64| 360.0 * (1.0 - (-points / run_length).exp());
    near(zones, share(92.0, 91.75), 360.0);
    near(averages, share(392.0, 500.0), 360.0);
    near(sums, share(392.0, 465.0), 360.0);
}
