//! What is fitted: weighings and the volumes they come from.

use super::fit::Row;
use crate::agreement::PairedPiece;
use crate::agreement::causes::implied_densities;
use crate::product::{DensityRule, DepthRule, Product};
use crate::weight::density_kg_m3;
use crate::{Error, ErrorKind, Result};

/// Largest difference between what the table was made with and the profile: another profile, or another temperature.
const SAME_DENSITY: f64 = 0.002;
const SAME_OFFSET_G: f64 = 0.05;

/// Rows, and the profile as it was when the table was made.
#[derive(Debug, Clone)]
pub(super) struct Problem {
    pub rows: Vec<Row>,
    /// Classes of the profile that have volume, by their place in the profile; empty where the table cannot tell the classes' densities.
    pub classes: Vec<usize>,
    /// Their densities by the table, kg/m³.
    pub densities_kg_m3: Vec<f64>,
    /// Why classes are not fitted.
    pub no_classes: Option<String>,
    pub scale: f64,
    pub offset_g: f64,
}

impl Problem {
    /// Puts pairs and profile together.
    ///
    /// # Errors
    /// The table was not made with this profile.
    pub fn new(pairs: &[&PairedPiece], product: &Product) -> Result<Self> {
        let (scale, offset_g) = (product.weight.scale, product.weight.offset_g);
        let implied = implied_densities(pairs.iter().map(|it| &it.record));
        let mut problem = Self {
            rows: Vec::new(),
            classes: Vec::new(),
            densities_kg_m3: Vec::new(),
            no_classes: None,
            scale,
            offset_g,
        };
        match implied {
            None => {
                problem.no_classes = Some(
                    "the classes' volumes do not tell their densities apart (no colour, shares that hardly vary, or several profiles or temperatures in one table)".to_owned(),
                );
            }
            Some(implied) => {
                if (implied.offset_g - offset_g).abs() > SAME_OFFSET_G {
                    return Err(other_profile(format!(
                        "the table's masses have an offset of {:.2} g, the profile one of {offset_g:.2} g",
                        implied.offset_g
                    )));
                }
                for (class, g_cm3) in &implied.g_cm3 {
                    let Some(at) = product.classes.iter().position(|it| it.name == *class) else {
                        return Err(other_profile(format!(
                            "the table has a class {class:?} that the profile has not"
                        )));
                    };
                    let kg_m3 = 1000.0 * g_cm3 / scale;
                    // Without a temperature of its own, a composition's density is only known from the table.
                    if let Ok(stated) = density_kg_m3(&product.classes[at].density, None)
                        && (kg_m3 / stated - 1.0).abs() > SAME_DENSITY
                    {
                        return Err(other_profile(format!(
                            "the table's {class} weighs {kg_m3:.1} kg/m³, the profile's {stated:.1} kg/m³"
                        )));
                    }
                    problem.classes.push(at);
                    problem.densities_kg_m3.push(kg_m3);
                }
                if problem.classes.len() < 2 {
                    problem.no_classes =
                        Some("there is one class only: its density is the scale".to_owned());
                }
            }
        }
        problem.rows = pairs
            .iter()
            .map(|pair| {
                let volume = |at: &usize| {
                    let name = &product.classes[*at].name;
                    let share = pair.record.classes.iter().find(|it| it.class == *name);
                    share.and_then(|it| it.volume_cm3).unwrap_or(0.0)
                };
                Row {
                    weighed_g: pair.weighed_g,
                    unscaled_g: (pair.mass_g - offset_g) / scale,
                    volumes_cm3: problem.classes.iter().map(volume).collect(),
                }
            })
            .collect();
        Ok(problem)
    }

    /// Place among the fitted classes and thickness, mm, of a layer.
    ///
    /// # Errors
    /// No such class, no layer, or one that weighings cannot tell.
    pub fn layer(
        &self,
        product: &Product,
        class: &str,
        pairs: &[&PairedPiece],
    ) -> Result<(usize, usize, f64)> {
        let refuse = |found: String, expected: &str| {
            Err(Error::new(ErrorKind::Unmeasurable, found)
                .key("depth")
                .expected(expected))
        };
        let place = |name: &str| {
            self.classes
                .iter()
                .position(|at| product.classes[*at].name == name)
        };
        let (Some(layer), Some(base)) = (place(class), place(&product.base)) else {
            return refuse(
                format!(
                    "no volumes of {class:?} and of the base class {:?}",
                    product.base
                ),
                "expected a class of the profile with colour in the table",
            );
        };
        let DepthRule::Layer { depth_mm } = product.classes[self.classes[layer]].depth else {
            return refuse(
                format!("{class} goes all the way through"),
                "expected a class with depth_mm",
            );
        };
        let densities = [self.densities_kg_m3[layer], self.densities_kg_m3[base]];
        if (densities[0] / densities[1] - 1.0).abs() < 0.02 {
            return refuse(
                format!(
                    "{class} weighs {:.0} kg/m³ and what lies under it {:.0} kg/m³",
                    densities[0], densities[1]
                ),
                "expected densities at least 2 % apart: with like ones no weighing tells how thick the layer is",
            );
        }
        let (mut volume, mut area) = (0.0, 0.0);
        for pair in pairs {
            for it in pair.record.classes.iter().filter(|it| it.class == class) {
                volume += it.volume_cm3.unwrap_or(0.0);
                area += it.area_cm2.unwrap_or(0.0);
            }
        }
        if 10.0 * volume / area < 0.8 * depth_mm {
            return refuse(
                format!("pieces are often thinner than the layer of {depth_mm} mm"),
                "expected pieces thicker than the layer: its volume then goes with its thickness",
            );
        }
        Ok((layer, base, depth_mm))
    }
}

fn other_profile(found: String) -> Error {
    Error::new(ErrorKind::Mismatch, found).expected(
        "expected the profile that the piece table was measured with: measure again with it",
    )
}

/// The rule for a density that was fitted, to a tenth of a kg/m³.
pub(super) fn given(kg_m3: f64) -> DensityRule {
    DensityRule::Given {
        kg_m3: (10.0 * kg_m3).round() / 10.0,
    }
}
