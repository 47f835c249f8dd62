//! Density of food from its composition and temperature.
//!
//! Reference: Choi Y., Okos M. R. (1986), Effects of temperature and composition on the thermal properties of foods, in: Food
//! Engineering and Process Applications, vol. 1, 93–101; also in the ASHRAE Handbook Refrigeration, Thermal Properties of Foods.
//!
//! Limits: pore-free matter from −40 to 150 °C. "Fat" is pure lipid, not fatty tissue. The water polynomial is about 2.8 kg/m³ below
//! real water near 0 °C; it is part of the model and not corrected.

use crate::product::Composition;
use crate::{Error, ErrorKind, Result};

/// Lowest temperature the relations hold for, °C.
pub const MIN_TEMPERATURE_C: f64 = -40.0;
/// Highest temperature the relations hold for, °C.
pub const MAX_TEMPERATURE_C: f64 = 150.0;

/// How far the fractions' sum may be from 1: food tables close to within about a hundredth; a sum further off means that
/// something was left out.
const CLOSURE: f64 = 0.015;

/// A component of food.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Component {
    /// Liquid water.
    Water,
    /// Ice.
    Ice,
    /// Protein.
    Protein,
    /// Fat (lipid).
    Fat,
    /// Carbohydrate without fibre.
    Carbohydrate,
    /// Fibre.
    Fibre,
    /// Ash.
    Ash,
}

impl Component {
    /// Coefficients of `a0 + a1·t + a2·t²`, kg/m³ with t in °C.
    const fn coefficients(self) -> [f64; 3] {
        match self {
            Self::Water => [997.18, 0.003_143_9, -0.003_757_4],
            Self::Ice => [916.89, -0.130_71, 0.0],
            Self::Protein => [1329.9, -0.518_40, 0.0],
            Self::Fat => [925.59, -0.417_57, 0.0],
            Self::Carbohydrate => [1599.1, -0.310_46, 0.0],
            Self::Fibre => [1311.5, -0.365_89, 0.0],
            Self::Ash => [2423.8, -0.280_63, 0.0],
        }
    }
}

/// Density of a component, kg/m³.
///
/// # Errors
/// A temperature outside −40…150 °C.
pub fn component_density_kg_m3(component: Component, temperature_c: f64) -> Result<f64> {
    check_temperature(temperature_c)?;
    Ok(polynomial(component, temperature_c))
}

/// Density of a food from its mass fractions, kg/m³: `(1 − void) / Σ(xᵢ/ρᵢ)`, with the fractions divided by their sum.
///
/// # Errors
/// A temperature outside −40…150 °C, a fraction outside 0…1, a sum that is off 1 by more than 0.015, a void fraction outside
/// 0…1 (1 excluded).
pub fn mixture_density_kg_m3(
    composition: &Composition,
    temperature_c: f64,
    void_fraction: f64,
) -> Result<f64> {
    let sum = checked_sum(composition)?;
    if !(0.0..1.0).contains(&void_fraction) {
        return Err(Error::new(ErrorKind::Document, format!("{void_fraction}"))
            .key("void_fraction")
            .expected("from 0 to less than 1"));
    }
    check_temperature(temperature_c)?;
    Ok((1.0 - void_fraction) * sum / specific_volume(composition, temperature_c))
}

/// As [`mixture_density_kg_m3`] without pores and without normalisation: `1 / Σ(xᵢ/ρᵢ)`.
///
/// For checks against published examples that were worked so. The shortfall of the sum goes into the result in full.
///
/// # Errors
/// As [`mixture_density_kg_m3`].
pub fn unnormalised_density_kg_m3(composition: &Composition, temperature_c: f64) -> Result<f64> {
    checked_sum(composition)?;
    check_temperature(temperature_c)?;
    Ok(1.0 / specific_volume(composition, temperature_c))
}

fn check_temperature(temperature_c: f64) -> Result<()> {
    if (MIN_TEMPERATURE_C..=MAX_TEMPERATURE_C).contains(&temperature_c) {
        return Ok(());
    }
    Err(
        Error::new(ErrorKind::Unmeasurable, format!("{temperature_c} °C"))
            .key("temperature_c")
            .expected(format!(
                "{MIN_TEMPERATURE_C} to {MAX_TEMPERATURE_C} °C, the range of the density relations; \
                 or give density_kg_m3 instead of a composition"
            )),
    )
}

/// Density at a temperature that was checked, kg/m³.
fn polynomial(component: Component, temperature_c: f64) -> f64 {
    let [a0, a1, a2] = component.coefficients();
    a0 + (a1 + a2 * temperature_c) * temperature_c
}

/// Fractions with their names.
fn parts(composition: &Composition) -> [(&'static str, Component, f64); 7] {
    [
        ("water", Component::Water, composition.water),
        ("ice", Component::Ice, composition.ice),
        ("protein", Component::Protein, composition.protein),
        ("fat", Component::Fat, composition.fat),
        (
            "carbohydrate",
            Component::Carbohydrate,
            composition.carbohydrate,
        ),
        ("fibre", Component::Fibre, composition.fibre),
        ("ash", Component::Ash, composition.ash),
    ]
}

fn checked_sum(composition: &Composition) -> Result<f64> {
    let parts = parts(composition);
    if let Some((name, _, fraction)) = parts.iter().find(|part| !(0.0..=1.0).contains(&part.2)) {
        return Err(Error::new(ErrorKind::Document, format!("{fraction}"))
            .key(format!("composition.{name}"))
            .expected("a mass fraction from 0 to 1"));
    }
    let sum: f64 = parts.iter().map(|part| part.2).sum();
    // The last digit of a sum of decimal fractions is not theirs.
    if (sum - 1.0).abs() > CLOSURE + 1e-9 {
        return Err(
            Error::new(ErrorKind::Document, format!("fractions sum to {sum:.4}"))
                .key("composition")
                .expected(format!("1 within {CLOSURE}")),
        );
    }
    Ok(sum)
}

/// Σ(xᵢ/ρᵢ), m³/kg.
fn specific_volume(composition: &Composition, temperature_c: f64) -> f64 {
    parts(composition)
        .iter()
        .map(|(_, component, fraction)| fraction / polynomial(*component, temperature_c))
        .sum()
}
