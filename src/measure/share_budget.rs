//! Standard uncertainty of a class's share of the footprint, by the law of propagation (JCGM 100:2008, 5.1.2).

use super::classes::ClassRaster;

/// Contributions to the standard uncertainty of a class's share of the footprint, fractions, independent of each other.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ShareBudget {
    /// Where the piece's outline runs: what it gains or loses has not the piece's mean share.
    pub outline: f64,
    /// Where the borders between the classes run.
    pub border: f64,
    /// How the colour frame lies on the heights.
    pub registration: f64,
    /// Specks that were given another class.
    pub specks: f64,
    /// Highlights that were filled.
    pub highlights: f64,
}

impl ShareBudget {
    /// The contributions by name, fractions.
    #[must_use]
    pub fn parts(&self) -> [(&'static str, f64); 5] {
        [
            ("outline", self.outline),
            ("border", self.border),
            ("registration", self.registration),
            ("specks", self.specks),
            ("highlights", self.highlights),
        ]
    }

    /// Combined standard uncertainty, a fraction.
    #[must_use]
    pub fn combined(&self) -> f64 {
        let squares = self.parts().map(|(_, part)| part * part);
        squares.iter().sum::<f64>().sqrt()
    }
}

/// Standard uncertainty of a border's place, common to a piece, in edge spreads: typical colours are known to some parts in
/// a hundred of the contrast (set by simulated pieces, no source).
const BORDER_SPREADS: f64 = 0.03;
/// Edge spread taken where there is too little border to tell, cells.
const UNKNOWN_SPREAD: f64 = 1.0;
/// Standard uncertainty of the registration along and across, cells, where the calibration states none.
const REGISTRATION_CELLS: f64 = 0.1;
/// A border's length over its number of cell sides, mean over all directions.
const SIDE_LENGTH: f64 = std::f64::consts::FRAC_PI_4;

/// The budget of class `class`, whose share is `share`.
///
/// With n cells in the footprint, U sides of cells on the outline and U_k of them at the class, L sides between it and others
/// and N their sum as a vector, all sides taken as π/4 of their number long:
/// - outline, displaced all round by δ = `outline_cells`, which is the area's uncertainty over the outline's length: `δ·|U_k − share·U|/n`;
/// - border: a common displacement of three hundredths of the edge spread over L;
/// - registration: `u·|N|/n`, because a closed border gains on one side what it loses on the other;
/// - specks: rectangular, from nothing to twice what was changed in the class;
/// - highlights: a blob takes the class around it, which is in doubt where a border is nearer than the blob is wide, so on a share `p = L·2r/n` of
///   the surface for blobs of radius r; there it is right or wrong as a whole, with the variance of a single draw `share·(1 − share)`.
pub fn share_budget(
    raster: &ClassRaster,
    class: u8,
    share: f64,
    specks_cells: f64,
    outline_cells: f64,
) -> ShareBudget {
    let sides = raster.sides.of(class);
    let outline = (sides.outline as f64 - share * raster.sides.outline() as f64).abs();
    let border = sides.border as f64;
    let [along, across] = sides.net.map(|net| net as f64);
    let cells = (raster.cells as f64).max(1.0);
    let spread = raster.spread.unwrap_or(UNKNOWN_SPREAD);
    let blobs = raster.highlights.filled_blobs as f64;
    let in_blobs = raster.highlights.filled_cells as f64;
    let draw = (share * (1.0 - share)).max(0.0).sqrt();
    ShareBudget {
        outline: outline_cells * SIDE_LENGTH * outline / cells,
        border: BORDER_SPREADS * spread * SIDE_LENGTH * border / cells,
        registration: REGISTRATION_CELLS * along.hypot(across) / cells,
        specks: specks_cells.abs() / 3.0_f64.sqrt() / cells,
        highlights: if blobs > 0.0 {
            let width = 2.0 * (in_blobs / blobs / std::f64::consts::PI).sqrt();
            let near = (SIDE_LENGTH * border * width / cells).min(1.0);
            near.sqrt() * draw * in_blobs / blobs.sqrt() / cells
        } else {
            0.0
        },
    }
}
