//! The causes that are looked for.

use jiff::Timestamp;
use serde::Serialize;

/// A cause of differences between estimate and weighing.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[serde(tag = "kind", rename_all = "kebab-case")]
pub enum Cause {
    /// All densities, or a scale of height, length or width: the difference is in proportion to volume, and nothing in weighings tells these apart.
    DensityOrScale,
    /// All densities; a check with a reference target excludes the scanner's scales.
    Density,
    /// The scanner's scales, as a check with a reference target says.
    Scale,
    /// Density of one class, or how deep it goes: in proportion to that class's mass.
    Class {
        /// The class.
        class: String,
    },
    /// The height of the belt under the pieces, or heights that are all off by the same: in proportion to footprint area.
    BeltHeight,
    /// The same mass on every piece: a zero or tare of the checkweigher, packaging, the profile's offset.
    FixedMass,
    /// One lane.
    Lane {
        /// Its number, from 1.
        lane: u32,
    },
    /// A slow, even change from the first piece to the last.
    Drift,
    /// A change that dies away after the start.
    WarmUp {
        /// Time in which it falls to 1/e, minutes.
        minutes: f64,
    },
    /// A step that stays.
    Step {
        /// First piece after it was scanned at this time.
        at: Timestamp,
        /// Earliest time it may have happened (95 %).
        earliest: Timestamp,
        /// Latest time (95 %).
        latest: Timestamp,
    },
    /// Surface that nobody saw and that was reconstructed.
    Hidden,
    /// Pieces that had to be parted, or nearly had to be.
    Touching,
}

impl Cause {
    /// A short name for people.
    #[must_use]
    pub fn name(&self) -> String {
        match self {
            Self::DensityOrScale => "density, or a scale of height, length or width".to_owned(),
            Self::Density => "density".to_owned(),
            Self::Scale => "the scanner's scales".to_owned(),
            Self::Class { class } => format!("density or depth of {class}"),
            Self::BeltHeight => "height of the belt".to_owned(),
            Self::FixedMass => "a fixed mass on every piece".to_owned(),
            Self::Lane { lane } => format!("lane {lane}"),
            Self::Drift => "a slow drift".to_owned(),
            Self::WarmUp { .. } => "warming up".to_owned(),
            Self::Step { .. } => "a step".to_owned(),
            Self::Hidden => "reconstructed surface".to_owned(),
            Self::Touching => "pieces that touched".to_owned(),
        }
    }

    /// Whether two are the same cause, be it with other numbers (another moment of a step, another time constant).
    #[must_use]
    pub fn is_like(&self, other: &Self) -> bool {
        match (self, other) {
            (Self::WarmUp { .. }, Self::WarmUp { .. }) | (Self::Step { .. }, Self::Step { .. }) => {
                true
            }
            _ => self == other,
        }
    }
}
