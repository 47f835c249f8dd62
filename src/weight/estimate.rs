//! Mass and its standard uncertainty from the classes' volumes.

use crate::product::{Product, WeightFit};
use crate::{Error, ErrorKind, Result};

/// Name of the class whose share is the fat share.
pub const FAT_CLASS: &str = "fat";

/// A piece's mass.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct WeightEstimate {
    /// Mass, g.
    pub mass_g: f64,
    /// Its standard uncertainty (k = 1), g.
    pub mass_u_g: f64,
    /// Part of it that comes from the volume, g.
    pub mass_u_from_volume_g: f64,
    /// Part of it that comes from the densities, g.
    pub mass_u_from_density_g: f64,
    /// Fat share of the volume; `None` without a class of that name, or without volume.
    pub fat_volume_fraction: Option<f64>,
    /// Fat share of the mass from volume and density; `None` likewise.
    pub fat_mass_fraction: Option<f64>,
}

/// Index of the class named `fat`.
#[must_use]
pub fn fat_class(product: &Product) -> Option<usize> {
    product
        .classes
        .iter()
        .position(|class| class.name == FAT_CLASS)
}

/// Mass from volumes and densities: `m = scale·Σ(ρᵢ·Vᵢ) + offset`.
///
/// `volume_u_cm3` is the standard uncertainty of the whole volume; the classes' shares of it are taken as exact. The densities' relative
/// uncertainty is common to all classes. Both are independent of each other, so by the law of propagation (JCGM 100:2008,
/// eq. 10) `u² = (scale·ρ̄·u(V))² + (scale·Σ(ρᵢ·Vᵢ)·u_rel(ρ))²` with the mean density `ρ̄ = Σ(ρᵢ·Vᵢ)/ΣVᵢ`. Scale and offset carry no
/// uncertainty of their own here: that of the fit is in `density_u_rel`.
///
/// `fat` is the fat class's index, `None` where there is none or where no colour was seen.
///
/// # Errors
/// Not one density for each volume, or a number that is not finite.
pub fn estimate(
    volumes_cm3: &[f64],
    densities_kg_m3: &[f64],
    fit: &WeightFit,
    volume_u_cm3: f64,
    fat: Option<usize>,
) -> Result<WeightEstimate> {
    if volumes_cm3.len() != densities_kg_m3.len() {
        return Err(Error::new(
            ErrorKind::Mismatch,
            format!("{} densities", densities_kg_m3.len()),
        )
        .expected(format!("{}, one for each class", volumes_cm3.len())));
    }
    // 1 kg/m³ is 0.001 g/cm³.
    let masses_g: Vec<f64> = volumes_cm3
        .iter()
        .zip(densities_kg_m3)
        .map(|(volume, density)| volume * density / 1000.0)
        .collect();
    let volume_cm3: f64 = volumes_cm3.iter().sum();
    let unscaled_g: f64 = masses_g.iter().sum();
    // Without volume there is no mean density; the heaviest class then bounds what the volume's uncertainty can weigh.
    let mean_g_cm3 = if volume_cm3 > 0.0 {
        unscaled_g / volume_cm3
    } else {
        densities_kg_m3.iter().fold(0.0, |most, &rho| rho.max(most)) / 1000.0
    };
    let from_volume_g = (fit.scale * mean_g_cm3 * volume_u_cm3).abs();
    let from_density_g = (fit.scale * unscaled_g * fit.density_u_rel).abs();
    let share =
        |part: Option<&f64>, whole: f64| part.filter(|_| whole > 0.0).map(|part| part / whole);
    let result = WeightEstimate {
        mass_g: fit.scale * unscaled_g + fit.offset_g,
        mass_u_g: from_volume_g.hypot(from_density_g),
        mass_u_from_volume_g: from_volume_g,
        mass_u_from_density_g: from_density_g,
        fat_volume_fraction: share(fat.and_then(|k| volumes_cm3.get(k)), volume_cm3),
        fat_mass_fraction: share(fat.and_then(|k| masses_g.get(k)), unscaled_g),
    };
    if result.mass_g.is_finite() && result.mass_u_g.is_finite() {
        Ok(result)
    } else {
        Err(Error::new(
            ErrorKind::Mismatch,
            format!("a mass of {} ± {} g", result.mass_g, result.mass_u_g),
        )
        .expected("finite volumes, densities and fit"))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const NO_FIT: WeightFit = WeightFit {
        scale: 1.0,
        offset_g: 0.0,
        density_u_rel: 0.0,
    };

    #[test]
    fn mass_is_volume_times_density_then_scale_and_offset() -> Result<()> {
        let fit = WeightFit {
            scale: 1.02,
            offset_g: -1.5,
            density_u_rel: 0.01,
        };
        let one = estimate(&[50.0, 150.0], &[920.0, 1060.0], &fit, 2.0, Some(0))?;
        assert!((one.mass_g - (1.02 * (46.0 + 159.0) - 1.5)).abs() < 1e-12);
        assert_eq!(one.fat_volume_fraction, Some(0.25));
        assert!(
            one.fat_mass_fraction
                .is_some_and(|f| (f - 46.0 / 205.0).abs() < 1e-15)
        );
        assert!((one.mass_u_from_volume_g - 1.02 * 1.025 * 2.0).abs() < 1e-12);
        assert!((one.mass_u_from_density_g - 1.02 * 2.05).abs() < 1e-12);
        assert!((one.mass_u_g - one.mass_u_from_volume_g.hypot(1.02 * 2.05)).abs() < 1e-12);
        Ok(())
    }

    /// Lean and fat parted by volume: density 1019.55 kg/m³ at 4 °C for 30 % fat by volume. Source: pork leg lean 1052.918 and backfat
    /// 941.679 kg/m³ (Choi–Okos relations on USDA compositions), mixed with numpy.
    #[test]
    fn thirty_percent_fat_by_volume_is_less_by_mass() -> Result<()> {
        let one = estimate(&[30.0, 70.0], &[941.679, 1052.918], &NO_FIT, 0.0, Some(0))?;
        assert!((one.mass_g - 101.955).abs() < 0.001);
        assert!(
            one.fat_mass_fraction
                .is_some_and(|f| (f - 0.277_09).abs() < 1e-5)
        );
        assert_eq!(one.mass_u_g, 0.0);
        Ok(())
    }

    #[test]
    fn what_cannot_be_said_is_none() -> Result<()> {
        let none = estimate(&[100.0], &[1000.0], &NO_FIT, 1.0, None)?;
        assert_eq!(
            (none.fat_volume_fraction, none.fat_mass_fraction),
            (None, None)
        );
        let empty = estimate(&[0.0, 0.0], &[920.0, 1060.0], &NO_FIT, 1.0, Some(0))?;
        assert_eq!(empty.fat_mass_fraction, None);
        assert!((empty.mass_u_g - 1.06).abs() < 1e-12);
        assert!(estimate(&[1.0], &[1.0, 2.0], &NO_FIT, 1.0, None).is_err());
        assert!(estimate(&[f64::NAN], &[1.0], &NO_FIT, 1.0, None).is_err());
        Ok(())
    }
}
