//! How much of a food's water is ice below its freezing point.
//!
//! Reference: the relation `x_ice = (x_w0 − x_b)·(1 − t_f/t)` with bound water `x_b = 0.4·x_protein`, as in the ASHRAE Handbook
//! Refrigeration, Thermal Properties of Foods. It describes fresh meat, fish and the like; it is never applied unasked.

use crate::product::Composition;
use crate::{Error, ErrorKind, Result};

/// Bound water per protein, 1: water that does not freeze.
const BOUND_WATER_PER_PROTEIN: f64 = 0.4;

/// The water of a food, parted by freezing: mass fractions of the food.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FrozenWater {
    /// Frozen.
    pub ice: f64,
    /// Still liquid.
    pub water: f64,
}

/// Parts the water of an unfrozen composition at a temperature, both in °C; at or above the initial freezing point there is no ice.
///
/// # Errors
/// A composition that holds ice already; a freezing point that is not below 0 °C; a temperature that is not finite.
pub fn freeze(
    unfrozen: &Composition,
    initial_freezing_c: f64,
    temperature_c: f64,
) -> Result<FrozenWater> {
    if unfrozen.ice != 0.0 {
        return Err(Error::new(ErrorKind::Document, format!("{}", unfrozen.ice))
            .key("composition.ice")
            .expected("0: the composition before freezing"));
    }
    if !(initial_freezing_c < 0.0 && temperature_c.is_finite()) {
        return Err(Error::new(
            ErrorKind::Document,
            format!("freezing from {initial_freezing_c} °C at {temperature_c} °C"),
        )
        .expected("an initial freezing point below 0 °C and a temperature"));
    }
    let freezable = (unfrozen.water - BOUND_WATER_PER_PROTEIN * unfrozen.protein).max(0.0);
    let ice = if temperature_c < initial_freezing_c {
        freezable * (1.0 - initial_freezing_c / temperature_c)
    } else {
        0.0
    };
    Ok(FrozenWater {
        ice,
        water: unfrozen.water - ice,
    })
}
