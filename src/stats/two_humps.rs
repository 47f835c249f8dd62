//! Where a histogram of two humps is parted: by Otsu's criterion, or where two normal distributions are equally likely.

/// Iterations of the fit of two normal distributions.
const MOST_ROUNDS: usize = 500;
/// Change of the mean log likelihood below which the fit has settled.
const SETTLED: f64 = 1e-12;
/// Smallest variance of a hump, bins²: that of a value rounded to a bin, 1/12.
const LEAST_VARIANCE: f64 = 1.0 / 12.0;

/// A histogram parted in two by Otsu's criterion.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct OtsuSplit {
    /// Last bin of the lower part; of equally good ones the lowest.
    pub lowest: usize,
    /// Of equally good ones the highest: between the two there are no counts.
    pub highest: usize,
    /// Variance between the parts, bins².
    pub between_variance: f64,
    /// Share of the whole variance that lies between the parts, from 0 to 1: how well they are apart.
    pub separability: f64,
}

impl OtsuSplit {
    /// The limit between the parts, in bins from the start of bin 0: the middle of the stretch that parts them equally well.
    #[must_use]
    pub fn limit(&self) -> f64 {
        (self.lowest + self.highest) as f64 / 2.0 + 1.0
    }
}

/// Parts a histogram where the variance between the parts is largest; `None` with fewer than two bins that hold counts.
///
/// N. Otsu, "A threshold selection method from gray-level histograms", IEEE Trans. Systems, Man and Cybernetics 9 (1979) 62–66:
/// the variance between, `(μ_T·ω(k) − μ(k))²/(ω(k)·(1 − ω(k)))`, and the separability η as the ratio to the total variance.
/// Sums are whole numbers, so that the result does not depend on the order in which cells were counted.
#[must_use]
pub fn otsu(counts: &[u64]) -> Option<OtsuSplit> {
    let sum = |value: fn(u128) -> u128| -> u128 {
        let bins = (0_u128..).zip(counts);
        bins.map(|(k, &n)| value(k) * u128::from(n)).sum()
    };
    let (total, moment, square) = (sum(|_| 1), sum(|k| k), sum(|k| k * k));
    let n = total as f64;
    // Variance times n², in whole numbers.
    let spread = total.checked_mul(square)?.checked_sub(moment * moment)?;
    let variance = spread as f64 / n / n;
    let mut best: Option<(f64, usize, usize)> = None;
    let (mut below, mut moment_below) = (0_u128, 0_u128);
    for (k, &count) in counts.iter().enumerate() {
        below += u128::from(count);
        moment_below += k as u128 * u128::from(count);
        if below == 0 || below == total {
            continue;
        }
        // (μ_T·ω − μ)²/(ω(1 − ω)), with ω = below/n and μ = moment_below/n.
        let apart = (moment * below).abs_diff(moment_below * total) as f64 / n / n;
        let (low, high) = (below as f64 / n, (total - below) as f64 / n);
        let between = apart * apart / (low * high);
        match &mut best {
            Some((most, _, highest)) if between == *most => *highest = k,
            Some((most, ..)) if between < *most => {}
            _ => best = Some((between, k, k)),
        }
    }
    best.map(|(between_variance, lowest, highest)| OtsuSplit {
        lowest,
        highest,
        between_variance,
        separability: between_variance / variance,
    })
}

/// One normal distribution of a mixture.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Hump {
    /// Its share of the counts.
    pub share: f64,
    /// Its mean, in bins from the start of bin 0.
    pub mean: f64,
    /// Its standard deviation, bins.
    pub sd: f64,
}

/// The two normal distributions that make a histogram most likely, the lower first; `None` where it has fewer than two bins with
/// counts.
///
/// By expectation and maximisation (A. P. Dempster, N. M. Laird and D. B. Rubin, J. Royal Statistical Society B 39 (1977) 1–38), begun
/// with the parts by Otsu's criterion, each bin's counts taken at its middle.
#[must_use]
pub fn two_normals(counts: &[u64]) -> Option<[Hump; 2]> {
    let first = otsu(counts)?;
    let bins = || {
        (0..)
            .zip(counts)
            .map(|(k, &n)| (f64::from(k) + 0.5, n as f64))
    };
    let total: f64 = counts.iter().map(|&n| n as f64).sum();
    let hump = |weight: &dyn Fn(f64) -> f64| {
        let share: f64 = bins().map(|(x, n)| n * weight(x)).sum();
        let mean = bins().map(|(x, n)| n * weight(x) * x).sum::<f64>() / share;
        let square = bins().map(|(x, n)| n * weight(x) * (x - mean) * (x - mean));
        let variance = square.sum::<f64>() / share;
        Hump {
            share: share / total,
            mean,
            sd: variance.max(LEAST_VARIANCE).sqrt(),
        }
    };
    let limit = first.limit();
    let mut humps = [
        hump(&|x| f64::from(u8::from(x < limit))),
        hump(&|x| f64::from(u8::from(x >= limit))),
    ];
    let mut before = f64::NEG_INFINITY;
    for _ in 0..MOST_ROUNDS {
        let [low, high] = humps;
        let of_low = |x: f64| 1.0 / (1.0 + (log_density(&high, x) - log_density(&low, x)).exp());
        let likelihood = bins()
            .filter(|(_, n)| *n > 0.0)
            .map(|(x, n)| {
                let (a, b) = (log_density(&low, x), log_density(&high, x));
                n * (a.max(b) + (-(a - b).abs()).exp().ln_1p())
            })
            .sum::<f64>()
            / total;
        humps = [hump(&of_low), hump(&|x| 1.0 - of_low(x))];
        let sound = humps.iter().all(|h| h.share > 0.0 && h.mean.is_finite());
        if !sound {
            return None;
        }
        if likelihood - before < SETTLED {
            break;
        }
        before = likelihood;
    }
    if humps[0].mean > humps[1].mean {
        humps.swap(0, 1);
    }
    Some(humps)
}

/// Where between their means two humps are equally likely; `None` where one outweighs the other all the way.
#[must_use]
pub fn equally_likely([low, high]: &[Hump; 2]) -> Option<f64> {
    let more_of_low = |x: f64| log_density(low, x) - log_density(high, x);
    let (mut from, mut to) = (low.mean, high.mean);
    if !(more_of_low(from) > 0.0 && more_of_low(to) < 0.0) {
        return None;
    }
    // The difference of two parabolas changes its sign once between such ends; halving is exact to the last bit but a few.
    for _ in 0..60 {
        let middle = f64::midpoint(from, to);
        if more_of_low(middle) > 0.0 {
            from = middle;
        } else {
            to = middle;
        }
    }
    Some(f64::midpoint(from, to))
}

/// Logarithm of a hump's share of the density, but for a constant.
fn log_density(hump: &Hump, x: f64) -> f64 {
    let t = (x - hump.mean) / hump.sd;
    (hump.share / hump.sd).ln() - 0.5 * t * t
}

#[cfg(test)]
mod tests {
    use super::*;

    /// threshold_otsu of scikit-image 0.26 and threshold of OpenCV 5 give 2; the variance between is by hand with numpy.
    #[test]
    fn a_small_histogram_is_parted_as_scikit_image_and_opencv_do() {
        let split = otsu(&[8, 7, 2, 6, 9, 4]).unwrap();
        assert_eq!((split.lowest, split.highest), (2, 2));
        assert!(
            (split.between_variance - 2.628_714_69).abs() < 1e-8,
            "{split:?}"
        );
        // η = 2.628 714 69 / 3.119 598 77 (variance of the counts, numpy).
        assert!((split.separability - 0.842_645_1).abs() < 1e-6, "{split:?}");
        assert_eq!(split.limit(), 3.0);
    }

    /// As above: both libraries give 59, the lowest of the tie.
    #[test]
    fn a_valley_without_counts_is_a_tie_from_its_first_bin_to_its_last() {
        let mut counts = [0_u64; 256];
        counts[40..60].fill(50);
        counts[180..200].fill(30);
        let split = otsu(&counts).unwrap();
        assert_eq!((split.lowest, split.highest), (59, 179));
        assert_eq!(split.limit(), 120.0);
    }

    /// η of distributions with one hump: 3/4 for the even one (by integration; the largest that a symmetric hump can have), 2/π for the
    /// normal one, 0.648 for the exponential one (largest t²/(eᵗ − 1)).
    #[test]
    fn the_separability_of_one_hump_is_what_theory_says() {
        let even = otsu(&[1000; 400]).unwrap().separability;
        assert!((even - 0.75).abs() < 1e-4, "{even}");
        let of = |density: &dyn Fn(f64) -> f64| {
            let counts: Vec<u64> = (0..1000)
                .map(|k| (1e9 * density(f64::from(k))) as u64)
                .collect();
            otsu(&counts).unwrap().separability
        };
        let normal = of(&|k| (-0.5 * ((k - 499.5) / 90.0).powi(2)).exp());
        assert!(
            (normal - std::f64::consts::FRAC_2_PI).abs() < 1e-3,
            "{normal}"
        );
        let exponential = of(&|k| (-k / 60.0).exp());
        assert!((exponential - 0.648).abs() < 2e-3, "{exponential}");
    }

    #[test]
    fn nothing_is_parted_where_there_is_nothing_to_part() {
        assert_eq!(otsu(&[]), None);
        assert_eq!(otsu(&[0, 0]), None);
        assert_eq!(otsu(&[0, 7, 0]), None);
        assert_eq!(two_normals(&[0, 7, 0]), None);
    }
}
