//! The history of a scanner: the log of its checks, and what the checks say together.
//!
//! Each entry of a log carries a hash of itself and of the one before, so that an entry that was changed or taken out
//! shows. A log that was cut off at its end cannot be told from a shorter one by itself: who keeps the number and hash of
//! a later entry (every record states them) can.

mod append;
mod chain;
mod entry;
mod gauge;
mod log;
mod phases;
mod review;
mod series;
mod trend;

pub use append::{Appended, NewEntry, append, append_after};
pub use chain::{Damage, Notice, ORIGIN};
pub use entry::{
    CheckEntry, Entry, LOG_FORMAT, ParameterEntry, SurfaceEntry, WeightEntry, report_hash,
    report_json,
};
pub use gauge::{GaugeReview, ParameterGauge};
pub use log::{Log, Logged, log_path, parse_log, read_log};
pub use phases::{Change, ChangeCause, Phase};
pub use review::{Event, ExpectedCalls, Review, ReviewSettings, Standing, review};
pub use series::{Charted, Point, Series, Signal, Tolerance};
pub use trend::{Meeting, Trend};
