//! Agreement statistics against published figures, certified data and other libraries.

use nalgebra::DMatrix;
use weighlight::agreement::statistics::{
    AgreementSettings, LimitsInterval, agreement_of, limits_of_agreement,
};
use weighlight::stats::{
    concordance, deming, exact_share, least_squares, noncentral_t_quantile, passing_bablok,
};

/// Numbers of a CSV with `#` comments, without its head.
fn numbers(text: &str) -> Vec<Vec<f64>> {
    text.lines()
        .filter(|line| !line.starts_with('#'))
        .skip(1)
        .map(|line| line.split(',').map(|cell| cell.parse().unwrap()).collect())
        .collect()
}

#[track_caller]
fn near(found: f64, expected: f64, within: f64) {
    assert!(
        (found - expected).abs() <= within,
        "found {found}, expected {expected} ± {within}"
    );
}

fn peak_flow() -> Vec<f64> {
    numbers(include_str!("agreement/bland_altman_1986_pefr.csv"))
        .iter()
        .map(|row| row[1] - row[3])
        .collect()
}

/// Bland and Altman 1986: bias −2.1, SD 38.8, limits −79.7 and 75.5, interval of the bias −22.0 to 17.8, of the limits −114.3 to −45.1 and 40.9 to
/// 110.1 l/min, printed with values rounded on the way; in full by R BlandAltmanLeh 0.3.1.
#[test]
fn peak_flow_meters_of_1986() {
    let found = limits_of_agreement(&peak_flow(), 2.0, LimitsInterval::BlandAltman1986).unwrap();
    for (value, printed, in_full) in [
        (found.bias.value, -2.1, -2.117_647_058_8),
        (found.sd.value, 38.8, 38.765_129_873_6),
        (found.lower.value, -79.7, -79.647_906_806_1),
        (found.upper.value, 75.5, 75.412_612_688_4),
        (found.bias.low, -22.0, -22.048_837_696_6),
        (found.bias.high, 17.8, 17.813_543_579_0),
        (found.lower.low, -114.3, -114.169_741_646_1),
        (found.lower.high, -45.1, -45.126_071_966_0),
        (found.upper.low, 40.9, 40.890_777_848_3),
        (found.upper.high, 110.1, 109.934_447_528_4),
    ] {
        near(value, printed, 0.2);
        near(value, in_full, 1e-6);
    }
}

/// The same data with 1.96 and the variance of 1999: −112.853378 to −43.341225 and 39.105931 to 108.618084.
#[test]
fn peak_flow_meters_with_the_variance_of_1999() {
    let found = limits_of_agreement(&peak_flow(), 1.96, LimitsInterval::BlandAltman1999).unwrap();
    near(found.lower.value, -78.097_301_611_1, 1e-6);
    near(found.lower.low, -112.853_378, 1e-5);
    near(found.lower.high, -43.341_225, 1e-5);
    near(found.upper.low, 39.105_931, 1e-5);
    near(found.upper.high, 108.618_084, 1e-5);
    // The exact interval is not symmetric: it reaches farther out than in. Its ends by SciPy's noncentral t (16 degrees of freedom, 1.96·√17).
    let exact = limits_of_agreement(&peak_flow(), 1.96, LimitsInterval::Exact).unwrap();
    let end = |p: f64| {
        let rows = numbers(include_str!("agreement/noncentral_t.csv"));
        let row = rows
            .iter()
            .find(|row| row[0] == p && row[1] == 16.0 && row[2] > 0.0);
        exact.bias.value + row.unwrap()[3] * exact.sd.value / 17_f64.sqrt()
    };
    near(exact.upper.low, end(0.025), 1e-5);
    near(exact.upper.high, end(0.975), 1e-5);
    assert!(exact.upper.high - exact.upper.value > exact.upper.value - exact.upper.low);
}

#[test]
fn noncentral_t_as_scipy_has_it() {
    for row in numbers(include_str!("agreement/noncentral_t.csv")) {
        let found = noncentral_t_quantile(row[0], row[1], row[2]).unwrap();
        near(found, row[3], 1e-6 * (1.0 + row[3].abs()));
    }
}

#[test]
fn exact_shares_as_statsmodels_has_them() {
    for row in numbers(include_str!("agreement/shares.csv")) {
        let found = exact_share(row[0] as usize, row[1] as usize, 0.95).unwrap();
        near(found.low, row[2], 1e-9);
        near(found.high, row[3], 1e-9);
    }
}

fn pairs() -> Vec<(f64, f64)> {
    numbers(include_str!("agreement/pairs.csv"))
        .iter()
        .map(|row| (row[0], row[1]))
        .collect()
}

#[test]
fn demings_line_is_orthogonal_distance_regression() {
    for row in numbers(include_str!("agreement/lines.csv")) {
        let found = deming(&pairs(), row[0]).unwrap();
        near(found.slope, row[1], 1e-8);
        near(found.intercept, row[2], 1e-6);
        assert!(found.slope_low < row[1] && row[1] < found.slope_high);
    }
}

/// x 1 to 10, y = 2.3·x + (0, −1, 2, −3, 4, −5, 6, −7, 8, −5)/2; slopes computed with R mcr 1.3.3.1 and by the closed form.
#[test]
fn demings_line_of_the_toy_case() {
    let off = [0.0, -1.0, 2.0, -3.0, 4.0, -5.0, 6.0, -7.0, 8.0, -5.0];
    let pairs: Vec<(f64, f64)> = (1..=10)
        .zip(off)
        .map(|(x, off)| (f64::from(x), 2.3 * f64::from(x) + off / 2.0))
        .collect();
    let line = deming(&pairs, 1.0).unwrap();
    near(line.slope, 2.532_471_219_912_45, 1e-12);
    near(line.intercept, -1.328_591_709_518_48, 1e-12);
    near(
        deming(&pairs, 4.0).unwrap().slope,
        2.450_151_865_798_74,
        1e-12,
    );
    near(
        deming(&pairs, 0.25).unwrap().slope,
        2.565_063_475_049_17,
        1e-12,
    );
}

/// x 1 to 6, y 2, 1.2, 4.1, 3.5, 6.3, 3: slope 1.05, intercept 0.125 (R deming 1.4-1), interval −0.60 to 2.90.
#[test]
fn passing_and_babloks_line_of_the_toy_case() {
    let pairs = [
        (1.0, 2.0),
        (2.0, 1.2),
        (3.0, 4.1),
        (4.0, 3.5),
        (5.0, 6.3),
        (6.0, 3.0),
    ];
    let line = passing_bablok(&pairs).unwrap();
    near(line.slope, 1.05, 1e-12);
    near(line.intercept, 0.125, 1e-12);
    near(line.slope_low, -0.6, 1e-9);
    near(line.slope_high, 2.9, 1e-9);
}

#[test]
fn lins_concordance_and_its_interval() {
    let row = &numbers(include_str!("agreement/concordance.csv"))[0];
    let found = concordance(&pairs()).unwrap();
    near(found.coefficient, row[0], 1e-12);
    near(found.low, row[1], 1e-7);
    near(found.high, row[2], 1e-7);
}

/// NIST StRD Longley, certified: coefficients, standard errors and residual standard deviation.
#[test]
fn longleys_nearly_dependent_columns() {
    let rows = numbers(include_str!("agreement/nist_strd_longley.csv"));
    let design = DMatrix::from_fn(rows.len(), 7, |i, j| if j == 0 { 1.0 } else { rows[i][j] });
    let observed: Vec<f64> = rows.iter().map(|row| row[0]).collect();
    let fit = least_squares(&design, &observed).unwrap();
    for (index, (value, error)) in [
        (-3_482_258.634_595_82, 890_420.383_607_373),
        (15.061_872_271_373_3, 84.914_925_774_766_9),
        (-0.358_191_792_925_910e-1, 0.334_910_077_722_432e-1),
        (-2.020_229_803_816_83, 0.488_399_681_651_699),
        (-1.033_226_867_173_59, 0.214_274_163_161_675),
        (-0.511_041_056_535_807e-1, 0.226_073_200_069_370),
        (1_829.151_464_613_55, 455.478_499_142_212),
    ]
    .into_iter()
    .enumerate()
    {
        near(fit.coefficients[index] / value, 1.0, 1e-8);
        near(fit.standard_error(index).unwrap() / error, 1.0, 1e-8);
    }
    near(fit.residual_sd, 304.854_073_561_965, 1e-6);
}

/// The summary's parts are the functions above on the same pairs.
#[test]
fn the_summary_says_what_its_parts_say() {
    let masses: Vec<(f64, f64)> = pairs().iter().map(|(w, e)| (*e, *w)).collect();
    let settings = AgreementSettings {
        variance_ratio: Some(4.0),
        within_g: vec![5.0],
        ..AgreementSettings::default()
    };
    let found = agreement_of(&masses, &settings).unwrap();
    assert_eq!(found.deming, deming(&pairs(), 4.0));
    assert_eq!(found.concordance, concordance(&pairs()));
    let count = pairs().iter().filter(|(w, e)| (e - w).abs() <= 5.0).count();
    assert_eq!(found.within[0].share.count, count);
    let words = found.in_words().join("\n");
    assert!(words.contains("over 40 pairs"), "{words}");
    assert!(words.contains(&format!("{count} of 40 pieces")), "{words}");
}
