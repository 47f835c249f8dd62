//! Standard uncertainties of area, length and width by the law of propagation (JCGM 100:2008, 5.1.2).

use super::outline::Rectangle;
use super::seam::SeamBudget;
use super::tally::Tally;
use super::uncertainty::{BeltKnowledge, LIKE_SEEN_SHARE, sampling_variance};
use crate::surface::SurfaceGrid;

/// One contribution.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct ExtentPart {
    /// To the area, mm².
    pub area_mm2: f64,
    /// To the length, mm.
    pub length_mm: f64,
    /// To the width, mm.
    pub width_mm: f64,
}

/// Contributions to the standard uncertainties of area, length and width, independent of each other.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct ExtentBudget {
    /// Where between two cells the outline runs.
    pub rim: ExtentPart,
    /// Height of the belt, where the outline is a slope's end.
    pub belt: ExtentPart,
    /// Slopes that go on below the low threshold.
    pub threshold: ExtentPart,
    /// Scales across and along.
    pub scale: ExtentPart,
    /// Outline that nobody saw.
    pub hidden: ExtentPart,
    /// Which of the rectangles of all but the same area is taken.
    pub direction: ExtentPart,
    /// Lines along which the piece was parted from neighbours.
    pub seam: ExtentPart,
}

impl ExtentBudget {
    /// The contributions by name.
    #[must_use]
    pub fn parts(&self) -> [(&'static str, ExtentPart); 7] {
        [
            ("rim", self.rim),
            ("belt", self.belt),
            ("threshold", self.threshold),
            ("scale", self.scale),
            ("hidden", self.hidden),
            ("direction", self.direction),
            ("seam", self.seam),
        ]
    }

    /// Combined standard uncertainties.
    #[must_use]
    pub fn combined(&self) -> ExtentPart {
        let over = |value: fn(&ExtentPart) -> f64| {
            let parts = self.parts();
            let squares = parts.iter().map(|(_, part)| value(part) * value(part));
            squares.sum::<f64>().sqrt()
        };
        ExtentPart {
            area_mm2: over(|part| part.area_mm2),
            length_mm: over(|part| part.length_mm),
            width_mm: over(|part| part.width_mm),
        }
    }
}

/// The budget of area, length and width.
///
/// - Rim: the area as a count of cells is a systematic sample along and across, see [`super::volume_budget`]; the rectangle's ends are
///   rectangular over the gap between the outermost covered cell and the next.
/// - Belt: the outline lies where the surface crosses the low threshold; how much area lies within a threshold's height of it
///   says how far it moves with the belt. All of it moves the same way, so both ends add up.
/// - Threshold: beyond the outline a slope may go on for as much area as lies within a threshold's height above it, or not at all:
///   rectangular, likewise on both ends.
/// - Scales: relative.
/// - Hidden: where the last cell of a hidden side lies is known to a cell along, rectangular, common to that side; then the area of rebuilt cells as the volume's, or, where the shoulder alone spoke, rectangular between wall and the ray's end.
///   The outline on that side moves as a whole, and with it one end of the rectangle.
/// - Seam: see [`super::seam_budget`].
pub fn extent_budget(
    tally: &Tally,
    grid: &SurfaceGrid,
    belt: &BeltKnowledge,
    rectangle: &Rectangle,
    perimeter_mm: f64,
    seam: &SeamBudget,
) -> ExtentBudget {
    let cell_mm2 = grid.cell_area_mm2();
    let area_mm2 = tally.covered as f64 * cell_mm2;
    let sampling = sampling_variance(&tally.rows, 0.0) + sampling_variance(&tally.columns, 0.0);
    let per_mm = if belt.low_mm > 0.0 {
        tally.edge as f64 * cell_mm2 / belt.low_mm
    } else {
        0.0
    };
    let belt_mm2 = per_mm * belt.belt_u_mm;
    let both_ends_mm = |area_mm2: f64| 2.0 * area_mm2 / perimeter_mm.max(grid.pitch_across_mm);
    let belt_ends_mm = both_ends_mm(belt_mm2);
    let threshold_mm2 = per_mm * belt.low_mm / 12.0_f64.sqrt();
    let threshold_ends_mm = both_ends_mm(threshold_mm2);
    let hidden_side_mm = tally
        .hidden_columns
        .iter()
        .filter(|&&hidden| hidden)
        .count() as f64
        * grid.pitch_across_mm;
    let resolved_mm2 = hidden_side_mm * grid.pitch_along_mm / 12.0_f64.sqrt();
    let rebuilt_mm2 = (LIKE_SEEN_SHARE * tally.like_seen as f64)
        .hypot(tally.alone as f64 / 12.0_f64.sqrt())
        * cell_mm2;
    let hidden_mm2 = rebuilt_mm2.hypot(resolved_mm2);
    let hidden_mm = if hidden_side_mm > 0.0 {
        hidden_mm2 / hidden_side_mm
    } else {
        0.0
    };
    let (sin, cos) = rectangle.yaw_rad.sin_cos();
    let [across, along] = belt.plane_u_rel;
    ExtentBudget {
        rim: ExtentPart {
            area_mm2: sampling.sqrt() * cell_mm2,
            length_mm: rectangle.ends_u_mm[0],
            width_mm: rectangle.ends_u_mm[1],
        },
        belt: ExtentPart {
            area_mm2: belt_mm2,
            length_mm: belt_ends_mm,
            width_mm: belt_ends_mm,
        },
        threshold: ExtentPart {
            area_mm2: threshold_mm2,
            length_mm: threshold_ends_mm,
            width_mm: threshold_ends_mm,
        },
        scale: ExtentPart {
            area_mm2: across.hypot(along) * area_mm2,
            length_mm: rectangle.length_mm * (across * cos * cos).hypot(along * sin * sin),
            width_mm: rectangle.width_mm * (across * sin * sin).hypot(along * cos * cos),
        },
        hidden: ExtentPart {
            area_mm2: hidden_mm2,
            length_mm: hidden_mm * sin.abs(),
            width_mm: hidden_mm * cos.abs(),
        },
        direction: ExtentPart {
            area_mm2: 0.0,
            length_mm: rectangle.direction_u_mm[0],
            width_mm: rectangle.direction_u_mm[1],
        },
        seam: ExtentPart {
            area_mm2: seam.area_mm2,
            length_mm: seam.length_mm,
            width_mm: seam.width_mm,
        },
    }
}
