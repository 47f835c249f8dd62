//! The scenario "day": a piece table, a checkweigher's log and the truth, without scans.

use std::path::Path;

use clap::Args;
use weighlight::product::write_product;
use weighlight::simulate::{Day, DayFault, DayWeighing, simulate_day};
use weighlight::tables::{PieceTable, Provenance, write_csv};
use weighlight::{Error, ErrorKind, Result};

use super::output;

/// The scenario's name.
pub(crate) const DAY_SCENARIO: &str = "day";

/// What a day is made of.
#[derive(Debug, Args)]
#[command(next_help_heading = "Scenario \"day\"")]
pub(crate) struct DayArguments {
    /// Lanes over one checkweigher [default: 1]
    #[arg(long, value_name = "N")]
    lanes: Option<u32>,
    /// Share of pieces that are not weighed [default: 0.03]
    #[arg(long, value_name = "FRACTION")]
    missing: Option<f64>,
    /// Share of weighings that are of two pieces [default: 0.02]
    #[arg(long, value_name = "FRACTION")]
    doubles: Option<f64>,
    /// Share of pieces that change places with the next [default: 0.01]
    #[arg(long, value_name = "FRACTION")]
    swaps: Option<f64>,
    /// Time from scan to weighing by the two clocks, s [default: 37]
    #[arg(long, value_name = "S", allow_negative_numbers = true)]
    lag_s: Option<f64>,
    /// How much faster the checkweigher's clock runs, ppm [default: 300]
    #[arg(long, value_name = "PPM", allow_negative_numbers = true)]
    clock_ppm: Option<f64>,
    /// Step of the checkweigher's clock, s [default: 0.001]
    #[arg(long, value_name = "S")]
    clock_step_s: Option<f64>,
    /// Spread of the masses [default: 0.10]
    #[arg(long, value_name = "FRACTION")]
    mass_spread: Option<f64>,
    /// What is off: density=0.012, fat-density=0.05, belt-mm=0.3, lane-2=0.01, drift=0.01, step=0.01; may be given again
    #[arg(long, value_name = "NAME=VALUE", allow_negative_numbers = true, value_parser = fault)]
    fault: Vec<DayFault>,
}

fn fault(text: &str) -> std::result::Result<DayFault, String> {
    let expected = "expected density, fat-density, belt-mm, lane-N, drift or step, =, and a number, as in density=0.012";
    let (name, value) = text.split_once('=').ok_or(expected)?;
    let value: f64 = value.parse().map_err(|_| expected)?;
    if !value.is_finite() || value.abs() > 5.0 || (name != "belt-mm" && value.abs() > 0.5) {
        return Err("expected a fraction within 0.5, or up to 5 mm".to_owned());
    }
    Ok(match name {
        "density" => DayFault::Density(value),
        "fat-density" => DayFault::FatDensity(value),
        "belt-mm" => DayFault::BeltMm(value),
        "drift" => DayFault::Drift(value),
        "step" => DayFault::Step(value),
        _ => match name.strip_prefix("lane-").map(str::parse) {
            Some(Ok(lane)) => DayFault::Lane(lane, value),
            _ => return Err(expected.to_owned()),
        },
    })
}

impl DayArguments {
    /// Other scenarios know none of these.
    pub(crate) fn refuse(&self) -> Result<()> {
        let given = [
            ("--lanes", self.lanes.is_some()),
            ("--missing", self.missing.is_some()),
            ("--doubles", self.doubles.is_some()),
            ("--swaps", self.swaps.is_some()),
            ("--lag-s", self.lag_s.is_some()),
            ("--clock-ppm", self.clock_ppm.is_some()),
            ("--clock-step-s", self.clock_step_s.is_some()),
            ("--mass-spread", self.mass_spread.is_some()),
            ("--fault", !self.fault.is_empty()),
        ];
        match given.iter().find(|(_, given)| *given) {
            None => Ok(()),
            Some((name, _)) => Err(Error::new(
                ErrorKind::Mismatch,
                "only the scenario day takes this option",
            )
            .key(*name)
            .expected("expected it left out, or the scenario day")),
        }
    }

    /// Writes the product profile, `pieces.csv`, `weighings.csv` and `truth.csv` into a folder; gives the numbers of pieces and of weighings.
    pub(crate) fn write(
        &self,
        out: &Path,
        seed: u64,
        pieces: Option<usize>,
        start: Option<jiff::Timestamp>,
    ) -> Result<(usize, usize)> {
        let usual = Day::usual();
        let day = Day {
            pieces: pieces.unwrap_or(usual.pieces),
            start: start.unwrap_or(usual.start),
            lanes: self.lanes.unwrap_or(usual.lanes),
            missing: self.missing.unwrap_or(usual.missing),
            doubles: self.doubles.unwrap_or(usual.doubles),
            swaps: self.swaps.unwrap_or(usual.swaps),
            lag_s: self.lag_s.unwrap_or(usual.lag_s),
            clock_ppm: self.clock_ppm.unwrap_or(usual.clock_ppm),
            clock_step_s: self.clock_step_s.unwrap_or(usual.clock_step_s),
            mass_spread: self.mass_spread.unwrap_or(usual.mass_spread),
            faults: self.fault.clone(),
            ..usual
        };
        let made = simulate_day(&day, seed)?;
        let counts = (made.pieces.len(), made.log.len());
        let table = PieceTable::new(
            made.pieces,
            Vec::new(),
            Provenance {
                version: env!("CARGO_PKG_VERSION").to_owned(),
                command: std::env::args().collect(),
                settings: vec![("seed".to_owned(), seed.to_string())],
                recordings: Vec::new(),
            },
        );
        output::to_file(&out.join("pieces.csv"), |to| write_csv(&table, to))?;
        let product = day.product();
        let products = out.join("products");
        output::make_folder(&products)?;
        write_product(&products.join(format!("{}.toml", product.name)), &product)?;
        output::to_file(&out.join("weighings.csv"), |to| {
            writeln!(to, "number,time,mass_g")?;
            made.log
                .iter()
                .enumerate()
                .try_for_each(|(at, row)| writeln!(to, "{},{},{:.3}", at + 1, row.time, row.mass_g))
        })?;
        output::to_file(&out.join("truth.csv"), |to| {
            writeln!(to, "log_row,piece_row,kind")?;
            made.log
                .iter()
                .enumerate()
                .try_for_each(|(at, row)| truth_rows(to, at + 1, row))
        })?;
        Ok(counts)
    }
}

/// A weighing of two pieces has two rows, one of a test weight has one without a piece.
fn truth_rows(
    to: &mut dyn std::io::Write,
    log_row: usize,
    row: &DayWeighing,
) -> std::io::Result<()> {
    let kind = match row.pieces.len() {
        0 => return writeln!(to, "{log_row},,test-weight"),
        1 => "single",
        _ => "double",
    };
    row.pieces
        .iter()
        .try_for_each(|piece| writeln!(to, "{log_row},{},{kind}", piece + 1))
}
