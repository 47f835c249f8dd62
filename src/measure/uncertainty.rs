//! Standard uncertainty of a piece's volume by the law of propagation (JCGM 100:2008, 5.1.2).

use super::footprint::Footprint;
use crate::pieces::{CellState, Mended};
use crate::surface::SurfaceGrid;

/// What is known of belt, noise and scales where a piece lies.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct BeltKnowledge {
    /// Standard deviation of single samples, mm.
    pub noise_mm: f64,
    /// Standard uncertainty of the belt's height under the piece, mm.
    pub belt_u_mm: f64,
    /// Relative standard uncertainty of volume from the scales (1 = 100 %), from the calibration.
    pub scale_u_rel: f64,
}

/// Contributions to the standard uncertainty of a volume, mm³, independent of each other.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct VolumeBudget {
    /// Noise of the single samples.
    pub noise_mm3: f64,
    /// Height of the belt under the piece, common to all cells.
    pub belt_mm3: f64,
    /// Scales across, along and in height.
    pub scale_mm3: f64,
    /// Cells at the rim that are partly covered: where in the cell the rim runs is not seen.
    pub rim_mm3: f64,
    /// Reconstructed cells.
    pub filled_mm3: f64,
}

impl VolumeBudget {
    /// Combined standard uncertainty, mm³.
    pub fn combined_mm3(&self) -> f64 {
        [
            self.noise_mm3,
            self.belt_mm3,
            self.scale_mm3,
            self.rim_mm3,
            self.filled_mm3,
        ]
        .iter()
        .map(|part| part * part)
        .sum::<f64>()
        .sqrt()
    }
}

/// The budget of a volume.
///
/// - Noise: `σ·a·√n` over n cells of area a.
/// - Belt: its standard uncertainty times the footprint's area.
/// - Scales: relative, times the volume.
/// - Rim: each rim cell's height stands for a cell of which the rim cuts off an unknown share: uniform over ± half a cell, so
///   `h·a/√12` for each, independent.
/// - Reconstructed: a dropout's height lies between its neighbours, a shadow's between belt and the grazing ray; a rectangular
///   distribution over a quarter of its own height for shadows, taken as common to all cells of the piece.
pub fn volume_budget(
    mended: &Mended,
    footprint: &Footprint,
    grid: &SurfaceGrid,
    belt: &BeltKnowledge,
) -> VolumeBudget {
    let cell_mm2 = grid.cell_area_mm2();
    let (mut summed, mut covered) = (0_u64, 0_u64);
    let (mut sum_mm, mut shadow_mm, mut rim_mm2) = (0.0, 0.0, 0.0);
    let size = footprint.covered.dim();
    for ((row, column), _) in footprint
        .summed
        .indexed_iter()
        .filter(|(_, summed)| **summed)
    {
        summed += 1;
        let height = f64::from(mended.heights_mm[[row, column]]);
        sum_mm += height;
        if !footprint.covered[[row, column]] {
            continue;
        }
        covered += 1;
        if mended.states[[row, column]] == CellState::Shadow {
            shadow_mm += height;
        }
        let open = |r: usize, c: usize| r >= size.0 || c >= size.1 || !footprint.covered[[r, c]];
        let rim = open(row.wrapping_sub(1), column)
            || open(row + 1, column)
            || open(row, column.wrapping_sub(1))
            || open(row, column + 1);
        if rim {
            rim_mm2 += height * height;
        }
    }
    VolumeBudget {
        noise_mm3: belt.noise_mm * cell_mm2 * (summed as f64).sqrt(),
        belt_mm3: belt.belt_u_mm * cell_mm2 * covered as f64,
        scale_mm3: belt.scale_u_rel * sum_mm * cell_mm2,
        rim_mm3: (rim_mm2 / 12.0).sqrt() * cell_mm2,
        filled_mm3: shadow_mm * cell_mm2 / 4.0 / 3.0_f64.sqrt(),
    }
}
