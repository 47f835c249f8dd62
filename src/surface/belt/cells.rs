//! Robust belt height per block and zone.

use super::blocks::{Block, Sampling};
use super::envelope::EnvelopeLine;
use crate::stats::{mad_sd, median};

/// Samples this near the envelope may be belt, mm.
const GATE_MM: f32 = 1.2;
/// Least share of a zone's seen samples within the gate for the cell to count as belt.
const LEAST_BELT: f64 = 0.4;
/// Least number of samples within the gate.
const LEAST_SAMPLES: usize = 8;

/// One belt cell: the belt's height there, mm.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Cell {
    /// Median height, mm.
    pub height_mm: f64,
    /// Standard deviation of single samples, mm.
    pub sd_mm: f64,
    /// Number of samples, lessened where part of the zone is not belt.
    pub weight: f64,
}

/// The cells of one block.
#[derive(Debug, Clone)]
pub struct Cells {
    /// Centre of the block, rows.
    pub row: f64,
    /// One per zone; `None` where no belt was seen.
    pub zones: Vec<Option<Cell>>,
}

impl Cells {
    /// The belt cells of `block` near `line`.
    pub fn new(block: &Block, line: EnvelopeLine, sampling: &Sampling) -> Self {
        let mut near_mm = Vec::new();
        let zones =
            (0..sampling.zones()).map(|zone| cell(block, zone, &line, sampling, &mut near_mm));
        Self {
            row: block.centre_row,
            zones: zones.collect(),
        }
    }
}

fn cell(
    block: &Block,
    zone: usize,
    line: &EnvelopeLine,
    sampling: &Sampling,
    near_mm: &mut Vec<f32>,
) -> Option<Cell> {
    near_mm.clear();
    let (centre_mm, slope_mm) = (line.centre_mm as f32, line.slope_mm as f32);
    let mut seen = 0_usize;
    for (u, height) in block.zone(zone, sampling).0 {
        seen += 1;
        let above_mm = height - (centre_mm + slope_mm * u);
        if above_mm.abs() <= GATE_MM {
            near_mm.push(above_mm);
        }
    }
    let share = near_mm.len() as f64 / seen.max(1) as f64;
    if near_mm.len() < LEAST_SAMPLES || share < LEAST_BELT {
        return None;
    }
    let weight = near_mm.len() as f64 * if share > 0.95 { 1.0 } else { share * share };
    let middle_mm = median(near_mm)?;
    let sd_mm = mad_sd(near_mm, middle_mm)?;
    let height_mm = line.height_mm(sampling.zone_u[zone]) + f64::from(middle_mm);
    Some(Cell {
        height_mm,
        sd_mm,
        weight,
    })
}
