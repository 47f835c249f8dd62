//! Where pieces lie on the belt.

use rand::Rng;

use super::outline::{Span, spans};
use super::piece::PlacedPiece;

/// Width of the bins in which the front of the laid pieces is kept, mm.
const BIN_MM: f64 = 0.5;
/// How far pieces that touch are pressed into each other, mm.
const PRESSED_MM: f64 = 0.4;
/// Places tried for each piece of a scene without lanes.
const MOST_TRIES: usize = 160;

/// How pieces are laid.
#[derive(Debug, Clone, PartialEq)]
pub struct Placing {
    /// Lanes of equal width; 0: anywhere across, as close to the last ones as they go.
    pub lanes: u32,
    /// Free strip at each side of the belt, mm.
    pub side_margin_mm: f64,
    /// Free belt before the first piece and behind the last, mm.
    pub end_margin_mm: f64,
    /// Free belt between pieces, along, least and most, mm.
    pub gap_mm: [f64; 2],
    /// Free belt between pieces, across, mm (without lanes).
    pub side_gap_mm: f64,
    /// Share of pieces laid against the one before.
    pub touching_share: f64,
    /// Pieces lie along y within this, radians; π/2 and more: any way.
    pub yaw_spread_rad: f64,
    /// Places tried for each piece without lanes; more lie closer.
    pub tries: usize,
}

/// How two pieces touch.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Contact {
    /// The second to the right of the first.
    SideBySide,
    /// The second behind the first.
    EndToEnd,
    /// The second behind the first, its end lying on the first one's.
    Lap {
        /// How far, mm.
        overlap_mm: f64,
    },
}

/// Moves `piece` until it touches `neighbour`, and marks both.
///
/// Where footprints overlap the surface is the sum of both heights, so that no volume is lost.
pub fn lay_against(
    neighbour: &mut PlacedPiece,
    piece: PlacedPiece,
    contact: Contact,
) -> PlacedPiece {
    let (axis, overlap_mm) = match contact {
        Contact::SideBySide => (1, PRESSED_MM),
        Contact::EndToEnd => (0, PRESSED_MM),
        Contact::Lap { overlap_mm } => (0, overlap_mm),
    };
    let other = 1 - axis;
    let centre = |p: &PlacedPiece| {
        let (low, high) = p.bounds_mm();
        0.5 * (low[axis] + high[axis])
    };
    let shift = centre(neighbour) - centre(&piece);
    let mut offset = [0.0; 2];
    offset[axis] = shift;
    let piece = piece.moved(offset[0], offset[1]);
    let front = spans(neighbour.outline_mm(), axis, BIN_MM);
    let back = spans(piece.outline_mm(), axis, BIN_MM);
    let mut travel = f64::NEG_INFINITY;
    for span in &back {
        if let Some(facing) = front.iter().find(|f| f.bin == span.bin) {
            travel = travel.max(facing.high - span.low);
        }
    }
    let mut offset = [0.0; 2];
    offset[other] = travel - overlap_mm;
    let mut piece = piece.moved(offset[0], offset[1]);
    piece.touching = true;
    neighbour.touching = true;
    piece
}

/// The front of all that lies on the belt so far, along y in bins across.
struct Front {
    reach_mm: Vec<f64>,
    owner: Vec<Option<usize>>,
}

impl Front {
    /// Least y shift that clears the front, and the piece it then stands before.
    fn clear(
        &self,
        spans: &[Span],
        shift: i64,
        side_bins: i64,
        gap_mm: f64,
    ) -> Option<(f64, Option<usize>)> {
        let mut best = (f64::NEG_INFINITY, None);
        for span in spans {
            let bin = span.bin + shift;
            if bin < 0 || bin >= self.reach_mm.len() as i64 {
                return None;
            }
            for near in
                (bin - side_bins).max(0)..=(bin + side_bins).min(self.reach_mm.len() as i64 - 1)
            {
                let owner = self.owner[near as usize];
                let gap = if owner.is_some() { gap_mm } else { 0.0 };
                let y = self.reach_mm[near as usize] + gap - span.low;
                if y > best.0 {
                    best = (y, owner);
                }
            }
        }
        Some(best)
    }

    fn take(&mut self, spans: &[Span], shift: i64, y: f64, owner: usize) {
        for span in spans {
            let bin = (span.bin + shift) as usize;
            if span.high + y > self.reach_mm[bin] {
                self.reach_mm[bin] = span.high + y;
                self.owner[bin] = Some(owner);
            }
        }
    }
}

/// A place a piece could take.
struct Candidate {
    /// Where the middle of its bounds would come to lie along y, mm.
    middle_mm: f64,
    piece: PlacedPiece,
    spans: Vec<Span>,
    shift: i64,
    y_mm: f64,
    owner: Option<usize>,
}

/// Lays pieces on a belt of `width_mm` until `length_mm` is full. `make` gives the piece of a number.
///
/// Each piece moves towards smaller y until it meets the front of those laid before, as blocks fall in a shaft.
pub(super) fn lay(
    placing: &Placing,
    width_mm: f64,
    length_mm: f64,
    mut rng_of: impl FnMut(u64) -> rand_chacha::ChaCha8Rng,
    mut make: impl FnMut(u64) -> PlacedPiece,
) -> Vec<PlacedPiece> {
    let bins = (width_mm / BIN_MM).floor() as usize;
    let mut front = Front {
        reach_mm: vec![placing.end_margin_mm; bins],
        owner: vec![None; bins],
    };
    let end_mm = length_mm - placing.end_margin_mm;
    let mut pieces: Vec<PlacedPiece> = Vec::new();
    let mut refused = 0;
    let enough = 3 * placing.lanes.max(4) as usize;
    let mut number = 0;
    while refused < enough {
        let mut rng = rng_of(number);
        let touching = !pieces.is_empty() && rng.random::<f64>() < placing.touching_share;
        let (low, high) = (placing.gap_mm[0], placing.gap_mm[1]);
        let gap_mm = if touching {
            -PRESSED_MM
        } else {
            low + (high - low) * rng.random::<f64>()
        };
        let side_bins = if touching {
            0
        } else {
            (placing.side_gap_mm / BIN_MM).ceil() as i64
        };
        let mut best: Option<Candidate> = None;
        let tries = if placing.lanes > 0 {
            8
        } else {
            placing.tries.clamp(1, MOST_TRIES)
        };
        let made = make(number);
        let mut turned: Option<(PlacedPiece, Vec<Span>)> = None;
        for attempt in 0..tries {
            // A piece is turned anew every eighth try only: its outline is the dear part.
            if attempt % 8 == 0 || placing.lanes > 0 || turned.is_none() {
                let spread = placing.yaw_spread_rad * (1.0 - 0.1 * attempt.min(9) as f64);
                let free = placing.yaw_spread_rad >= 1.5 && placing.lanes == 0;
                let half = if free { std::f64::consts::PI } else { spread };
                let yaw = std::f64::consts::FRAC_PI_2 + half * (2.0 * rng.random::<f64>() - 1.0);
                let piece = made.turned_to(yaw);
                let spans = spans(piece.outline_mm(), 0, BIN_MM);
                turned = Some((piece, spans));
            }
            let Some((piece, spans)) = &turned else { break };
            let (low, high) = piece.bounds_mm();
            let (from, to) = if placing.lanes > 0 {
                let lane_mm = (width_mm - 2.0 * placing.side_margin_mm) / f64::from(placing.lanes);
                let left =
                    placing.side_margin_mm + (number % u64::from(placing.lanes)) as f64 * lane_mm;
                (left + 2.0 - low[0], left + lane_mm - 2.0 - high[0])
            } else {
                (
                    placing.side_margin_mm - low[0],
                    width_mm - placing.side_margin_mm - high[0],
                )
            };
            if from > to {
                continue;
            }
            let x = from + (to - from) * rng.random::<f64>();
            let shift = (x / BIN_MM).round() as i64;
            let Some((y, owner)) = front.clear(spans, shift, side_bins, gap_mm) else {
                continue;
            };
            // The lower its middle comes to lie the better.
            let score = y + 0.5 * (low[1] + high[1]);
            if y + high[1] <= end_mm && best.as_ref().is_none_or(|b| score < b.middle_mm) {
                best = Some(Candidate {
                    middle_mm: score,
                    piece: piece.clone(),
                    spans: spans.clone(),
                    shift,
                    y_mm: y,
                    owner,
                });
                if placing.lanes > 0 {
                    break;
                }
            }
        }
        match best {
            None => refused += 1,
            Some(found) => {
                refused = 0;
                front.take(&found.spans, found.shift, found.y_mm, pieces.len());
                let mut piece = found.piece.moved(found.shift as f64 * BIN_MM, found.y_mm);
                if let Some(neighbour) = found.owner.filter(|_| touching) {
                    piece.touching = true;
                    pieces[neighbour].touching = true;
                }
                pieces.push(piece);
            }
        }
        number += 1;
    }
    pieces
}
