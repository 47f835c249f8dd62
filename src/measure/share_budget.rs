//! Standard uncertainty of a class's share of the footprint, by the law of propagation (JCGM 100:2008, 5.1.2).

use ndarray::Array2;

use super::classes::ClassRaster;
use super::spans::class_counts;

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

/// Sides of cells that bound a class.
#[derive(Debug, Default)]
struct Sides {
    cells: f64,
    /// With nothing of the piece beyond: of all classes, and of the class.
    outline: f64,
    outline_of_class: f64,
    /// With another class beyond, and their sum as a vector along and across.
    border: f64,
    net: [f64; 2],
}

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
    let sides = sides(&raster.class, class);
    let cells = sides.cells.max(1.0);
    let spread = raster.spread.unwrap_or(UNKNOWN_SPREAD);
    let blobs = raster.highlights.filled_blobs as f64;
    let in_blobs = raster.highlights.filled_cells as f64;
    let draw = (share * (1.0 - share)).max(0.0).sqrt();
    ShareBudget {
        outline: outline_cells
            * SIDE_LENGTH
            * (sides.outline_of_class - share * sides.outline).abs()
            / cells,
        border: BORDER_SPREADS * spread * SIDE_LENGTH * sides.border / cells,
        registration: REGISTRATION_CELLS * sides.net[0].hypot(sides.net[1]) / cells,
        specks: specks_cells.abs() / 3.0_f64.sqrt() / cells,
        highlights: if blobs > 0.0 {
            let width = 2.0 * (in_blobs / blobs / std::f64::consts::PI).sqrt();
            let near = (SIDE_LENGTH * sides.border * width / cells).min(1.0);
            near.sqrt() * draw * in_blobs / blobs.sqrt() / cells
        } else {
            0.0
        },
    }
}

fn sides(classes: &Array2<u8>, class: u8) -> Sides {
    use crate::colour::NO_CLASS;
    let mut sides = Sides::default();
    let mut meet = |one: u8, two: u8, axis: usize| {
        if one == two {
            return;
        }
        if one == NO_CLASS || two == NO_CLASS {
            sides.outline += 1.0;
            sides.outline_of_class += f64::from(u8::from(one == class || two == class));
        } else if one == class || two == class {
            sides.border += 1.0;
            sides.net[axis] += if one == class { 1.0 } else { -1.0 };
        }
    };
    let cells = classes.as_slice().unwrap_or_default();
    let blank = vec![NO_CLASS; classes.ncols()];
    let mut above = &blank[..];
    for line in cells.chunks_exact(classes.ncols().max(1)) {
        differing(line, line.get(1..).unwrap_or_default(), |one, two| {
            meet(one, two, 1);
        });
        // The window's own ends bound what lies at them.
        if let (Some(&first), Some(&last)) = (line.first(), line.last()) {
            meet(NO_CLASS, first, 1);
            meet(last, NO_CLASS, 1);
        }
        differing(above, line, |one, two| meet(one, two, 0));
        above = line;
    }
    differing(above, &blank, |one, two| meet(one, two, 0));
    let outside = class_counts(classes)[usize::from(NO_CLASS)];
    sides.cells = (cells.len() as i64 - outside) as f64;
    sides
}

/// Calls `meet` with the pairs that differ; whole blocks that do not are passed over.
fn differing(ones: &[u8], twos: &[u8], mut meet: impl FnMut(u8, u8)) {
    const BLOCK: usize = 32;
    for (ones, twos) in ones.chunks(BLOCK).zip(twos.chunks(BLOCK)) {
        let pairs = ones.iter().zip(twos);
        if pairs.clone().fold(0, |any, (one, two)| any | (one ^ two)) != 0 {
            pairs.for_each(|(&one, &two)| meet(one, two));
        }
    }
}
