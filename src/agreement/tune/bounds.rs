//! What a class's density can be.

use serde::Serialize;

/// A range of densities, kg/m³.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct DensityBounds {
    /// Lowest.
    pub low_kg_m3: f64,
    /// Highest.
    pub high_kg_m3: f64,
}

/// The range for a class by its name; the widest one, that of the profile format, for a name it does not know.
///
/// `fat`: pure lipid is 917 to 926 kg/m³ at 0 to 20 °C and backfat 935 to 943 by composition (Choi and Okos 1986), fat tissue 920 measured (second hand); fatty
/// tissue up to 970. `lean`, `meat`, `flesh`, `fish`: lean meats and fish 1042 to 1065 by composition, muscle 1060 (Mendez and Keys 1960). `skin`: water, protein
/// and some fat (no source). `crust`, `crumb`: measured breads 124 to 260, cakes and pastry up to 662 kg/m³ (Kelkar, Boushey and Okos 2015). Ends are rounded
/// outwards.
#[must_use]
pub fn density_bounds(class: &str) -> DensityBounds {
    let [low_kg_m3, high_kg_m3] = match class {
        "fat" => [900.0, 980.0],
        "lean" | "meat" | "muscle" | "flesh" | "fish" => [1020.0, 1090.0],
        "skin" => [980.0, 1150.0],
        "crust" | "crumb" => [100.0, 700.0],
        _ => [50.0, 3000.0],
    };
    DensityBounds {
        low_kg_m3,
        high_kg_m3,
    }
}

impl DensityBounds {
    /// Whether a density lies inside.
    #[must_use]
    pub fn holds(&self, kg_m3: f64) -> bool {
        self.low_kg_m3 <= kg_m3 && kg_m3 <= self.high_kg_m3
    }
}
