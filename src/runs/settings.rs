//! With what a run measures: profiles, calibrations, which part.

use std::path::{Path, PathBuf};

use jiff::Timestamp;

use crate::calibration::{Calibration, CalibrationSet};
use crate::error::{Error, ErrorKind, Result};
use crate::product::{Product, find_product, read_product};
use crate::scan::{RecordingHead, ScanHead};

use super::partition::path_text;
use super::shard::Shard;

/// A product profile with the hash of its file.
#[derive(Debug, Clone)]
pub struct ProductEntry {
    /// The profile.
    pub product: Product,
    /// Its file, as it was given.
    pub file: String,
    /// BLAKE3 of its file, hexadecimal.
    pub blake3: String,
}

/// A scanner calibration with the hash of its file.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct CalibrationEntry {
    /// The scanner.
    pub scanner: String,
    /// From when it holds.
    pub valid_from: Timestamp,
    /// Its file, as it was given.
    pub file: String,
    /// BLAKE3 of its file, hexadecimal.
    pub blake3: String,
}

/// Where product profiles come from.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum ProductSource {
    /// One for all scans, whatever product they name.
    One(PathBuf),
    /// A folder of profiles, in which each scan's own is looked up.
    Folder(PathBuf),
}

/// All that decides what a run's tables hold, besides the scans.
#[derive(Debug, Clone)]
pub struct RunSettings {
    /// The program's version.
    pub version: String,
    /// The archives, as they were given.
    pub archives: Vec<String>,
    /// Whether one profile is used for all scans.
    pub one_product: bool,
    /// The profiles, by their names.
    pub products: Vec<ProductEntry>,
    /// The calibrations, by scanner and time; empty: scanners are taken as already true.
    pub calibrations: Vec<CalibrationEntry>,
    /// Which part of the run is done.
    pub shard: Shard,
    set: CalibrationSet,
}

impl RunSettings {
    /// Reads profiles and calibrations. All of them are read before anything is measured: what is wrong with one is said at once.
    ///
    /// # Errors
    /// A profile or calibration is wrong, or there is no profile.
    pub fn read(
        archives: &[PathBuf],
        products: &ProductSource,
        calibrations: Option<&Path>,
        shard: Shard,
    ) -> Result<Self> {
        let mut settings = Self {
            version: env!("CARGO_PKG_VERSION").to_owned(),
            archives: archives.iter().map(|path| path_text(path)).collect(),
            one_product: matches!(products, ProductSource::One(_)),
            products: match products {
                ProductSource::One(path) => vec![entry(read_product(path)?, path)?],
                ProductSource::Folder(folder) => profiles(folder)?,
            },
            calibrations: Vec::new(),
            shard,
            set: CalibrationSet::default(),
        };
        if let Some(folder) = calibrations {
            settings.set = CalibrationSet::read(folder)?;
            for calibration in settings.set.iter() {
                let Some(path) = settings.set.file_of(calibration) else {
                    continue;
                };
                settings.calibrations.push(CalibrationEntry {
                    scanner: calibration.scanner.clone(),
                    valid_from: calibration.valid_from,
                    file: path_text(path),
                    blake3: hash_of(path)?,
                });
            }
        }
        Ok(settings)
    }

    /// The classes of all profiles, in the order in which they first occur: every table of the run has their columns.
    #[must_use]
    pub fn classes(&self) -> Vec<String> {
        let mut classes: Vec<String> = Vec::new();
        for class in self
            .products
            .iter()
            .flat_map(|entry| &entry.product.classes)
        {
            if !classes.contains(&class.name) {
                classes.push(class.name.clone());
            }
        }
        classes
    }

    /// The profile that a recording is measured by.
    ///
    /// # Errors
    /// Its scans name none, different ones, or one that is not there.
    pub fn product_of(&self, recording: &RecordingHead) -> Result<&ProductEntry> {
        if self.one_product {
            return self
                .products
                .first()
                .ok_or_else(|| Error::new(ErrorKind::Mismatch, "no product profile is given"));
        }
        let first = recording.frames().first();
        let Some(id) = first.and_then(ScanHead::product) else {
            let error = Error::new(ErrorKind::Mismatch, "the scan names no product")
                .key("product")
                .expected("expected a product's id, or --product FILE for every scan");
            return Err(match first {
                Some(frame) => error.at(frame.document_path()),
                None => error,
            });
        };
        let found = self.products.iter().find(|entry| entry.product.name == id);
        found.ok_or_else(|| {
            let names: Vec<&str> = self
                .products
                .iter()
                .map(|it| it.product.name.as_str())
                .collect();
            let error = Error::new(ErrorKind::Mismatch, format!("no profile \"{id}\""))
                .key("product")
                .expected(match crate::document::nearest(id, &names) {
                    Some(near) => format!("did you mean '{near}'?"),
                    None => format!("there are {}", names.join(", ")),
                });
            match first {
                Some(frame) => error.at(frame.document_path()),
                None => error,
            }
        })
    }

    /// The calibration in force when a recording began, with the hash of its file.
    #[must_use]
    pub fn calibration_of(&self, recording: &RecordingHead) -> Option<(&Calibration, &str)> {
        let first = recording.frames().first()?;
        let calibration = self.set.in_force(first.scanner(), first.captured())?;
        let entry = self.calibrations.iter().find(|entry| {
            entry.scanner == calibration.scanner && entry.valid_from == calibration.valid_from
        })?;
        Some((calibration, &entry.blake3))
    }
}

fn entry(product: Product, path: &Path) -> Result<ProductEntry> {
    Ok(ProductEntry {
        product,
        file: path_text(path),
        blake3: hash_of(path)?,
    })
}

fn hash_of(path: &Path) -> Result<String> {
    let bytes = std::fs::read(path).map_err(|e| Error::io(path, &e))?;
    Ok(blake3::hash(&bytes).to_hex().to_string())
}

/// Every profile in a folder, by name.
fn profiles(folder: &Path) -> Result<Vec<ProductEntry>> {
    let io = |e: std::io::Error| Error::io(folder, &e);
    let mut ids = Vec::new();
    for found in std::fs::read_dir(folder).map_err(io)? {
        let path = found.map_err(io)?.path();
        let stem = path.file_stem().and_then(|stem| stem.to_str());
        if let Some(stem) = stem
            && path
                .extension()
                .is_some_and(|extension| extension == "toml")
        {
            ids.push(stem.to_owned());
        }
    }
    ids.sort();
    if ids.is_empty() {
        return Err(Error::new(ErrorKind::Io, "no product profile")
            .at(folder)
            .expected("expected a folder of profiles, each NAME.toml"));
    }
    ids.iter()
        .map(|id| {
            let product = find_product(folder, id)?;
            entry(product, &folder.join(format!("{id}.toml")))
        })
        .collect()
}
