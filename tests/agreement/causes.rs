//! Causes named on days with known faults; many more days in `benches/causes.rs`.

use proptest::prelude::*;
use weighlight::agreement::PairedPiece;
use weighlight::agreement::causes::{Cause, CauseSettings, Causes, TargetCheck, find_causes};

use crate::generator::{Day, Fault};

const DAYS: u64 = 30;

fn find(pairs: &[PairedPiece]) -> Causes {
    find_causes(pairs, &CauseSettings::default()).unwrap()
}

/// Days on which the fault leads or is in the set, alone, and those on which its interval holds the true size.
#[track_caller]
fn check(fault: Fault, size: f64, is_named: impl Fn(&Cause) -> bool) {
    let (mut named, mut covered) = (0, 0);
    for seed in 0..DAYS {
        let report = find(&Day::of(&[fault]).pairs(1000 + seed));
        let [it] = report.named.as_slice() else {
            continue;
        };
        let others = it
            .confounded_with
            .iter()
            .map(|other| (&other.cause, &other.size));
        let found = std::iter::once((&it.cause, &it.size))
            .chain(others)
            .find(|(cause, _)| is_named(cause));
        if let Some((_, found)) = found {
            named += 1;
            covered += u64::from(found.value.holds(size));
        }
    }
    assert!(
        named >= DAYS - 2,
        "{fault:?}: named on {named} of {DAYS} days"
    );
    assert!(
        covered + 4 >= named,
        "{fault:?}: size held on {covered} of {named}"
    );
}

#[test]
fn single_faults_are_named_with_their_size() {
    let fat = |it: &Cause| matches!(it, Cause::Class { class } if class == "fat");
    let volume = |it: &Cause| *it == Cause::DensityOrScale;
    let belt = |it: &Cause| *it == Cause::BeltHeight;
    check(Fault::Density(0.01), 1.0, volume);
    check(Fault::Density(-0.01), -1.0, volume);
    check(Fault::FatDensity(0.05), 5.0, fat);
    check(Fault::FatDensity(-0.05), -5.0, fat);
    check(Fault::BeltMm(0.3), 0.3, belt);
    check(Fault::BeltMm(-0.3), -0.3, belt);
    check(Fault::Lane(3, 0.01), 1.0, |it| {
        *it == Cause::Lane { lane: 3 }
    });
    check(Fault::Drift(0.01), 1.0, |it| *it == Cause::Drift);
    check(Fault::Step(0.5, 0.01), 1.0, |it| {
        matches!(it, Cause::Step { .. })
    });
    check(Fault::WarmUp(0.03), 3.0, |it| {
        matches!(it, Cause::WarmUp { .. })
    });
    check(Fault::Touching(0.03), 3.0, |it| *it == Cause::Touching);
    check(Fault::Hidden(0.8), 8.0, |it| *it == Cause::Hidden);
    check(Fault::FixedG(2.5), 2.5, |it| *it == Cause::FixedMass);
}

#[test]
fn clean_days_have_no_cause() {
    let clean = (0..60)
        .filter(|seed| find(&Day::of(&[]).pairs(5000 + seed)).named.is_empty())
        .count();
    assert!(clean >= 57, "{clean} of 60");
}

#[test]
fn a_steps_moment_is_told_with_its_interval() {
    let report = find(&Day::of(&[Fault::Step(0.5, 0.02)]).pairs(3));
    let Cause::Step {
        at,
        earliest,
        latest,
    } = report.named[0].cause
    else {
        panic!("{:?}", report.named);
    };
    let noon: jiff::Timestamp = "2026-03-04T10:00:00Z".parse().unwrap();
    assert!(earliest <= noon && noon <= latest, "{earliest} to {latest}");
    assert!(earliest <= at && at <= latest);
    let minutes = latest.duration_since(earliest).as_secs() / 60;
    assert!(minutes < 60, "{minutes} min");
}

#[test]
fn two_faults_at_once_are_both_named() {
    let report = find(&Day::of(&[Fault::Density(0.02), Fault::Lane(2, -0.015)]).pairs(4));
    let causes: Vec<&Cause> = report.named.iter().map(|it| &it.cause).collect();
    assert!(
        causes.contains(&&Cause::DensityOrScale) && causes.contains(&&Cause::Lane { lane: 2 }),
        "{causes:?}"
    );
    assert_eq!(causes.len(), 2);
    assert!(report.rms_without_fraction < 0.011 && report.rms_fraction > 0.018);
}

#[test]
fn a_target_check_tells_scales_from_densities() {
    let pairs = Day::of(&[Fault::Density(0.01)]).pairs(5);
    let with = |relative: f64| {
        let check = Some(TargetCheck {
            relative,
            relative_u: 0.0003,
        });
        let settings = CauseSettings {
            check,
            ..CauseSettings::default()
        };
        find_causes(&pairs, &settings).unwrap()
    };
    let names = |report: &Causes| -> Vec<Cause> {
        report.named.iter().map(|it| it.cause.clone()).collect()
    };
    assert_eq!(names(&with(0.0)), [Cause::Density]);
    assert_eq!(names(&with(0.01)), [Cause::Scale]);
    let both = with(0.006);
    assert_eq!(both.named.len(), 2, "{both:?}");
    for it in &both.named {
        let expected = if it.cause == Cause::Scale { 0.6 } else { 0.4 };
        assert!(it.size.value.holds(expected), "{it:?}");
    }
    // A check that excludes the scales invents nothing on a clean day; one that sees a change which weighings do not show is believed, and a
    // density makes up for it.
    let clean = Day::of(&[]).pairs(5);
    let settings = CauseSettings {
        check: Some(TargetCheck {
            relative: 0.0,
            relative_u: 0.0003,
        }),
        ..CauseSettings::default()
    };
    assert!(find_causes(&clean, &settings).unwrap().named.is_empty());
    let settings = CauseSettings {
        check: Some(TargetCheck {
            relative: 0.01,
            relative_u: 0.0003,
        }),
        ..CauseSettings::default()
    };
    let report = find_causes(&clean, &settings).unwrap();
    for it in &report.named {
        let expected = if it.cause == Cause::Scale { 1.0 } else { -1.0 };
        assert!(it.size.value.holds(expected), "{it:?}");
    }
    assert_eq!(report.named.len(), 2);
}

#[test]
fn what_data_cannot_tell_apart_is_said_to_be_confounded() {
    // Heights that vary by 4 % only: a density and the belt's height leave nearly the same.
    let day = Day {
        height_sd_mm: 1.0,
        ..Day::of(&[Fault::Density(0.01)])
    };
    let confounded = (0..10)
        .map(|seed| find(&day.pairs(seed)))
        .filter(|report| {
            let it = &report.named[0];
            let kinds = std::iter::once(&it.cause)
                .chain(it.confounded_with.iter().map(|other| &other.cause));
            let kinds: Vec<&Cause> = kinds.collect();
            kinds.contains(&&Cause::DensityOrScale) && kinds.contains(&&Cause::BeltHeight)
        })
        .count();
    assert!(confounded >= 9, "{confounded} of 10");
    let report = find(&day.pairs(0));
    let words = report.in_words().join("\n");
    assert!(
        words.contains("confounded") && words.contains("weigh thick and thin pieces"),
        "{words}"
    );
    // Not at all: then it is not examined, and the report says so.
    let flat = Day {
        height_sd_mm: 0.0,
        ..day
    };
    let report = find(&flat.pairs(1));
    assert!(
        report
            .unexamined
            .iter()
            .any(|it| it.what == "height of the belt"),
        "{report:?}"
    );
}

#[test]
fn pairs_that_do_not_belong_together_are_set_aside_and_told() {
    let day = Day {
        mismatched: 0.02,
        ..Day::of(&[Fault::Density(0.02)])
    };
    let report = find(&day.pairs(6));
    assert_eq!(report.named[0].cause, Cause::DensityOrScale);
    assert!(report.named[0].size.value.holds(2.0), "{report:?}");
    assert!(
        report.matching.is_trouble && report.matching.far_off >= 12,
        "{:?}",
        report.matching
    );
    assert!(
        report.matching.swapped * 2 > report.matching.far_off,
        "{:?}",
        report.matching
    );
    let clean = find(&Day::of(&[]).pairs(6));
    assert!(!clean.matching.is_trouble, "{:?}", clean.matching);
}

#[test]
fn the_checkweighers_own_noise_is_taken_into_account() {
    let day = Day {
        scale_sd_g: 1.5,
        noise: 0.005,
        ..Day::of(&[Fault::FatDensity(0.05)])
    };
    let settings = CauseSettings {
        scale_sd_g: Some(1.5),
        check: None,
    };
    let report = find_causes(&day.pairs(7), &settings).unwrap();
    assert!(matches!(&report.named[0].cause, Cause::Class { class } if class == "fat"));
    assert!(report.named[0].size.value.holds(5.0), "{report:?}");
}

#[test]
fn without_colour_lanes_or_times_the_rest_is_still_told() {
    let mut pairs = Day::of(&[Fault::Density(0.02)]).pairs(8);
    let at = pairs[0].scanned;
    for pair in &mut pairs {
        pair.record.classes.clear();
        pair.record.lane = None;
        pair.scanned = at;
    }
    let report = find(&pairs);
    assert_eq!(report.named[0].cause, Cause::DensityOrScale);
    let unexamined: Vec<&str> = report
        .unexamined
        .iter()
        .map(|it| it.what.as_str())
        .collect();
    for what in [
        "density or depth of a class",
        "a lane",
        "drift, warming up, a step",
    ] {
        assert!(unexamined.contains(&what), "{unexamined:?}");
    }
    // One class alone has a density, which is that of all.
    let mut pairs = Day {
        fat: [0.0, 0.0],
        ..Day::of(&[])
    }
    .pairs(9);
    for pair in &mut pairs {
        pair.record.classes.retain(|it| it.class == "lean");
    }
    assert!(
        find(&pairs)
            .unexamined
            .iter()
            .any(|it| it.why == "there is one class only")
    );
}

#[test]
fn what_cannot_be_told_from_is_refused() {
    let pairs = Day::of(&[]).pairs(10);
    let error = find_causes(&pairs[..3], &CauseSettings::default()).unwrap_err();
    assert!(error.to_string().contains("3 usable pairs of 3"), "{error}");
    let mut broken = pairs.clone();
    for pair in broken.iter_mut().take(470) {
        pair.weighed_g = f64::NAN;
    }
    assert!(find_causes(&broken, &CauseSettings::default()).is_err());
    // Estimates that are the weighings.
    let mut same = pairs.clone();
    for pair in &mut same {
        pair.weighed_g = pair.mass_g;
    }
    let error = find_causes(&same, &CauseSettings::default()).unwrap_err();
    assert!(error.to_string().contains("no spread"), "{error}");
    for settings in [
        CauseSettings {
            scale_sd_g: Some(-1.0),
            check: None,
        },
        CauseSettings {
            scale_sd_g: None,
            check: Some(TargetCheck {
                relative: f64::NAN,
                relative_u: 0.1,
            }),
        },
    ] {
        assert!(find_causes(&pairs, &settings).is_err());
    }
    // All weights equal: masses carry nothing, but the rest is told.
    let mut equal = pairs;
    for pair in &mut equal {
        pair.weighed_g = 150.0;
    }
    let report = find(&equal);
    assert!(
        report
            .unexamined
            .iter()
            .any(|it| it.what == "a fixed mass on every piece")
    );
}

#[test]
fn the_order_of_pairs_makes_no_difference() {
    let pairs = Day::of(&[Fault::Step(0.3, 0.015)]).pairs(11);
    let mut turned = pairs.clone();
    turned.reverse();
    let (one, other) = (find(&pairs), find(&turned));
    assert_eq!(one.named, other.named);
    assert_eq!(one.noise_fraction, other.noise_fraction);
}

#[test]
fn heavier_pieces_of_the_same_kind_have_the_same_causes() {
    let pairs = Day::of(&[Fault::FatDensity(0.05), Fault::Lane(1, -0.01)]).pairs(12);
    let mut tenfold = pairs.clone();
    for pair in &mut tenfold {
        pair.weighed_g *= 10.0;
        pair.mass_g *= 10.0;
        pair.mass_u_g *= 10.0;
        let record = &mut pair.record;
        record.mass_g *= 10.0;
        record.volume_cm3 *= 10.0;
        record.area_cm2 *= 10.0;
        for share in &mut record.classes {
            share.volume_cm3 = share.volume_cm3.map(|it| 10.0 * it);
        }
    }
    let (one, other) = (find(&pairs), find(&tenfold));
    assert_eq!(one.named.len(), 2, "{one:?}");
    assert_eq!(one.named.len(), other.named.len());
    for (a, b) in one.named.iter().zip(&other.named) {
        assert_eq!(a.cause, b.cause);
        assert!(
            (a.size.value.value - b.size.value.value).abs() < 1e-6,
            "{a:?} {b:?}"
        );
        assert!((10.0 * a.effect_g.value - b.effect_g.value).abs() < 1e-6);
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(40))]
    /// Whatever numbers stand in the pairs: causes with finite sizes, or an error.
    #[test]
    fn any_numbers_give_causes_or_an_error(
        seed in 0..1000_u64,
        spoiled in proptest::collection::vec((0..120_usize, 0..5_usize, 0..7_usize), 0..200)
    ) {
        let mut pairs = Day { pieces: 120, ..Day::of(&[]) }.pairs(seed);
        for (row, field, value) in spoiled {
            let value = [0.0, -1.0, f64::NAN, f64::INFINITY, 1e300, 1e-300, 150.0][value];
            let pair = &mut pairs[row];
            match field {
                0 => pair.weighed_g = value,
                1 => pair.mass_g = value,
                2 => pair.mass_u_g = value,
                3 => pair.record.area_cm2 = value,
                _ => pair.record.filled_fraction = value,
            }
        }
        if let Ok(report) = find_causes(&pairs, &CauseSettings::default()) {
            for it in &report.named {
                prop_assert!(it.effect_g.value.is_finite() && it.size.value.value.is_finite(), "{it:?}");
            }
            prop_assert!(!report.in_words().is_empty());
        }
    }
}
