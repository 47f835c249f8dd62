//! Runs over whole archives: every recording measured once, tables cut by scanner and day, results that do not depend on how
//! often the run was interrupted or on how many machines shared it.

pub mod diff;
mod event;
mod execute;
mod folder;
mod manifest;
mod measure;
mod merge;
mod open;
mod outcome;
mod partition;
mod partition_files;
mod pieces;
mod plain_table;
mod progress;
mod reprocess;
mod rows;
mod settings;
mod settled;
mod shard;
mod standing;
pub mod summary;
mod unit;
mod workers;

pub use event::{Effort, Event, RunResult};
pub use execute::{execute, execute_until};
pub use folder::RunFolder;
pub use manifest::{MANIFEST_FILE, NamedFile, REJECTED_FILE, RUN_FILE, RunCounts, RunDescription};
pub use merge::merge;
pub use open::Run;
pub use outcome::RejectedRow;
pub use partition::Partition;
pub use partition_files::TABLES;
pub use pieces::{MOST_LISTED, PieceList, PieceRow, SortBy, Wanted};
pub use reprocess::{Pace, Reprocess, Surroundings, reprocess};
pub use rows::{InputRow, RecordingRow};
pub use settings::{CalibrationEntry, ProductEntry, ProductSource, RunSettings};
pub use shard::Shard;
pub use standing::{Begun, RunState, Standing, standing};
