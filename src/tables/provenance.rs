//! Where a table came from: enough to make it again.

use jiff::Timestamp;

/// The product profile that was used.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ProductUsed {
    /// Its id.
    pub name: String,
    /// BLAKE3 hash of the profile's file, hexadecimal.
    pub blake3: String,
}

/// One recording that went into a table.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RecordingUsed {
    /// The recording.
    pub recording: String,
    /// Its scanner.
    pub scanner: String,
    /// Its frames' ids in order.
    pub scans: Vec<String>,
    /// `valid_from` of the calibration in force; `None`: none was, and the scan was taken as already true.
    pub calibration: Option<Timestamp>,
    /// The product profile it was measured by.
    pub product: Option<ProductUsed>,
    /// Whether there was colour.
    pub has_colour: bool,
    /// Whether the colour went through a lossy compression, which moves colours near edges.
    pub colour_lossy: bool,
}

/// Where a table came from.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Provenance {
    /// The program's version.
    pub version: String,
    /// The command as given, program name first.
    pub command: Vec<String>,
    /// What was set, name and value, in a fixed order.
    pub settings: Vec<(String, String)>,
    /// The recordings in the table's order.
    pub recordings: Vec<RecordingUsed>,
}

/// What is written where no calibration was in force.
pub(crate) const NO_CALIBRATION: &str = "none: taken as true";

impl RecordingUsed {
    /// The calibration in force, in words.
    pub fn calibration_text(&self) -> String {
        match &self.calibration {
            Some(valid_from) => valid_from.to_string(),
            None => NO_CALIBRATION.to_owned(),
        }
    }
}
