//! The command line: parse, call the library, show.

mod calibrate;
mod compare;
mod compare_check;
mod compare_output;
mod diff;
mod diff_output;
mod drift;
mod effect;
mod exit;
mod history;
mod history_output;
mod inspect;
mod measure;
mod merge;
mod open;
mod output;
mod pack;
mod reprocess;
mod score;
mod shard_choice;
mod simulate;
mod simulate_day;
mod simulate_target;
mod stripe;
mod summary;
mod summary_output;
mod tune;
mod tune_colour;

use std::process::ExitCode;

use clap::{Parser, Subcommand};
use exit::Exit;

/// Measures what lies on a belt from the scans of a laser line and a colour camera: pieces, volume, fat and lean, weight.
///
/// Weights are estimates from volume and density, given with their standard uncertainty. They are not legal for trade.
#[derive(Debug, Parser)]
#[command(name = "weighlight", version, max_term_width = 100)]
#[command(after_help = "\
Exit codes: 0 done, all well; 1 could not be done; 2 wrong usage; 3 done, and a verdict is bad;
4 done, but some inputs were rejected.

Try it without a scanner:
  weighlight simulate belly-strips --out demo --seed 1
  weighlight measure demo --products demo/products --calibrations demo/calibration")]
struct Cli {
    #[command(subcommand)]
    command: Command,
}

#[derive(Debug, Subcommand)]
enum Command {
    /// Measure every piece in scans or whole archives
    Measure(measure::Arguments),
    /// Measure whole archives into a run that can be resumed, shared, merged and compared
    Reprocess(reprocess::Arguments),
    /// Make one run of several
    Merge(merge::Arguments),
    /// Sum up runs or piece tables: rates, spreads, share out of spec, use of the belt
    Summary(summary::Arguments),
    /// Say what changed between two runs over the same scans
    Diff(diff::Arguments),
    /// Look at scans and their pieces in the browser of this machine
    Open(open::Arguments),
    /// Say what is in a scan and whether it is sound
    Inspect(inspect::Arguments),
    /// Say from a scan of a reference target whether the scanner is still true
    Drift(drift::Arguments),
    /// Make a scanner calibration from scans of a reference target
    Calibrate(calibrate::Arguments),
    /// Pack recordings into one compact file each
    Pack(pack::PackArguments),
    /// Unpack them into scan folders
    Unpack(pack::UnpackArguments),
    /// Make scans with known truth, to try things out
    Simulate(simulate::Arguments),
    /// Bring a piece table and a checkweigher's log together: what agrees, what does not, and why
    Compare(compare::Arguments),
    /// Fit a product profile to weighed pieces
    Tune(tune::Arguments),
    /// Fit a product profile's colour rules to painted pixels
    TuneColour(tune_colour::Arguments),
    /// Say how far a piece table is from the truth of a simulation
    Score(score::Arguments),
}

/// Runs the program.
pub(crate) fn run() -> ExitCode {
    let cli = match Cli::try_parse() {
        Ok(cli) => cli,
        Err(error) => {
            // Help and version are asked for and go to standard output; all else is wrong usage.
            let exit = if error.use_stderr() {
                Exit::Usage
            } else {
                Exit::Done
            };
            let _ = error.print();
            return exit.into();
        }
    };
    let done = match cli.command {
        Command::Measure(arguments) => measure::run(&arguments),
        Command::Reprocess(arguments) => reprocess::run(&arguments),
        Command::Merge(arguments) => merge::run(&arguments),
        Command::Summary(arguments) => summary::run(&arguments),
        Command::Diff(arguments) => diff::run(&arguments),
        Command::Open(arguments) => open::run(&arguments),
        Command::Inspect(arguments) => inspect::run(&arguments),
        Command::Drift(arguments) => drift::run(&arguments),
        Command::Calibrate(arguments) => calibrate::run(&arguments),
        Command::Pack(arguments) => pack::pack(&arguments),
        Command::Unpack(arguments) => pack::unpack(&arguments),
        Command::Simulate(arguments) => simulate::run(&arguments),
        Command::Compare(arguments) => compare::run(&arguments),
        Command::Tune(arguments) => tune::run(&arguments),
        Command::TuneColour(arguments) => tune_colour::run(&arguments),
        Command::Score(arguments) => score::run(&arguments),
    };
    done.unwrap_or_else(|error| {
        output::show_error(&error);
        Exit::Failed
    })
    .into()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_command_line_is_put_together_soundly() {
        use clap::CommandFactory;
        Cli::command().debug_assert();
    }
}
