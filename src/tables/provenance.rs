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

/// A limit between two classes that a profile wants learned from each recording.
#[derive(Debug, Clone, PartialEq)]
pub struct LearnedLimit {
    /// The two classes.
    pub between: [String; 2],
    /// The axis of CIELAB: `l`, `a` or `b`.
    pub axis: String,
    /// `otsu` or `two-gaussian`.
    pub method: String,
    /// The limit in the profile.
    pub profile_limit: f64,
    /// The limit that was learned; `None` where none could be.
    pub limit: Option<f64>,
    /// Otsu's separability of the two classes' colours, 0 to 1; `None` where there were none.
    pub separability: Option<f64>,
    /// Why the profile's limit was used instead; `None`: the learned one was.
    pub refused: Option<String>,
}

impl LearnedLimit {
    /// The limit that the recording was measured with.
    #[must_use]
    pub fn used(&self) -> f64 {
        match (&self.refused, self.limit) {
            (None, Some(limit)) => limit,
            _ => self.profile_limit,
        }
    }

    /// In words, for people.
    #[must_use]
    pub fn in_words(&self) -> String {
        let [one, two] = &self.between;
        let (axis, profile) = (&self.axis, self.profile_limit);
        match &self.refused {
            None => format!(
                "limit between {one} and {two} learned: {axis} {:.1} (profile: {profile:.1})",
                self.used()
            ),
            Some(reason) => format!(
                "limit between {one} and {two} not learned, the profile's {axis} {profile:.1} used: {reason}"
            ),
        }
    }
}

/// One recording that went into a table.
#[derive(Debug, Clone, PartialEq)]
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
    /// The limit that the profile wants learned; `None`: it wants none.
    pub learned: Option<LearnedLimit>,
}

/// Where a table came from.
#[derive(Debug, Clone, PartialEq)]
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
