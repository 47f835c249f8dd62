//! The density of a class as its profile's rule gives it.

use crate::product::{DensityRule, Product};
use crate::{Error, ErrorKind, Result};

use super::choi_okos::mixture_density_kg_m3;

/// Density of a class, kg/m³.
///
/// A composition without a temperature of its own takes `scan_temperature_c`.
///
/// # Errors
/// A given density that is not positive; a composition that [`mixture_density_kg_m3`] refuses; no temperature at all.
pub fn density_kg_m3(rule: &DensityRule, scan_temperature_c: Option<f64>) -> Result<f64> {
    match rule {
        DensityRule::Given { kg_m3 } if kg_m3.is_finite() && *kg_m3 > 0.0 => Ok(*kg_m3),
        DensityRule::Given { kg_m3 } => Err(Error::new(ErrorKind::Document, format!("{kg_m3}"))
            .key("density_kg_m3")
            .expected("a positive number")),
        DensityRule::Composition {
            composition,
            temperature_c,
            void_fraction,
        } => {
            let temperature_c = temperature_c.or(scan_temperature_c).ok_or_else(|| {
                Error::new(ErrorKind::Mismatch, "no temperature for a composition")
                    .key("temperature_c")
                    .expected("temperature_c in the class, or product_temperature_c in the scan")
            })?;
            mixture_density_kg_m3(composition, temperature_c, *void_fraction)
        }
    }
}

/// Density of every class of a profile in its order, kg/m³.
///
/// # Errors
/// As [`density_kg_m3`], with the class named.
pub fn densities_kg_m3(product: &Product, scan_temperature_c: Option<f64>) -> Result<Vec<f64>> {
    product
        .classes
        .iter()
        .map(|class| {
            density_kg_m3(&class.density, scan_temperature_c).map_err(|error| {
                let key = error.key.as_deref().unwrap_or("density_kg_m3");
                let key = format!("class {}: {key}", class.name);
                error.key(key)
            })
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::super::Component;
    use super::super::component_density_kg_m3;
    use super::*;
    use crate::product::Composition;

    fn water(temperature_c: Option<f64>) -> DensityRule {
        DensityRule::Composition {
            composition: Composition {
                water: 1.0,
                ..Composition::default()
            },
            temperature_c,
            void_fraction: 0.25,
        }
    }

    #[test]
    fn the_class_s_temperature_goes_before_the_scan_s() -> Result<()> {
        let at = |t| component_density_kg_m3(Component::Water, t).map(|rho| 0.75 * rho);
        assert!((density_kg_m3(&water(Some(4.0)), Some(20.0))? - at(4.0)?).abs() < 1e-9);
        assert!((density_kg_m3(&water(None), Some(20.0))? - at(20.0)?).abs() < 1e-9);
        let error = density_kg_m3(&water(None), None).map_err(|error| error.to_string());
        assert!(error.is_err_and(|text| text.contains("product_temperature_c")));
        Ok(())
    }

    #[test]
    fn outside_the_relations_range_there_is_no_density() {
        for temperature_c in [-40.1, 150.1, f64::NAN] {
            assert!(density_kg_m3(&water(Some(temperature_c)), None).is_err());
        }
        assert!(density_kg_m3(&water(Some(-40.0)), None).is_ok());
        assert!(density_kg_m3(&water(Some(150.0)), None).is_ok());
        for kg_m3 in [0.0, -1.0, f64::NAN, f64::INFINITY] {
            assert!(density_kg_m3(&DensityRule::Given { kg_m3 }, None).is_err());
        }
    }
}
