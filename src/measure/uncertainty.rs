//! Standard uncertainty of a piece's volume by the law of propagation (JCGM 100:2008, 5.1.2).

use std::f64::consts::PI;

use super::footprint::Footprint;
use super::hidden_spread::hidden_spread;
use super::seam::SeamBudget;
use super::tally::Tally;
use crate::pieces::Mended;
use crate::surface::SurfaceGrid;

/// Standard deviation of a rebuilt flank's volume as a share of it, where flanks that are seen spoke for it.
///
/// From simulated pieces (lobes, slabs, solids, rolls, strips; cameras at 25° and 32°): see `docs/methods/measures.md`.
pub(super) const LIKE_SEEN_SHARE: f64 = 0.025;

/// What is known of belt, noise and scales where a piece lies.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct BeltKnowledge {
    /// Standard deviation of single samples, mm.
    pub noise_mm: f64,
    /// Standard uncertainty of the belt's height under the piece, mm.
    pub belt_u_mm: f64,
    /// Relative standard uncertainty of volume from the scales (1 = 100 %), from the calibration.
    pub scale_u_rel: f64,
    /// Relative standard uncertainties of lengths across and along (1 = 100 %), from the calibration.
    pub plane_u_rel: [f64; 2],
    /// Lowest height that counts as piece, mm.
    pub low_mm: f64,
    /// Whether two cameras look from either side, so that only slots are hidden.
    pub two_views: bool,
}

/// Contributions to the standard uncertainty of a volume, mm³, independent of each other.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct VolumeBudget {
    /// Noise of the single samples.
    pub noise_mm3: f64,
    /// Height of the belt under the piece, common to all cells.
    pub belt_mm3: f64,
    /// Scales across, along and in height.
    pub scale_mm3: f64,
    /// Sampling: where between two rows or columns the rim runs is not seen.
    pub rim_mm3: f64,
    /// Hidden flanks that were rebuilt.
    pub hidden_mm3: f64,
    /// Unseen gaps on the piece that no shadow explains.
    pub gaps_mm3: f64,
    /// Lines along which the piece was parted from neighbours.
    pub seam_mm3: f64,
}

impl VolumeBudget {
    /// The contributions by name, mm³.
    pub fn parts(&self) -> [(&'static str, f64); 7] {
        [
            ("noise", self.noise_mm3),
            ("belt", self.belt_mm3),
            ("scale", self.scale_mm3),
            ("rim", self.rim_mm3),
            ("hidden", self.hidden_mm3),
            ("gaps", self.gaps_mm3),
            ("seam", self.seam_mm3),
        ]
    }

    /// Combined standard uncertainty, mm³.
    pub fn combined_mm3(&self) -> f64 {
        self.parts()
            .iter()
            .map(|(_, part)| part * part)
            .sum::<f64>()
            .sqrt()
    }
}

/// The budget of a volume.
///
/// - Noise: `σ·a·√n` over n cells of area a.
/// - Belt: its standard uncertainty times the footprint's area.
/// - Scales: relative, times the volume.
/// - Rim: the volume is a sum over rows at even distances, and each row's area a sum over columns: the variance of such
///   sampling, along and across, by the transitive theory of
///   systematic sampling.
/// - Hidden: where seen flanks spoke, a share of the rebuilt volume that simulation gives; where none did, the truth may lie
///   anywhere between belt and ray: a rectangular distribution, `V/√12` of the volume under the ray. Common to all cells.
/// - Gaps: anything between belt and the filled height, likewise.
/// - Seam: see [`super::seam_budget`].
pub fn volume_budget(
    tally: &Tally,
    mended: &Mended,
    footprint: &Footprint,
    grid: &SurfaceGrid,
    belt: &BeltKnowledge,
    seam: &SeamBudget,
) -> VolumeBudget {
    let cell_mm2 = grid.cell_area_mm2();
    let sum_mm: f64 = tally.rows_mm.iter().sum();
    let noise_variance = belt.noise_mm * belt.noise_mm * tally.summed as f64;
    let sampling = sampling_variance(&tally.rows_mm, noise_variance)
        + sampling_variance(&tally.columns_mm, noise_variance);
    let rectangular = 1.0 / 12.0_f64.sqrt();
    let (spoken_mm, spread_mm) = match hidden_spread(mended, footprint) {
        Some(spread) if !belt.two_views => (spread.rebuilt_mm, spread.sum_u_mm()),
        _ => (0.0, 0.0),
    };
    let like_seen_u_mm =
        (LIKE_SEEN_SHARE * (tally.like_seen_mm - spoken_mm).max(0.0)).hypot(spread_mm);
    VolumeBudget {
        noise_mm3: noise_variance.sqrt() * cell_mm2,
        belt_mm3: belt.belt_u_mm * cell_mm2 * tally.covered as f64,
        scale_mm3: belt.scale_u_rel * sum_mm * cell_mm2,
        rim_mm3: sampling.sqrt() * cell_mm2,
        hidden_mm3: like_seen_u_mm.hypot(rectangular * tally.alone_mm) * cell_mm2,
        gaps_mm3: rectangular * tally.gaps_mm * cell_mm2,
        seam_mm3: seam.volume_mm3,
    }
}

/// Variance of the sum of `sections` as an estimate of the integral they sample at unit distance from a random start.
///
/// From the covariogram at lags 0 to 4 by the transitive theory: `var = α(q)·(3·g₀ − 4·g₁ + g₂)`, the noise's share
/// `3·noise_variance` taken off, with the smoothness q between a jump (0) and a kink (1) from how the same expression grows when
/// every other section is left out (M. García-Fiñana and L. M. Cruz-Orive, "Improved variance prediction for systematic sampling on ℝ",
/// Statistics 38 (2004) 243–272; α(0) = 1/12 and α(1) = 1/240 are those of H. J. G. Gundersen and E. B. Jensen, J. Microscopy 147 (1987) 229–263).
pub fn sampling_variance(sections: &[f64], noise_variance: f64) -> f64 {
    let lag = |k: usize| -> f64 {
        sections
            .iter()
            .zip(sections.iter().skip(k))
            .map(|(a, b)| a * b)
            .sum()
    };
    let (g0, g1, g2, g4) = (lag(0) - noise_variance, lag(1), lag(2), lag(4));
    let near = 3.0 * g0 - 4.0 * g1 + g2;
    let far = 3.0 * g0 - 4.0 * g2 + g4;
    if near <= 0.0 {
        return 0.0;
    }
    let q = (((far / near).max(2.0).log2() - 1.0) / 2.0).clamp(0.0, 1.0);
    near * smoothness_factor(q)
}

/// `α(q) = Γ(2q+2)·ζ(2q+2)·cos(πq) / ((2π)^(2q+2)·(1 − 2^(2q−1)))`, from 1/12 at q = 0 to 1/240 at q = 1.
fn smoothness_factor(q: f64) -> f64 {
    // The expression is 0/0 at q = 1/2; its logarithm is all but straight, so it is interpolated between exact ends.
    let (low, high) = ((1.0_f64 / 12.0).ln(), (1.0_f64 / 240.0).ln());
    // At q = 1/2: Γ(3)·ζ(3)·π/((2π)³·2·ln 2), by de l'Hospital.
    let middle =
        (2.0 * 1.202_056_903_159_594 * PI / ((2.0 * PI).powi(3) * 2.0 * 2.0_f64.ln())).ln();
    let value = if q < 0.5 {
        low + (middle - low) * 2.0 * q
    } else {
        middle + (high - middle) * (2.0 * q - 1.0)
    };
    value.exp()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Standard deviation over many random starts, and the root mean predicted variance.
    fn observed_and_predicted(area: impl Fn(f64) -> f64) -> (f64, f64) {
        let starts = 400;
        let sums: Vec<(f64, f64)> = (0..starts)
            .map(|start| {
                let offset = f64::from(start) / f64::from(starts);
                let sections: Vec<f64> = (0..120)
                    .map(|k| area(f64::from(k) + offset - 60.0))
                    .collect();
                (sections.iter().sum(), sampling_variance(&sections, 0.0))
            })
            .collect();
        let n = f64::from(starts);
        let mean: f64 = sums.iter().map(|s| s.0).sum::<f64>() / n;
        let variance = sums.iter().map(|s| (s.0 - mean).powi(2)).sum::<f64>() / n;
        (
            variance.sqrt(),
            (sums.iter().map(|s| s.1).sum::<f64>() / n).sqrt(),
        )
    }

    #[test]
    fn a_wall_is_sampled_as_the_closed_form_says() {
        // A box of height 1: each of its two ends is uniform over a section: variance 1/6 over offsets when independent; here
        // the length is such that the ends move together or apart: between 0 and 1/2.
        let (observed, predicted) = observed_and_predicted(|x| f64::from(x.abs() < 40.25));
        assert!(
            (predicted - (1.0_f64 / 6.0).sqrt()).abs() < 0.02,
            "{predicted}"
        );
        assert!(observed > 0.4 && observed < 0.6, "{observed}");
    }

    #[test]
    fn a_slope_is_sampled_far_better_than_a_wall() {
        let (observed, predicted) = observed_and_predicted(|x| (40.3 - x.abs()).clamp(0.0, 10.0));
        assert!(
            predicted < 0.15 && predicted > 0.3 * observed,
            "{observed} {predicted}"
        );
    }

    #[test]
    fn a_round_rim_is_between() {
        let (observed, predicted) =
            observed_and_predicted(|x| (40.3_f64.powi(2) - x * x).max(0.0).sqrt());
        assert!(
            predicted / observed < 3.0 && predicted / observed > 0.4,
            "{observed} {predicted}"
        );
    }

    #[test]
    fn noise_alone_is_not_a_rim() {
        // Sections of equal area with independent noise of known variance at both ends fading out.
        let sections: Vec<f64> = (0..200)
            .map(|k| {
                50.0 * (f64::from(k) / 200.0 * PI).sin() + f64::from((k * 7919) % 13 - 6) / 10.0
            })
            .collect();
        let noise = (0..200)
            .map(|k| (f64::from((k * 7919) % 13 - 6) / 10.0).powi(2))
            .sum();
        assert!(sampling_variance(&sections, noise) < 0.2 * noise);
    }
}
