//! How the belt was used: what of its length and area was covered, the gaps, how even the lanes were.

use std::collections::BTreeMap;

use crate::stats::quantile;
use crate::tables::PieceRecord;

use super::source::Seen;

/// How the belt was used.
#[derive(Debug, Clone, PartialEq)]
pub struct BeltLoad {
    /// Length of belt seen, m.
    pub length_m: f64,
    /// Area of belt seen, m².
    pub area_m2: f64,
    /// Share of the area under pieces.
    pub area_fraction: f64,
    /// Share of the length at which there is a piece anywhere across.
    pub length_fraction: f64,
    /// Lengths of belt without any piece between two with some: 5 %, median, 95 %, longest, mm; `None` where there is none.
    pub gaps_mm: Option<[f64; 4]>,
    /// Number of those gaps.
    pub gaps: u64,
    /// Share of the mass in each lane.
    pub lane_mass_fraction: BTreeMap<u32, f64>,
}

impl BeltLoad {
    /// Mass in the fullest lane over that of an even load; `None` with fewer than two lanes.
    #[must_use]
    pub fn fullest_lane_ratio(&self) -> Option<f64> {
        let lanes = self.lane_mass_fraction.len();
        let fullest = self
            .lane_mass_fraction
            .values()
            .copied()
            .fold(0.0, f64::max);
        (lanes > 1).then_some(fullest * lanes as f64)
    }
}

#[derive(Default)]
pub(super) struct LoadCount {
    length_mm: f64,
    area_mm2: f64,
    covered_mm: f64,
    covered_mm2: f64,
    gaps_mm: Vec<f32>,
    lane_mass_g: BTreeMap<u32, f64>,
}

impl LoadCount {
    pub(super) fn add(&mut self, seen: &Seen<'_>) {
        let Some(row) = seen.row else {
            return;
        };
        self.length_mm += row.length_mm;
        self.area_mm2 += row.length_mm * row.width_mm;
        for lane in 1..=seen.lanes.unwrap_or(0) {
            self.lane_mass_g.entry(lane).or_default();
        }
        for piece in seen.pieces {
            self.covered_mm2 += 100.0 * piece.area_cm2;
            if let Some(lane) = piece.lane {
                *self.lane_mass_g.entry(lane).or_default() += piece.mass_g;
            }
        }
        let pitch_mm = row.length_mm / row.rows.max(1) as f64;
        let end_mm = pitch_mm * (row.rows + row.missing_rows) as f64;
        let covered = covered(seen.pieces, end_mm);
        self.covered_mm += covered.iter().map(|[from, to]| to - from).sum::<f64>();
        // Rows that are missing may have held pieces: then a length without any is not known to be a gap.
        if row.missing_rows == 0 {
            self.gaps_mm.extend(
                covered
                    .windows(2)
                    .map(|pair| (pair[1][0] - pair[0][1]) as f32),
            );
        }
    }

    pub(super) fn finish(mut self) -> Option<BeltLoad> {
        if self.area_mm2 <= 0.0 {
            return None;
        }
        let lanes_g: f64 = self.lane_mass_g.values().sum();
        let lanes = self.lane_mass_g.iter().filter(|_| lanes_g > 0.0);
        let mut at = |share: f64| quantile(&mut self.gaps_mm, share).map(f64::from);
        let gaps_mm = match [at(0.05), at(0.5), at(0.95), at(1.0)] {
            [Some(a), Some(b), Some(c), Some(d)] => Some([a, b, c, d]),
            _ => None,
        };
        Some(BeltLoad {
            length_m: self.length_mm / 1000.0,
            area_m2: self.area_mm2 / 1e6,
            area_fraction: self.covered_mm2 / self.area_mm2,
            length_fraction: self.covered_mm / self.length_mm,
            gaps_mm,
            gaps: self.gaps_mm.len() as u64,
            lane_mass_fraction: lanes.map(|(lane, g)| (*lane, g / lanes_g)).collect(),
        })
    }
}

/// Half of a piece's extent along the belt, mm, from the rectangle around it.
fn half_extent_mm(piece: &PieceRecord) -> f64 {
    let (sin, cos) = (piece.yaw_mrad / 1000.0).sin_cos();
    0.5 * ((piece.length_mm * sin).abs() + (piece.width_mm * cos).abs())
}

/// The lengths of belt at which there is a piece, in order and apart from each other.
fn covered(pieces: &[PieceRecord], end_mm: f64) -> Vec<[f64; 2]> {
    let mut spans: Vec<[f64; 2]> = pieces
        .iter()
        .map(|piece| {
            let half = half_extent_mm(piece);
            [
                (piece.y_mm - half).max(0.0),
                (piece.y_mm + half).min(end_mm),
            ]
        })
        .filter(|[from, to]| from < to)
        .collect();
    spans.sort_by(|a, b| a[0].total_cmp(&b[0]));
    let mut apart: Vec<[f64; 2]> = Vec::new();
    for span in spans {
        match apart.last_mut() {
            Some(last) if span[0] <= last[1] => last[1] = last[1].max(span[1]),
            _ => apart.push(span),
        }
    }
    apart
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::tables::read_csv;

    /// A piece 100 mm long along the belt and 40 mm across, with its middle at `y_mm`.
    fn piece(y_mm: f64) -> PieceRecord {
        let header = "recording,scan,piece,lane,time,x_mm,y_mm,yaw_mrad,length_mm,width_mm,max_height_mm,mean_height_mm,area_cm2,\
             surface_cm2,perimeter_mm,volume_cm3,volume_u_cm3,fat_fraction,fat_volume_fraction,fat_mass_fraction,mass_g,mass_u_g,\
             filled_fraction,flags";
        let right_angle_mrad = 500.0 * std::f64::consts::PI;
        let text = format!(
            "{header}\nr,s,1,,,50,{y_mm},{right_angle_mrad},100,40,20,15,40,60,300,75,1,,,,80,1,0,\n"
        );
        read_csv(text.as_bytes()).unwrap().remove(0)
    }

    #[test]
    fn lengths_under_pieces_add_up_without_counting_any_twice() {
        let near = |found: &[[f64; 2]], expected: &[[f64; 2]]| {
            assert_eq!(found.len(), expected.len(), "{found:?}");
            for (one, other) in found.iter().flatten().zip(expected.iter().flatten()) {
                assert!((one - other).abs() < 1e-6, "{found:?}");
            }
        };
        // In any order; two overlap, one reaches over the start and one over the end.
        let pieces = [piece(500.0), piece(20.0), piece(560.0), piece(990.0)];
        near(
            &covered(&pieces, 1000.0),
            &[[0.0, 70.0], [450.0, 610.0], [940.0, 1000.0]],
        );
        near(&covered(&[], 1000.0), &[]);
    }
}
