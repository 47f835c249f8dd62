//! Weight: density models, depth rules, mass with its uncertainty.
//!
//! Heights and classes give each class's volume ([`class_volumes`]), composition or the profile gives densities
//! ([`density_kg_m3`]), both give the mass ([`estimate`]). The method is written down in `docs/methods/weight.md`.

mod choi_okos;
mod density;
mod estimate;
mod ice;
mod volumes;

pub use choi_okos::{
    Component, MAX_TEMPERATURE_C, MIN_TEMPERATURE_C, component_density_kg_m3,
    mixture_density_kg_m3, unnormalised_density_kg_m3,
};
pub use density::{densities_kg_m3, density_kg_m3};
pub use estimate::{FAT_CLASS, WeightEstimate, estimate, fat_class};
pub use ice::{FrozenWater, freeze};
pub use volumes::{ClassVolumes, class_volumes};
