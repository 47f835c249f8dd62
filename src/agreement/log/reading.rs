//! What was read, and what was taken for what.

use std::path::PathBuf;

use jiff::Timestamp;

use crate::agreement::Weighing;

/// Weighings of one or several logs, in the order of the rows.
#[derive(Debug, Clone, PartialEq)]
pub struct LogReading {
    /// Each log.
    pub files: Vec<LogFile>,
    /// Rows of a weighing within the span asked for.
    pub weighings: Vec<Weighing>,
    /// Test weights that the files beside the logs name, g.
    pub test_weights_g: Vec<f64>,
}

/// One log: what was taken for what, and how many rows were what.
#[derive(Debug, Clone, PartialEq)]
pub struct LogFile {
    /// The file.
    pub path: PathBuf,
    /// How its text is written, in words.
    pub encoding: &'static str,
    /// What separates its cells: `,`, `;` or a tab.
    pub delimiter: char,
    /// 1-based line of the column names.
    pub head_line: usize,
    /// Names of the columns used: of the time, date, mass and lane.
    pub time_column: String,
    /// Column of the date, where it stands apart.
    pub date_column: Option<String>,
    /// Column of the mass.
    pub mass_column: String,
    /// Column of the lane, if one was named.
    pub lane_column: Option<String>,
    /// How times are written, in words.
    pub time_form: String,
    /// Sign before a mass's decimals.
    pub decimal_mark: char,
    /// Unit of the masses.
    pub unit: &'static str,
    /// Where the unit is known from, in words.
    pub unit_from: &'static str,
    /// Rows below the head.
    pub rows: usize,
    /// Rows used.
    pub used: usize,
    /// Rows before or after the span asked for.
    pub outside: usize,
    /// Rows that repeat an earlier one.
    pub repeated: usize,
    /// Rows with a mass of zero or less.
    pub empty_scale: usize,
    /// Rows whose mass is no number, as where the scale was out of range.
    pub no_mass: usize,
    /// The first such, with its row.
    pub no_mass_example: Option<(usize, String)>,
    /// Rows whose time cannot be read.
    pub no_time: usize,
    /// The first such, with its row.
    pub no_time_example: Option<(usize, String)>,
    /// Rows with fewer cells than the columns used need.
    pub cut_off: usize,
    /// Rows whose time lies before that of the row above.
    pub out_of_order: usize,
    /// Rows in the hour that came twice.
    pub hour_twice: usize,
    /// First and last time in the log.
    pub span: Option<(Timestamp, Timestamp)>,
}
