//! What is remarkable about a scan.
//!
//! The limits are common practice, without a source: they tell a scan that somebody should look at from one that nobody
//! need look at.

use std::fmt;

use super::Inspection;
use crate::scan::{HeightKind, Scan};

/// More samples lost than this, and pieces have holes that are larger than what surrounds them can tell.
const UNSOUND_DROPOUT: f64 = 0.5;
/// More samples lost than this is worth a look: optics dirty, laser weak, steep or wet pieces.
const MANY_DROPOUTS: f64 = 0.15;
/// Less belt than this, and heights rest on belt seen far away.
const LITTLE_BELT: f64 = 0.1;
/// More pixels clipped than this, and classes by colour become doubtful.
const MUCH_CLIPPED: f64 = 0.02;
/// More pixels black than this: lamp or exposure.
const MUCH_BLACK: f64 = 0.5;
/// Noisier than this, mm, and thin pieces drown.
const NOISY_MM: f64 = 0.3;
/// The belt moves more than this, mm.
const RIPPLED_MM: f64 = 2.0;
/// Pitches of line scanners over food belts lie in this range, mm; beyond, a unit slipped.
const PITCH_MM: [f64; 2] = [0.05, 5.0];
/// Belt speeds lie in this range, mm/s.
const SPEED_MM_S: [f64; 2] = [5.0, 3000.0];

/// Something remarkable about a scan.
#[derive(Debug, Clone, Copy, PartialEq)]
#[non_exhaustive]
pub enum Finding {
    /// The belt was not seen.
    NoBelt,
    /// This share of the samples had no return: too many.
    MostlyDropouts(f64),
    /// A pitch in mm that no such scanner has.
    ImplausiblePitch(f64),
    /// This share of the seen samples is belt: little.
    LittleBelt(f64),
    /// This share of the samples had no return: many.
    ManyDropouts(f64),
    /// The noise, mm: large.
    Noisy(f64),
    /// The belt's ripple, mm: large.
    Rippled(f64),
    /// There is no colour frame.
    NoColour,
    /// The colour went through a lossy compression.
    LossyColour,
    /// This share of the pixels is clipped.
    Clipped(f64),
    /// This share of the pixels is black.
    Black(f64),
    /// Neither belt speed nor row times are stated.
    NoSpeed,
    /// A belt speed in mm/s that no such belt has.
    ImplausibleSpeed(f64),
}

impl Finding {
    /// Whether the scan is unfit to be measured.
    pub fn is_unsound(&self) -> bool {
        matches!(
            self,
            Self::NoBelt | Self::MostlyDropouts(_) | Self::ImplausiblePitch(_)
        )
    }

    /// A short name for programs.
    pub fn name(&self) -> &'static str {
        match self {
            Self::NoBelt => "no-belt",
            Self::MostlyDropouts(_) => "mostly-dropouts",
            Self::ImplausiblePitch(_) => "implausible-pitch",
            Self::LittleBelt(_) => "little-belt",
            Self::ManyDropouts(_) => "many-dropouts",
            Self::Noisy(_) => "noisy",
            Self::Rippled(_) => "rippled",
            Self::NoColour => "no-colour",
            Self::LossyColour => "lossy-colour",
            Self::Clipped(_) => "clipped",
            Self::Black(_) => "black",
            Self::NoSpeed => "no-speed",
            Self::ImplausibleSpeed(_) => "implausible-speed",
        }
    }
}

impl fmt::Display for Finding {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::NoBelt => write!(f, "no belt was seen: heights have nothing to stand on"),
            Self::MostlyDropouts(share) => write!(
                f,
                "{:.0} % of the samples have no return: look at laser, camera and exposure",
                100.0 * share
            ),
            Self::ImplausiblePitch(mm) => write!(
                f,
                "a pitch of {mm} mm is not that of a line scanner: check the unit in scan.toml"
            ),
            Self::LittleBelt(share) => write!(
                f,
                "only {:.0} % of what was seen is belt: heights rest on belt seen far away",
                100.0 * share
            ),
            Self::ManyDropouts(share) => write!(
                f,
                "{:.0} % of the samples have no return: clean the optics, check the exposure",
                100.0 * share
            ),
            Self::Noisy(mm) => write!(f, "noise of {mm:.2} mm on the belt"),
            Self::Rippled(mm) => write!(f, "the belt moves by ± {mm:.1} mm"),
            Self::NoColour => write!(f, "no colour frame: no fat and lean"),
            Self::LossyColour => write!(
                f,
                "the colour went through a lossy compression, which moves colours near edges"
            ),
            Self::Clipped(share) => write!(
                f,
                "{:.1} % of the pixels are clipped: lower the exposure",
                100.0 * share
            ),
            Self::Black(share) => write!(
                f,
                "{:.0} % of the pixels are black: check lamp and exposure",
                100.0 * share
            ),
            Self::NoSpeed => write!(f, "no belt speed: pieces have no time"),
            Self::ImplausibleSpeed(mm_s) => write!(
                f,
                "a belt speed of {mm_s} mm/s is not that of a food belt: check the unit in scan.toml"
            ),
        }
    }
}

/// What is remarkable about a scan, the unsound first.
pub fn judge(scan: &Scan, inspection: &Inspection) -> Vec<Finding> {
    let mut findings = Vec::new();
    let mut note = |is: bool, finding: Finding| {
        if is {
            findings.push(finding);
        }
    };
    let within = |[low, high]: [f64; 2], value: f64| low <= value && value <= high;
    let dropouts = inspection.dropout_fraction;
    note(inspection.belt.is_none(), Finding::NoBelt);
    note(
        dropouts > UNSOUND_DROPOUT,
        Finding::MostlyDropouts(dropouts),
    );
    let height = &scan.description.height;
    for pitch_mm in [height.pitch_across_mm, height.pitch_along_mm] {
        // The columns of stripe rows are the sensor's; their pitch comes from the calibration.
        let known = height.kind == HeightKind::Range;
        note(
            known && !within(PITCH_MM, pitch_mm),
            Finding::ImplausiblePitch(pitch_mm),
        );
    }
    if let Some(heights) = inspection.heights {
        let share = heights.belt_fraction;
        note(share < LITTLE_BELT, Finding::LittleBelt(share));
    }
    note(
        dropouts > MANY_DROPOUTS && dropouts <= UNSOUND_DROPOUT,
        Finding::ManyDropouts(dropouts),
    );
    if let Some(belt) = inspection.belt {
        note(belt.noise_mm > NOISY_MM, Finding::Noisy(belt.noise_mm));
        note(
            belt.ripple_mm > RIPPLED_MM,
            Finding::Rippled(belt.ripple_mm),
        );
    }
    note(inspection.colour.is_none(), Finding::NoColour);
    note(scan.colour_lossy, Finding::LossyColour);
    if let Some(colour) = inspection.colour {
        let (clipped, black) = (colour.clipped_fraction, colour.black_fraction);
        note(clipped > MUCH_CLIPPED, Finding::Clipped(clipped));
        note(black > MUCH_BLACK, Finding::Black(black));
    }
    match scan.description.belt_speed_mm_s {
        Some(speed) => note(!within(SPEED_MM_S, speed), Finding::ImplausibleSpeed(speed)),
        None => note(scan.description.profiles.is_none(), Finding::NoSpeed),
    }
    findings
}
