//! `weighlight summary`.

use std::path::PathBuf;

use clap::Args;
use jiff::Timestamp;
use weighlight::report::summary_page;
use weighlight::runs::summary::{Limit, LimitKind, Verdict, check_limits, summarise};
use weighlight::{Error, ErrorKind, Result};

use super::exit::Exit;
use super::output::{self, Format};
use super::summary_output;

/// Sums up what ran over the belt: pieces per minute, kilograms per hour, mean and spread of mass and fat by product, lane and hour,
/// the share out of spec, how the belt was used.
///
/// Rates are by the time for which the belt was seen. Shares come with exact 95 % confidence limits (Clopper and Pearson). Weights are
/// estimates, not legal for trade.
#[derive(Debug, Args)]
#[command(after_help = "\
Examples:
  weighlight summary run
  weighlight summary run --most-out-of-spec 2 --html summary.html
  weighlight summary march.parquet april.parquet --format json

Exit codes: 0 done; 3 a limit given here is missed. A share is missed when the whole confidence interval lies beyond its limit.")]
pub(crate) struct Arguments {
    /// Folders of runs, or piece tables (.csv, .parquet)
    #[arg(required = true, value_name = "RUN|TABLE")]
    inputs: Vec<PathBuf>,
    /// Limit: at most so many percent of the pieces of each product out of their spec
    #[arg(long, value_name = "PERCENT", allow_negative_numbers = true, value_parser = percent)]
    most_out_of_spec: Option<f64>,
    /// Limit: at least so many pieces a minute of each product
    #[arg(long, value_name = "N", allow_negative_numbers = true, value_parser = rate)]
    least_per_minute: Option<f64>,
    /// Limit: at least so many kilograms an hour of each product
    #[arg(long, value_name = "KG", allow_negative_numbers = true, value_parser = rate)]
    least_kg_per_hour: Option<f64>,
    /// Page to write, with charts
    #[arg(long, value_name = "FILE")]
    html: Option<PathBuf>,
    /// Form of the result on standard output
    #[arg(long, value_enum, default_value = "text")]
    format: Format,
}

fn percent(text: &str) -> std::result::Result<f64, String> {
    output::number_in(text, 0.0..=100.0, "a percentage from 0 to 100")
}

fn rate(text: &str) -> std::result::Result<f64, String> {
    output::number_in(text, 0.0..=1e9, "a number, 0 or larger")
}

pub(crate) fn run(arguments: &Arguments) -> Result<Exit> {
    if let Some(path) = &arguments.html {
        output::check_target(path)?;
    }
    let summary = summarise(&arguments.inputs)?;
    if summary.products.is_empty() {
        return Err(Error::new(
            ErrorKind::Unmeasurable,
            "nothing to sum up: no recording was measured",
        ));
    }
    let limits: Vec<Limit> = [
        (
            LimitKind::MostOutOfSpec,
            arguments.most_out_of_spec.map(|percent| percent / 100.0),
        ),
        (LimitKind::LeastPiecesPerMinute, arguments.least_per_minute),
        (LimitKind::LeastKgPerHour, arguments.least_kg_per_hour),
    ]
    .into_iter()
    .filter_map(|(kind, value)| value.map(|value| Limit { kind, value }))
    .collect();
    let checked = check_limits(&summary, &limits);
    if let Some(path) = &arguments.html {
        let page = summary_page(&summary, &checked, Timestamp::now())?;
        output::to_file(path, |to| to.write_all(page.as_bytes()))?;
    }
    output::to_stdout(|to| match arguments.format {
        Format::Text => summary_output::text(to, &summary, &checked),
        Format::Json => summary_output::json(to, &summary, &checked),
        Format::Csv => summary_output::csv(to, &summary),
    })?;
    Ok(
        match checked.iter().any(|it| it.verdict == Verdict::Missed) {
            true => Exit::BadVerdict,
            false => Exit::Done,
        },
    )
}
