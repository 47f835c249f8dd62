//! Which cells stand on the belt, and which unseen cells link two that do.

use super::bits::{WORD, bits, set};
use crate::surface::SurfaceGrid;

/// Belt.
pub const BELT: u8 = 0;
/// Above the low threshold.
pub const HIGH: u8 = 1;
/// Above the least height of a piece.
pub const CORE: u8 = 2;
/// Unseen, but between two high cells of the same thing.
pub const LINK: u8 = 3;
/// Unseen.
pub const UNSEEN: u8 = 4;

/// An unseen gap along the belt links its two ends only if the lower one is at least this share of the higher: the shadow
/// of a bump on a piece ends high on the same piece, the shadow of a piece ends on the belt or low on the next.
const LINK_LEAST_RATIO: f32 = 0.5;

/// How pieces are told from belt.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FindRules {
    /// A piece rises at least this far above the belt, mm.
    pub min_height_mm: f64,
    /// A piece covers at least this much, mm².
    pub min_area_mm2: f64,
}

impl FindRules {
    /// Cells above this belong to what stands on the belt; thin edges of a piece lie between it and the least height.
    ///
    /// A quarter of the least height: low enough to follow a feathered edge, high enough to stay clear of noise.
    pub fn low_mm(&self) -> f32 {
        (self.min_height_mm / 4.0) as f32
    }
}

/// Turns heights into mask rows, with what it must remember of the rows before.
#[derive(Debug)]
pub struct Masker {
    low_mm: f32,
    core_mm: f32,
    /// Longest gap that links, rows.
    longest_link: usize,
    /// The row before.
    before_mm: Vec<f32>,
    /// Each column's last gap.
    gaps: Vec<Gap>,
    /// Which columns have an open gap, a bit each.
    open: Vec<u64>,
}

/// The last seen cell before a gap.
#[derive(Debug, Clone, Copy)]
struct Gap {
    from: usize,
    height_mm: f32,
}

impl Masker {
    /// For a surface on `grid`; links reach over at most `longest_link_mm`.
    pub fn new(grid: SurfaceGrid, rules: &FindRules, longest_link_mm: f64) -> Self {
        let none = Gap {
            from: 0,
            height_mm: 0.0,
        };
        Self {
            low_mm: rules.low_mm(),
            core_mm: rules.min_height_mm as f32,
            longest_link: grid.rows_spanning(longest_link_mm),
            before_mm: vec![0.0; grid.columns],
            gaps: vec![none; grid.columns],
            open: vec![0; grid.columns.div_ceil(WORD)],
        }
    }

    /// Appends the mask of one row (number `row` of the recording) to `mask`, whose first row is `mask_from`, and marks
    /// links in the rows before.
    pub fn push(&mut self, row: usize, heights_mm: &[f32], mask: &mut Vec<u8>, mask_from: usize) {
        let columns = heights_mm.len();
        let start = mask.len();
        let (low_mm, core_mm) = (self.low_mm, self.core_mm);
        // NaN is above nothing.
        mask.extend(heights_mm.iter().map(|&height| {
            u8::from(height > low_mm) * HIGH
                + u8::from(height > core_mm) * (CORE - HIGH)
                + u8::from(height.is_nan()) * UNSEEN
        }));
        for block in 0..self.open.len() {
            let first = block * WORD;
            let end = columns.min(first + WORD);
            let unseen = bits(&mask[start + first..start + end], |cell| cell == UNSEEN);
            let open = std::mem::replace(&mut self.open[block], unseen);
            for column in set(unseen & !open).map(|bit| first + bit) {
                self.gaps[column] = Gap {
                    from: row.saturating_sub(1),
                    height_mm: self.before_mm[column],
                };
            }
            for column in set(open & !unseen).map(|bit| first + bit) {
                let Gap { from, height_mm } = self.gaps[column];
                if row - from <= self.longest_link && self.links(height_mm, heights_mm[column]) {
                    for between in (from + 1).max(mask_from)..row {
                        mask[(between - mask_from) * columns + column] = LINK;
                    }
                }
            }
        }
        self.before_mm.copy_from_slice(heights_mm);
    }

    fn links(&self, one_mm: f32, two_mm: f32) -> bool {
        let (low, high) = (one_mm.min(two_mm), one_mm.max(two_mm));
        low > self.low_mm && low >= LINK_LEAST_RATIO * high
    }
}
