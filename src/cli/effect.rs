//! The options that turn a change of the scanner into weight and money.

use std::path::{Path, PathBuf};

use clap::Args;
use weighlight::Result;
use weighlight::calibration::{Calibration, CalibrationSet};
use weighlight::drift::{ArchiveEffect, Comparison, Turnover, effect_on_archive};
use weighlight::product::read_product;
use weighlight::scan::read_archive;

use super::output;

/// What the change costs, on pieces that were really scanned.
#[derive(Debug, Args)]
#[command(next_help_heading = "What it costs")]
pub(crate) struct EffectArguments {
    /// Measure the pieces of these scans with the calibration in force and with what this check found
    #[arg(long, value_name = "ARCHIVE", requires = "product")]
    effect_on: Vec<PathBuf>,
    /// Product profile for --effect-on; give it again for more products
    #[arg(long, value_name = "FILE", requires = "effect_on")]
    product: Vec<PathBuf>,
    /// Price of a kilogram, for money a day (needs --tonnes-per-day)
    #[arg(long, value_name = "PRICE", requires_all = ["tonnes_per_day", "effect_on"], value_parser = price)]
    price_per_kg: Option<f64>,
    /// Production of a day, t (needs --price-per-kg)
    #[arg(long, value_name = "T", requires_all = ["price_per_kg", "effect_on"], value_parser = tonnage)]
    tonnes_per_day: Option<f64>,
}

fn price(text: &str) -> std::result::Result<f64, String> {
    output::number_in(text, 0.0..=1e6, "0 to 1000000 a kilogram")
}

fn tonnage(text: &str) -> std::result::Result<f64, String> {
    output::number_in(text, 0.0..=1e6, "0 to 1000000 t")
}

impl EffectArguments {
    /// Whether anything is to be measured again.
    pub(crate) fn wanted(&self) -> bool {
        !self.effect_on.is_empty()
    }

    /// Measures the archive's pieces with the calibrations in force and with `new`, once for each product.
    ///
    /// `relative_u` is the standard uncertainty of the closed-form effect.
    ///
    /// # Errors
    /// A profile or the archive cannot be read, or there is no piece to compare.
    pub(crate) fn measure(
        &self,
        scanner: &str,
        in_force: &CalibrationSet,
        new: &Calibration,
        relative_u: f64,
    ) -> Result<Vec<ArchiveEffect>> {
        if !self.wanted() {
            return Ok(Vec::new());
        }
        let archive = read_archive(&self.effect_on)?;
        for rejected in &archive.rejected {
            output::warn(&format!(
                "not measured: {}: {}",
                rejected.folder.display(),
                rejected.error
            ));
        }
        let turnover = self.price_per_kg.zip(self.tonnes_per_day);
        let one = |path: &PathBuf| {
            let product = read_product(Path::new(path))?;
            let with = Comparison {
                scanner,
                product: &product,
                in_force,
                new,
                relative_u,
                turnover: turnover.map(|(price_per_kg, tonnes_per_day)| Turnover {
                    price_per_kg,
                    tonnes_per_day,
                }),
            };
            effect_on_archive(&archive, &with)
        };
        self.product.iter().map(one).collect()
    }
}
