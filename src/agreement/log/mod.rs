//! Logs of checkweighers: any table of text whose columns the user names.
//!
//! What a log does not say by itself (a unit, a zone, which part of a date is the month) is never guessed: the error says what to give. What was
//! taken for what is part of the result, to be shown.

mod date;
mod encoding;
mod form;
mod head;
mod layout;
mod number;
mod read;
mod reading;
mod repeated;
mod time;
mod words;

pub use layout::{DateOrder, DecimalMark, LogLayout, MassUnit, layout_beside, read_layout};
pub use read::read_log_files;
pub use reading::{LogFile, LogReading};
