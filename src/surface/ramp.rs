//! The belt between its lines and zones: straight from one to the next.

use super::belt::BeltLine;

/// Zone heights at row `at`, between line `next − 1` and line `next`.
pub fn zones_at(lines: &[BeltLine], next: usize, at: f64) -> Vec<f32> {
    match (
        next.checked_sub(1).and_then(|before| lines.get(before)),
        lines.get(next),
    ) {
        (Some(one), Some(two)) => {
            let t = ((at - one.row) / (two.row - one.row)) as f32;
            one.zone_mm
                .iter()
                .zip(&two.zone_mm)
                .map(|(&a, &b)| a + t * (b - a))
                .collect()
        }
        (Some(line), None) | (None, Some(line)) => line.zone_mm.clone(),
        (None, None) => Vec::new(),
    }
}

/// Linear interpolation between zone centres, column by column.
#[derive(Debug)]
pub struct ZoneRamp {
    /// Spans of columns with the zone before them and the first column's and each column's share of the next zone.
    spans: Vec<(std::ops::Range<usize>, usize, f32, f32)>,
}

impl ZoneRamp {
    /// For a surface of `columns`, with zones centred at `zone_columns`.
    pub fn new(columns: usize, zone_columns: &[f32]) -> Self {
        let mut spans = Vec::new();
        let last = zone_columns.len().saturating_sub(1);
        if last == 0 {
            return Self {
                spans: vec![(0..columns, 0, 0.0, 0.0)],
            };
        }
        for zone in 0..last {
            let (one, two) = (zone_columns[zone], zone_columns[zone + 1]);
            let first = if zone == 0 { 0 } else { one.ceil() as usize };
            let end = if zone + 1 == last {
                columns
            } else {
                two.ceil() as usize
            };
            let per_column = 1.0 / (two - one);
            spans.push((
                first..end,
                zone,
                (first as f32 - one) * per_column,
                per_column,
            ));
        }
        Self { spans }
    }

    /// Takes the belt off a row of heights.
    pub fn subtract(&self, zone_mm: &[f32], row_mm: &mut [f32]) {
        for (columns, zone, share, per_column) in &self.spans {
            let Some(&start_mm) = zone_mm.get(*zone) else {
                return;
            };
            let rise_mm = zone_mm.get(zone + 1).map_or(0.0, |next| next - start_mm);
            let (first_mm, step_mm) = (start_mm + share * rise_mm, per_column * rise_mm);
            for (k, height) in (0_i32..).zip(&mut row_mm[columns.clone()]) {
                *height -= first_mm + step_mm * k as f32;
            }
        }
    }
}
