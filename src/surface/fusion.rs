//! Two views of the same laser line, made one.
//!
//! A camera on either side of the laser sees what the other's shadow hides. Both look at the same cells, so there is nothing to register
//! but a constant difference of height: the robust mean of the differences wherever both see. Then, cell by cell:
//! - one view sees: its sample;
//! - both see and agree within the noise: the mean of the two, which has less noise;
//! - both see and differ: one of them is mixed (from the top and the foot of an edge at once) or flies. The surface goes through its
//!   neighbours, so the sample that is nearer to any sure neighbour's height is taken; without sure neighbours, neither.
//!
//! Rows are fused in blocks that lie on multiples of their length in the recording: how it is cut into frames changes nothing.

/// Rows fused at a time.
const BLOCK_ROWS: usize = 256;
/// Bins of the differences, mm; finer than noise.
const BIN_MM: f32 = 0.005;
/// Largest difference that can be told, mm.
const RANGE_MM: f32 = 5.0;
/// Bins on either side of 0.
const REACH: usize = (RANGE_MM / BIN_MM) as usize;
/// Cells seen by both before a difference is believed.
const LEAST_BOTH: u64 = 500;
/// Two samples differ when they are this many standard deviations of a difference apart …
const APART_SDS: f32 = 5.0;
/// … and this far, mm.
const APART_LEAST_MM: f32 = 0.3;
/// Differences this many standard deviations from the middle are left out of the mean.
const TRIM_SDS: f64 = 3.0;

/// How two views agree.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ViewReport {
    /// How much higher the second view sees the same surface, mm; taken off before fusing.
    pub offset_mm: f64,
    /// Standard deviation of a difference of single samples, mm.
    pub sd_mm: f64,
    /// Share of samples that both views see.
    pub both_fraction: f64,
    /// Share of these on which the two disagree.
    pub apart_fraction: f64,
}

/// Differences of the two views, as they come.
#[derive(Debug)]
struct Differences {
    bins: Vec<u64>,
    count: u64,
    beyond: u64,
}

/// Middle and spread of the differences, mm.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Middle {
    offset_mm: f64,
    sd_mm: f64,
}

impl Differences {
    fn new() -> Self {
        Self {
            bins: vec![0; 2 * REACH + 1],
            count: 0,
            beyond: 0,
        }
    }

    fn push(&mut self, difference_mm: f32) {
        self.count += 1;
        let bin = (difference_mm / BIN_MM).round() + REACH as f32;
        match self.bins.get_mut(bin as usize) {
            Some(count) if bin >= 0.0 => *count += 1,
            _ => self.beyond += 1,
        }
    }

    /// The median, the spread about it, and the mean of what lies near it; `None` from too few, or when most differ by more
    /// than can be told.
    fn middle(&self) -> Option<Middle> {
        let inside = self.count - self.beyond;
        if inside < LEAST_BOTH || inside < self.count / 2 {
            return None;
        }
        let half = inside.div_ceil(2);
        let mut sum = 0;
        let median = self.bins.iter().position(|&count| {
            sum += count;
            sum >= half
        })?;
        let mut within = self.bins[median];
        let mut reach = 0;
        while within < half {
            reach += 1;
            within += median
                .checked_sub(reach)
                .map_or(0, |below| self.bins[below]);
            within += self.bins.get(median + reach).copied().unwrap_or(0);
        }
        // A normal distribution's standard deviation is 1.4826 times its median absolute deviation.
        let sd = 1.4826 * (reach as f64).max(0.5);
        let gate = (TRIM_SDS * sd).ceil() as usize;
        let (mut weights, mut moments) = (0.0, 0.0);
        let last = (median + gate).min(self.bins.len() - 1);
        for bin in median.saturating_sub(gate)..=last {
            let weight = self.bins[bin] as f64;
            weights += weight;
            moments += weight * (bin as f64 - REACH as f64);
        }
        Some(Middle {
            offset_mm: moments / weights * f64::from(BIN_MM),
            sd_mm: sd * f64::from(BIN_MM),
        })
    }
}

/// Fused rows and the y they were measured at.
#[derive(Debug)]
pub struct FusedRows {
    /// Heights, mm, row by row; NaN where neither view sees.
    pub heights_mm: Vec<f32>,
    /// Each row's y as measured, mm.
    pub y_mm: Vec<f64>,
}

/// Fuses two views, block by block.
#[derive(Debug)]
pub struct ViewFusion {
    columns: usize,
    first_mm: Vec<f32>,
    second_mm: Vec<f32>,
    y_mm: Vec<f64>,
    differences: Differences,
    middle: Option<Middle>,
    samples: u64,
    apart: u64,
}

impl ViewFusion {
    /// For rows of `columns`.
    pub fn new(columns: usize) -> Self {
        Self {
            columns,
            first_mm: Vec::new(),
            second_mm: Vec::new(),
            y_mm: Vec::new(),
            differences: Differences::new(),
            middle: None,
            samples: 0,
            apart: 0,
        }
    }

    /// Takes a row that `append` adds to the heights of the first and of the second view; returns the block that it completes.
    pub fn push(
        &mut self,
        y_mm: f64,
        append: impl FnOnce(&mut Vec<f32>, &mut Vec<f32>),
    ) -> Option<FusedRows> {
        append(&mut self.first_mm, &mut self.second_mm);
        self.y_mm.push(y_mm);
        (self.y_mm.len() == BLOCK_ROWS).then(|| self.fuse())
    }

    /// What is left at the end.
    pub fn finish(&mut self) -> Option<FusedRows> {
        (!self.y_mm.is_empty()).then(|| self.fuse())
    }

    /// How the views agree; `None` if too little was seen by both, or if they differ by more than can be told.
    pub fn report(&self) -> Option<ViewReport> {
        self.middle.map(|middle| ViewReport {
            offset_mm: middle.offset_mm,
            sd_mm: middle.sd_mm,
            both_fraction: self.differences.count as f64 / self.samples.max(1) as f64,
            apart_fraction: self.apart as f64 / self.differences.count.max(1) as f64,
        })
    }

    /// Whether the views see the same cells and differ by more than can be told.
    pub fn is_apart(&self) -> bool {
        let found = &self.differences;
        found.count >= LEAST_BOTH && found.count - found.beyond < found.count / 2
    }

    fn fuse(&mut self) -> FusedRows {
        let mut first_mm = std::mem::take(&mut self.first_mm);
        let second_mm = std::mem::take(&mut self.second_mm);
        self.samples += first_mm.len() as u64;
        for (one, two) in first_mm.iter().zip(&second_mm) {
            let difference_mm = two - one;
            if !difference_mm.is_nan() {
                self.differences.push(difference_mm);
            }
        }
        self.middle = self.differences.middle().or(self.middle);
        let (offset_mm, apart_mm) = self.middle.map_or((0.0, APART_LEAST_MM), |middle| {
            let apart_mm = APART_SDS * middle.sd_mm as f32;
            (middle.offset_mm as f32, apart_mm.max(APART_LEAST_MM))
        });
        let mut doubtful: Vec<(usize, [f32; 2])> = Vec::new();
        for (index, (one, two)) in first_mm.iter_mut().zip(&second_mm).enumerate() {
            let two = two - offset_mm;
            if two.is_nan() {
                continue;
            }
            if one.is_nan() {
                *one = two;
            } else if (*one - two).abs() <= apart_mm {
                *one = 0.5 * (*one + two);
            } else {
                doubtful.push((index, [*one, two]));
                *one = f32::NAN;
            }
        }
        self.apart += doubtful.len() as u64;
        let settled: Vec<(usize, f32)> = doubtful
            .into_iter()
            .filter_map(|(index, pair)| {
                let apart_mm = |height_mm: f32| {
                    self.neighbours(&first_mm, index)
                        .map(|near| (near - height_mm).abs())
                        .fold(f32::INFINITY, f32::min)
                };
                let [one, two] = pair.map(apart_mm);
                let nearer = if two < one { pair[1] } else { pair[0] };
                one.min(two).is_finite().then_some((index, nearer))
            })
            .collect();
        for (index, height_mm) in settled {
            first_mm[index] = height_mm;
        }
        FusedRows {
            heights_mm: first_mm,
            y_mm: std::mem::take(&mut self.y_mm),
        }
    }

    /// The sure heights around a cell of the block.
    fn neighbours<'a>(
        &self,
        heights_mm: &'a [f32],
        index: usize,
    ) -> impl Iterator<Item = f32> + 'a {
        let columns = self.columns;
        let rows = heights_mm.len() / columns;
        let (row, column) = (index / columns, index % columns);
        (row.saturating_sub(1)..(row + 2).min(rows))
            .flat_map(move |r| {
                (column.saturating_sub(1)..(column + 2).min(columns))
                    .map(move |c| heights_mm[r * columns + c])
            })
            .filter(|height_mm| !height_mm.is_nan())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A block of 20 columns whose second view is `offset_mm` higher; `change` alters a cell's two samples.
    fn fused(
        offset_mm: f32,
        change: impl Fn(usize, usize, [f32; 2]) -> [f32; 2],
    ) -> (Vec<f32>, ViewFusion) {
        let mut fusion = ViewFusion::new(20);
        let mut heights = Vec::new();
        for row in 0..100 {
            let block = fusion.push(f64::from(row as u32), |one, two| {
                for column in 0..20 {
                    // A step, and noise that is no multiple of a bin.
                    let height = if column < 10 { 0.0 } else { 20.0 };
                    let noise = 0.02 * (((row * 7 + column * 3) % 11) as f32 - 5.0);
                    let pair = [height + noise, height - noise + offset_mm];
                    let [a, b] = change(row, column, pair);
                    one.push(a);
                    two.push(b);
                }
            });
            heights.extend(block.into_iter().flat_map(|b| b.heights_mm));
        }
        heights.extend(fusion.finish().into_iter().flat_map(|b| b.heights_mm));
        (heights, fusion)
    }

    #[test]
    fn a_constant_difference_is_found_and_taken_off() {
        let (heights, fusion) = fused(0.437, |_, _, pair| pair);
        let report = fusion.report().unwrap();
        assert!((report.offset_mm - 0.437).abs() < 0.003, "{report:?}");
        assert_eq!((report.both_fraction, report.apart_fraction), (1.0, 0.0));
        for (index, height) in heights.iter().enumerate() {
            let expected = if index % 20 < 10 { 0.0 } else { 20.0 };
            assert!((height - expected).abs() < 0.003);
        }
    }

    #[test]
    fn what_one_view_hides_the_other_gives() {
        let (heights, _) = fused(0.0, |row, column, [a, b]| match (row, column) {
            (40, 5) => [f32::NAN, b],
            (41, 5) => [a, f32::NAN],
            (42, 5) => [f32::NAN, f32::NAN],
            _ => [a, b],
        });
        assert!(heights[40 * 20 + 5].abs() < 0.11);
        assert!(heights[41 * 20 + 5].abs() < 0.11);
        assert!(heights[42 * 20 + 5].is_nan());
    }

    #[test]
    fn of_a_mixed_and_a_true_sample_the_true_one_is_taken() {
        let (heights, fusion) = fused(0.0, |row, column, [a, b]| match (row, column) {
            (30, 9) => [12.0, b],
            (31, 10) => [a, 8.0],
            (50, 3) => [45.0, b],
            _ => [a, b],
        });
        assert!(heights[30 * 20 + 9].abs() < 0.11);
        assert!((heights[31 * 20 + 10] - 20.0).abs() < 0.11);
        assert!(heights[50 * 20 + 3].abs() < 0.11);
        assert!((fusion.report().unwrap().apart_fraction - 3.0 / 2000.0).abs() < 1e-9);
    }

    #[test]
    fn views_of_different_things_are_told() {
        let (_, fusion) = fused(7.0, |_, _, pair| pair);
        assert!(fusion.is_apart());
        assert!(fusion.report().is_none());
    }
}
