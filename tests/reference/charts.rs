//! Control charts, run lengths, lines and gauge studies against handbooks, certified data and another method.

use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};
use weighlight::stats::{
    Cusum, Ewma, WESTERN_ELECTRIC_RUN_LENGTH, cusum_run_length, ewma_run_length, fit_line,
    gauge_study, individuals, shewhart_run_length, zone_breaks,
};

use crate::rows;

fn number(text: &str) -> f64 {
    text.parse().unwrap_or_else(|_| panic!("{text}"))
}

fn column(rows: &[impl Fn(&str) -> &'static str], name: &str) -> Vec<f64> {
    rows.iter().map(|row| number(row(name))).collect()
}

#[track_caller]
fn near(found: f64, expected: f64, within: f64) {
    assert!(
        (found - expected).abs() <= within,
        "found {found}, expected {expected}"
    );
}

/// NIST/SEMATECH e-Handbook 6.3.2.2: mean 50.81, mean moving range 1.8778, limits 55.8041 and 45.8159 (d₂ as 1.128).
#[test]
fn the_individuals_chart_of_the_handbook() {
    let values = column(&rows(include_str!("charts/nist_individuals.csv")), "x");
    let chart = individuals(&values).unwrap();
    near(chart.centre, 50.81, 1e-9);
    near(chart.mean_moving_range, 1.8778, 5e-5);
    // The handbook's d₂ has three decimals: 1.128 for 1.12838.
    near(chart.upper, 55.8041, 2e-3);
    near(chart.lower, 45.8159, 2e-3);
    near(
        chart.centre + 3.0 * chart.mean_moving_range / 1.128,
        55.8041,
        5e-5,
    );
    assert!(
        zone_breaks(&values, chart.centre, chart.sd)
            .iter()
            .all(|it| it.rule > weighlight::stats::ZoneRule::OneBeyondThree)
    );
}

#[test]
fn the_factors_for_two_values() {
    let factors = rows(include_str!("charts/control_chart_constants.csv"));
    let of_two = &factors[0];
    assert_eq!(of_two("n"), "2");
    let chart = individuals(&[0.0, 1.0]).unwrap();
    near(
        chart.mean_moving_range / chart.sd,
        number(of_two("d2")),
        5e-6,
    );
    near(
        chart.moving_range_upper / chart.mean_moving_range,
        number(of_two("D4")),
        5e-6,
    );
}

/// NIST/SEMATECH e-Handbook 6.3.2.4: λ 0.3, start 50, standard deviation 2.0539, limits 52.5884 and 47.4115.
#[test]
fn the_ewma_of_the_handbook() {
    let rows = rows(include_str!("charts/nist_ewma.csv"));
    let ewma = Ewma {
        lambda: 0.3,
        width: 3.0,
    };
    let chart = ewma.chart(&column(&rows, "x"), 50.0, 2.0539);
    for (point, row) in chart.iter().zip(&rows) {
        near(point.average, number(row("ewma_exact")), 1e-9);
        near(point.average, number(row("ewma_published")), 5.1e-3);
        assert!(!point.is_outside());
    }
    near(50.0 + ewma.steady_half_width(2.0539), 52.588_432, 5e-7);
    // Limits while the average fills, computed from the formula of the same page.
    for (i, upper) in [
        (1, 51.848_510),
        (2, 52.256_394),
        (3, 52.431_406),
        (5, 52.551_611),
        (10, 52.587_399),
        (20, 52.588_431),
    ] {
        near(chart[i - 1].upper, upper, 1e-6);
    }
}

/// NIST/SEMATECH e-Handbook 6.3.2.3: target 325, k 0.3175, h 4.1959; first call at group 14 with 4.94.
#[test]
fn the_cusum_of_the_handbook() {
    let rows = rows(include_str!("charts/nist_cusum.csv"));
    // With a spread of 1 the sums are in the values' own unit.
    let cusum = Cusum {
        allowance: 0.3175,
        decision: 4.1959,
    };
    let chart = cusum.chart(&column(&rows, "x"), 325.0, 1.0).unwrap();
    for (point, row) in chart.iter().zip(&rows) {
        near(point.high, number(row("s_hi_exact")), 1e-9);
        near(point.low, number(row("s_lo_exact")), 1e-9);
        near(point.high, number(row("s_hi_published")), 5.1e-3);
        near(point.low, number(row("s_lo_published")), 5.1e-3);
        assert_eq!(cusum.is_outside(point), row("signal") == "1");
    }
}

/// Chains of states against integral equations; and the published, rounded values.
#[test]
fn run_lengths_by_two_methods() {
    for row in rows(include_str!("charts/run_lengths.csv")) {
        let (a, b, shift) = (number(row("a")), number(row("b")), number(row("shift")));
        let found = match row("chart") {
            "ewma" => ewma_run_length(
                &Ewma {
                    lambda: a,
                    width: b,
                },
                shift,
            ),
            _ => cusum_run_length(
                &Cusum {
                    allowance: a,
                    decision: b,
                },
                shift,
            ),
        };
        let expected = number(row("arl"));
        // Short averages pass from end to end of their range in a few steps; long ones need finer states.
        let within = if row("chart") == "ewma" && a < 0.1 {
            5e-3
        } else {
            1e-3
        };
        near(found.unwrap(), expected, within * expected);
    }
    near(shewhart_run_length(3.0, 0.0), 370.4, 0.05);
    for (decision, shift, published, half_a_digit) in [
        (4.0, 0.0, 168.0, 0.5),
        (5.0, 0.0, 465.0, 0.5),
        (4.0, 1.0, 8.38, 0.005),
        (5.0, 1.0, 10.4, 0.05),
    ] {
        let cusum = Cusum {
            allowance: 0.5,
            decision,
        };
        near(
            cusum_run_length(&cusum, shift).unwrap(),
            published,
            half_a_digit,
        );
    }
    let ewma = Ewma {
        lambda: 0.2,
        width: 2.962,
    };
    near(ewma_run_length(&ewma, 0.0).unwrap(), 500.0, 1.0);
    near(ewma_run_length(&ewma, 1.0).unwrap(), 10.5, 0.05);
}

/// Mean number of values until the first call, over `runs` series in control.
fn simulated(runs: u64, first_call: impl Fn(&[f64]) -> Option<usize>) -> (f64, f64) {
    // Series long enough that one without a call is next to impossible at the run lengths looked at.
    const LONGEST: usize = 12_000;
    let lengths: Vec<f64> = (0..runs)
        .map(|seed| {
            let mut random = ChaCha8Rng::seed_from_u64(seed);
            let mut values: Vec<f64> = Vec::new();
            loop {
                let more = if values.is_empty() { 750 } else { values.len() };
                values.extend((0..more).map(|_| -> f64 { StandardNormal.sample(&mut random) }));
                if let Some(at) = first_call(&values) {
                    return (at + 1) as f64;
                }
                assert!(values.len() < LONGEST, "no call");
            }
        })
        .collect();
    let mean = lengths.iter().sum::<f64>() / lengths.len() as f64;
    let spread = lengths.iter().map(|it| (it - mean).powi(2)).sum::<f64>();
    (mean, spread.sqrt() / lengths.len() as f64)
}

/// 4,000 series each: the mean run length lies within 3.5 standard errors (about 5.5 %) of theory.
#[test]
fn checks_in_control_are_called_as_often_as_theory_says() {
    const RUNS: u64 = 4_000;
    #[track_caller]
    fn agrees(found: (f64, f64), theory: f64) {
        assert!(
            (found.0 - theory).abs() < 3.5 * found.1,
            "{} ± {}, theory {theory}",
            found.0,
            found.1
        );
    }
    agrees(
        simulated(RUNS, |values| values.iter().position(|z| z.abs() > 3.0)),
        shewhart_run_length(3.0, 0.0),
    );
    agrees(
        simulated(RUNS, |values| {
            zone_breaks(values, 0.0, 1.0).first().map(|it| it.index)
        }),
        WESTERN_ELECTRIC_RUN_LENGTH,
    );
    let ewma = Ewma {
        lambda: 0.2,
        width: 2.962,
    };
    let steady = ewma.steady_half_width(1.0);
    agrees(
        simulated(RUNS, |values| {
            let chart = ewma.chart(values, 0.0, 1.0);
            chart.iter().position(|point| point.average.abs() > steady)
        }),
        ewma_run_length(&ewma, 0.0).unwrap(),
    );
    let cusum = Cusum {
        allowance: 0.5,
        decision: 5.0,
    };
    agrees(
        simulated(RUNS, |values| {
            let chart = cusum.chart(values, 0.0, 1.0).unwrap();
            chart.iter().position(|point| cusum.is_outside(point))
        }),
        cusum_run_length(&cusum, 0.0).unwrap(),
    );
}

/// NIST StRD Norris: certified to 15 digits.
#[test]
fn the_certified_line() {
    let rows = rows(include_str!("charts/nist_strd_norris.csv"));
    let points: Vec<_> = rows
        .iter()
        .map(|row| (number(row("x")), number(row("y")), 1.0))
        .collect();
    assert_eq!(points.len(), 36);
    let line = fit_line(&points).unwrap();
    near(line.slope, 1.002_116_818_020_45, 1e-13);
    near(line.intercept, -0.262_323_073_774_029, 1e-11);
    near(line.residual_sd, 0.884_796_396_144_373, 1e-11);
    near(line.slope_se, 0.429_796_848_199_937e-3, 1e-13);
    near(line.intercept_se, 0.232_818_234_301_152, 1e-11);
}

/// AIAG MSA, 4th edition, ANOVA method: EV 0.1999, AV 0.2268, GRR 0.3024, PV 1.0423, TV 1.0853, %GRR 27.86, ndc 4.
#[test]
fn the_published_gauge_study() {
    let rows = rows(include_str!("charts/aiag_msa4_grr.csv"));
    assert_eq!(rows.len(), 90);
    let mut ordered: Vec<_> = rows
        .iter()
        .map(|row| {
            let key = (number(row("part")) as u32, row("appraiser"), row("trial"));
            (key, number(row("value")))
        })
        .collect();
    ordered.sort_by(|one, other| one.0.cmp(&other.0));
    let values: Vec<f64> = ordered.iter().map(|it| it.1).collect();
    let study = gauge_study(10, 3, 3, &values, 0.25).unwrap();
    assert!(study.pooled);
    near(study.part.unwrap().sum_of_squares, 88.362, 5e-4);
    near(study.operator.sum_of_squares, 3.167, 5e-4);
    let interaction = study.interaction.unwrap();
    near(interaction.sum_of_squares, 0.359, 5e-4);
    near(interaction.f.unwrap(), 0.4337, 5e-5);
    near(interaction.p.unwrap(), 0.9741, 5e-5);
    near(study.equipment.sum_of_squares, 2.759, 5e-4);
    near(study.part.unwrap().f.unwrap(), 245.614, 5e-4);
    near(study.operator.f.unwrap(), 39.617, 5e-4);
    near(study.repeatability, 0.199_933_179_7, 1e-9);
    near(study.reproducibility, 0.226_837_521_5, 1e-9);
    near(study.gauge, 0.302_371_522_3, 1e-9);
    near(study.between_parts.unwrap(), 1.042_327_493_8, 1e-9);
    near(study.total, 1.085_299_563_2, 1e-9);
    near(100.0 * study.share().unwrap(), 27.860_650_881_1, 1e-8);
    assert_eq!(study.categories(), Some(4));

    // With the interaction kept in the model, its component below 0 counts as 0.
    let kept = gauge_study(10, 3, 3, &values, 1.0).unwrap();
    assert!(!kept.pooled);
    near(kept.repeatability, 0.214_434_657_2, 1e-9);
    near(kept.reproducibility, 0.228_304_449_8, 1e-9);
    near(kept.gauge, 0.313_217_407_0, 1e-9);
    near(kept.between_parts.unwrap(), 1.043_394_527_5, 1e-9);
}
