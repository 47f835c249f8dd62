//! The options that turn a change of the scanner into weight and money, and how colours and costs are shown.

use std::io::Write;
use std::path::PathBuf;

use clap::Args;
use weighlight::Result;
use weighlight::drift::{Check, CheckTask, DriftReport, Turnover, Verdict, add_cost};
use weighlight::product::read_product;
use weighlight::scan::read_archive;

use super::output;

/// What the change costs, on pieces that were really scanned.
#[derive(Debug, Args)]
#[command(next_help_heading = "What it costs")]
pub(crate) struct EffectArguments {
    /// Measure the pieces of these scans with the calibration compared with and with what this check found
    #[arg(long, value_name = "ARCHIVE", requires_all = ["product", "scan"])]
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
    /// Measures the archive's pieces with what is compared with and with what the check found, once for each product, and adds the outcome to
    /// the report.
    ///
    /// # Errors
    /// A profile or the archive cannot be read, or there is no piece to compare.
    pub(crate) fn add(&self, check: &mut Check, task: &CheckTask<'_>) -> Result<()> {
        if self.effect_on.is_empty() {
            return Ok(());
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
        let turnover = turnover.map(|(price_per_kg, tonnes_per_day)| Turnover {
            price_per_kg,
            tonnes_per_day,
        });
        for path in &self.product {
            add_cost(check, task, &archive, &read_product(path)?, turnover)?;
        }
        Ok(())
    }
}

/// Colours and costs of a check, for people.
pub(super) fn colour_and_cost(to: &mut dyn Write, report: &DriftReport) -> std::io::Result<()> {
    if let Some(colour) = &report.colour {
        let verdict = match colour.verdict {
            Verdict::InTolerance => "in tolerance",
            Verdict::Warning => "not decided",
            Verdict::OutOfTolerance => "OUT OF TOLERANCE",
        };
        writeln!(
            to,
            "  colour     {} patches, largest CIEDE2000 difference {:.1} (tolerance {:.1}): {verdict}",
            colour.patches.len(),
            colour.max_de00,
            colour.tolerance_de00
        )?;
        if let (Some([x, y]), Some([u_x, u_y])) = (colour.registration_mm, colour.registration_u_mm)
        {
            writeln!(
                to,
                "             colour beside height {x:+.2} ± {:.2} mm across, {y:+.2} ± {:.2} mm along (k = 2)",
                2.0 * u_x,
                2.0 * u_y
            )?;
        }
        if let Some(left) = colour.corrected_max_de00 {
            writeln!(
                to,
                "             {left:.1} would be left with a correction fitted to this scan"
            )?;
        }
    }
    let effect = &report.weight_effect;
    writeln!(
        to,
        "  weight     {:+.2} ± {:.2} % (k = 2) on every estimate while nothing is corrected",
        100.0 * effect.relative,
        200.0 * effect.relative_u
    )?;
    for product in &effect.per_product {
        write!(
            to,
            "             {}: {:+.2}",
            product.product, product.mass_g
        )?;
        if let Some(u) = product.mass_u_g {
            write!(to, " ± {:.2}", 2.0 * u)?;
        }
        write!(
            to,
            " g a piece ({:+.2} %), {} pieces measured again",
            100.0 * product.relative,
            product.pieces
        )?;
        match product.money_per_day {
            Some(money) => writeln!(to, "; {money:+.0} a day"),
            None => writeln!(to),
        }?;
    }
    writeln!(to)
}
