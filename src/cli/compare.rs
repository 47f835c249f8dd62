//! `weighlight compare`.

use std::path::{Path, PathBuf};

use clap::{Args, ValueEnum};
use jiff::Timestamp;
use weighlight::agreement::causes::CauseSettings;
use weighlight::agreement::statistics::{AgreementSettings, Nominal, ScaleClass};
use weighlight::agreement::{
    CompareSettings, DateOrder, DecimalMark, Exclusions, LogLayout, MassUnit, MatchSettings,
    compare_logs, files_hash, pair_rows, read_exclusions, write_pairs_csv, write_pairs_parquet,
};
use weighlight::report::{AgreementPage, agreement_page};
use weighlight::tables::read_pieces;
use weighlight::{Error, ErrorKind, Result};

use super::compare_check::target_check;
use super::compare_output;
use super::exit::Exit;
use super::output::{self, Format};

/// Brings a piece table and a checkweigher's log together although nobody numbered the pieces: which weighing is of which piece, how well
/// estimates and weighings agree, and why they differ.
///
/// The log is any table of text (CSV) whose columns are named here or in a file LOG.toml beside it; what was taken for what is shown. Matches that
/// are not sure are left out and counted. Exit code 1 when the files do not belong together, 3 when a class given with --class is not met.
#[derive(Debug, Args)]
#[command(after_help = "\
Examples:
  weighlight simulate day --out demo --seed 7 --fault density=0.012
  weighlight compare demo/pieces.csv demo/weighings.csv --time time --mass mass_g --html demo/agreement.html
  weighlight compare pieces.csv weigher.csv --date Datum --time Zeit --mass Gewicht --unit g --zone Europe/Berlin --pairs pairs.csv")]
pub(crate) struct Arguments {
    /// Piece table, .csv, .parquet or .json
    pieces: PathBuf,
    /// Logs of the checkweigher
    #[arg(required = true)]
    logs: Vec<PathBuf>,
    #[command(flatten)]
    columns: ColumnArguments,
    /// Farthest that scan and weighing of a piece may lie apart by the two clocks, s
    #[arg(long, value_name = "S", default_value_t = MatchSettings::USUAL.lag_within_s, value_parser = lag)]
    lag_within: f64,
    /// Least probability of a match that is accepted
    #[arg(long, value_name = "P", default_value_t = MatchSettings::USUAL.least_probability, value_parser = probability)]
    least_probability: f64,
    #[command(flatten)]
    asked: AskedArguments,
    /// Form of the result; csv: the pairs
    #[arg(long, value_enum, default_value = "text")]
    format: Format,
    /// File for the result instead of standard output
    #[arg(long, value_name = "FILE")]
    out: Option<PathBuf>,
    /// Table of the pairs, .csv or .parquet
    #[arg(long, value_name = "FILE")]
    pairs: Option<PathBuf>,
    /// Page with charts
    #[arg(long, value_name = "FILE.html")]
    html: Option<PathBuf>,
}

/// Which column is what.
#[derive(Debug, Args)]
#[command(next_help_heading = "The log")]
struct ColumnArguments {
    /// Column of the time, or of date and time in one
    #[arg(long, value_name = "COLUMN")]
    time: Option<String>,
    /// Column of the date, where it stands apart
    #[arg(long, value_name = "COLUMN")]
    date: Option<String>,
    /// Column of the mass
    #[arg(long, value_name = "COLUMN")]
    mass: Option<String>,
    /// Column of the lane
    #[arg(long, value_name = "COLUMN")]
    lane: Option<String>,
    /// Unit of the masses, if neither cells nor column name say it
    #[arg(long, value_enum)]
    unit: Option<UnitArgument>,
    /// Zone of local times, as Europe/Berlin or UTC
    #[arg(long, value_name = "ZONE")]
    zone: Option<String>,
    /// Day of the first row, for times without a date
    #[arg(long, value_name = "DATE")]
    day: Option<jiff::civil::Date>,
    /// Order of dates such as 04/03/2026
    #[arg(long, value_enum)]
    date_order: Option<OrderArgument>,
    /// Decimal mark of the masses
    #[arg(long, value_enum)]
    decimal: Option<DecimalArgument>,
    /// Mass of a test weight that is put on the scale, such as 200g; may be given again
    #[arg(long, value_name = "MASS", value_parser = mass)]
    test_weight: Vec<f64>,
}

#[derive(Debug, Clone, Copy, ValueEnum)]
enum UnitArgument {
    G,
    Kg,
    Lb,
    Oz,
}

#[derive(Debug, Clone, Copy, ValueEnum)]
enum OrderArgument {
    DayMonth,
    MonthDay,
}

#[derive(Debug, Clone, Copy, ValueEnum)]
enum DecimalArgument {
    Point,
    Comma,
}

/// What is known of the checkweigher and asked of the agreement.
#[derive(Debug, Args)]
#[command(next_help_heading = "Agreement")]
struct AskedArguments {
    /// Standard deviation of the checkweigher's own errors, g
    #[arg(long, value_name = "G", value_parser = grams)]
    scale_sd_g: Option<f64>,
    /// Count the pairs whose difference is no larger than this, g; may be given again
    #[arg(long, value_name = "G", value_parser = grams)]
    within_g: Vec<f64>,
    /// Nominal mass of a portion, g: what bias and spread cost
    #[arg(long, value_name = "G", value_parser = grams)]
    nominal_g: Option<f64>,
    /// Class of OIML R 51 to hold the scanner against, such as XIII(1)/1 with the interval in g
    #[arg(long, value_name = "CLASS", value_parser = class)]
    class: Option<ScaleClass>,
    /// The last check with a reference target: a drift report (JSON) or a log of checks (.jsonl)
    #[arg(long, value_name = "FILE")]
    last_check: Option<PathBuf>,
    /// Pairs to set aside, as the page keeps them, each with its reason
    #[arg(long, value_name = "FILE.toml")]
    exclude: Option<PathBuf>,
}

fn lag(text: &str) -> std::result::Result<f64, String> {
    output::number_in(text, 1.0..=86_400.0, "1 to 86400 s")
}

fn probability(text: &str) -> std::result::Result<f64, String> {
    // Below a half, two weighings could both be taken for one piece.
    output::number_in(text, 0.501..=0.9999, "0.501 to 0.9999")
}

fn grams(text: &str) -> std::result::Result<f64, String> {
    output::number_in(text, 1e-6..=1e6, "more than 0, at most 1000000 g")
}

fn class(text: &str) -> std::result::Result<ScaleClass, String> {
    text.parse().map_err(|error: Error| error.to_string())
}

/// `200g`, `0.2 kg`; without a unit, grams.
fn mass(text: &str) -> std::result::Result<f64, String> {
    let expected = "expected a mass such as 200g or 0.5kg";
    let at = text
        .find(|c: char| c.is_ascii_alphabetic())
        .unwrap_or(text.len());
    let (number, sign) = (text[..at].trim(), text[at..].trim());
    let unit = match sign {
        "" => MassUnit::Gram,
        sign => MassUnit::of_sign(sign).ok_or(expected)?,
    };
    let mass_g = number.parse::<f64>().map_err(|_| expected)? * unit.grams();
    if mass_g.is_finite() && mass_g > 0.0 {
        Ok(mass_g)
    } else {
        Err(expected.to_owned())
    }
}

impl ColumnArguments {
    fn layout(&self) -> LogLayout {
        LogLayout {
            time: self.time.clone(),
            date: self.date.clone(),
            mass: self.mass.clone(),
            lane: self.lane.clone(),
            unit: self.unit.map(|it| match it {
                UnitArgument::G => MassUnit::Gram,
                UnitArgument::Kg => MassUnit::Kilogram,
                UnitArgument::Lb => MassUnit::Pound,
                UnitArgument::Oz => MassUnit::Ounce,
            }),
            zone: self.zone.clone(),
            day: self.day,
            date_order: self.date_order.map(|it| match it {
                OrderArgument::DayMonth => DateOrder::DayMonth,
                OrderArgument::MonthDay => DateOrder::MonthDay,
            }),
            decimal: self.decimal.map(|it| match it {
                DecimalArgument::Point => DecimalMark::Point,
                DecimalArgument::Comma => DecimalMark::Comma,
            }),
            test_weights_g: self.test_weight.clone(),
        }
    }
}

impl AskedArguments {
    fn agreement(&self) -> Result<AgreementSettings> {
        let nominal = match self.nominal_g {
            None => None,
            Some(mass_g) => {
                Some(Nominal::of_portion(mass_g).map_err(|error| error.key("--nominal-g"))?)
            }
        };
        Ok(AgreementSettings {
            within_g: self.within_g.clone(),
            scale_sd_g: self.scale_sd_g,
            variance_ratio: None,
            nominal,
            class: self.class,
        })
    }
}

pub(crate) fn run(arguments: &Arguments) -> Result<Exit> {
    for path in [&arguments.out, &arguments.pairs, &arguments.html]
        .into_iter()
        .flatten()
    {
        output::check_target(path)?;
    }
    let pairs_form = arguments.pairs.as_deref().map(pairs_form).transpose()?;
    let settings = CompareSettings {
        matching: MatchSettings {
            lag_within_s: arguments.lag_within,
            least_probability: arguments.least_probability,
            test_weights_g: Vec::new(),
        },
        agreement: arguments.asked.agreement()?,
        causes: CauseSettings {
            scale_sd_g: arguments.asked.scale_sd_g,
            check: arguments
                .asked
                .last_check
                .as_deref()
                .map(target_check)
                .transpose()?,
        },
        exclusions: match &arguments.asked.exclude {
            Some(path) => {
                let read = read_exclusions(path)?;
                let hashes = (
                    files_hash(&[&arguments.pieces])?,
                    files_hash(&arguments.logs)?,
                );
                read.check_files(&hashes.0, &hashes.1)
                    .map_err(|error| error.at(path))?;
                read
            }
            None => Exclusions::default(),
        },
    };
    let pieces = read_pieces(&arguments.pieces)?;
    let layout = arguments.columns.layout();
    let result = compare_logs(&pieces, &arguments.logs, &layout, &settings)?;
    if !result.set_aside_unknown.is_empty() {
        output::warn(&format!(
            "{} rows to be set aside are no pairs of this comparison",
            result.set_aside_unknown.len()
        ));
    }
    let mut rows = pair_rows(&pieces, &result.reading.weighings, &result.matching);
    rows.retain(|it| !settings.exclusions.hold(it.piece_row, it.log_row));
    if let (Some(path), Some(form)) = (&arguments.pairs, pairs_form) {
        match form {
            PairsForm::Csv => output::to_file(path, |to| write_pairs_csv(&rows, to))?,
            PairsForm::Parquet => {
                let mut bytes = Vec::new();
                write_pairs_parquet(&rows, &mut bytes)?;
                output::to_file(path, |to| to.write_all(&bytes))?;
            }
        }
    }
    if let Some(path) = &arguments.html {
        let page = agreement_page(&AgreementPage {
            comparison: &result,
            pieces: &pieces,
            table: &arguments.pieces.display().to_string(),
            made: Timestamp::now(),
        })?;
        output::to_file(path, |to| to.write_all(page.as_bytes()))?;
    }
    let show = |to: &mut dyn std::io::Write| match arguments.format {
        Format::Text => compare_output::text(to, &result),
        Format::Json => compare_output::json(to, &result),
        Format::Csv => write_pairs_csv(&rows, to),
    };
    match &arguments.out {
        Some(path) => output::to_file(path, show)?,
        None => output::to_stdout(show)?,
    }
    let class = result.agreement.class.as_ref();
    Ok(match class {
        Some(class) if !class.within => Exit::BadVerdict,
        _ => Exit::Done,
    })
}

#[derive(Debug, Clone, Copy)]
enum PairsForm {
    Csv,
    Parquet,
}

fn pairs_form(path: &Path) -> Result<PairsForm> {
    let ending = path.extension().map(|it| it.to_ascii_lowercase());
    match ending.as_ref().and_then(|it| it.to_str()) {
        Some("csv") => Ok(PairsForm::Csv),
        Some("parquet") => Ok(PairsForm::Parquet),
        _ => Err(Error::new(
            ErrorKind::Mismatch,
            "the file's name does not say what kind of table to write",
        )
        .at(path)
        .expected("expected a name that ends in .csv or .parquet")),
    }
}
