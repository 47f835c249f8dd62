//! The page on this machine: a server that only this machine and only the user's browser can reach.

mod api;
mod assets;
mod guard;
mod serve;

use std::path::PathBuf;

use weighlight::Result;
use weighlight::calibration::CalibrationSet;
use weighlight::product::Product;
use weighlight::scan::{Archive, Recording};
use weighlight::tables::ProductUsed;

pub(crate) use serve::serve;

/// Finds the product profile of a recording.
pub(crate) type ProfileOf = Box<dyn Fn(&Recording) -> Result<(Product, ProductUsed)> + Send + Sync>;

/// What was opened. The page reaches scans by their place in this list only, never by a path.
pub(crate) struct Opened {
    /// What was named on the command line: folders of scans.
    pub(crate) folders: Vec<PathBuf>,
    /// What was named on the command line: folders of runs.
    pub(crate) runs: Vec<PathBuf>,
    /// The one product profile for all scans, if it was given.
    pub(crate) product: Option<PathBuf>,
    /// The folder of product profiles, if there is one.
    pub(crate) products: Option<PathBuf>,
    /// The folder of calibrations, if there is one.
    pub(crate) calibrations_folder: Option<PathBuf>,
    /// The only folder that the page writes into; made when first needed.
    pub(crate) save_to: PathBuf,
    /// The folder that relative paths start from.
    pub(crate) working_folder: String,
    /// The scans.
    pub(crate) archive: Archive,
    /// Their product profiles.
    pub(crate) profile_of: ProfileOf,
    /// Their scanners' calibrations.
    pub(crate) calibrations: CalibrationSet,
}
