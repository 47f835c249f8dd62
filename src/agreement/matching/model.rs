//! How likely it is that a weighing is of a piece, of two pieces, or of none that was scanned.
//!
//! Times scatter about the expected one by a normal distribution; with a small probability about the time expected of the piece before or behind
//! (pieces that changed places), and with another by a much wider one. Masses scatter about a straight line of the estimate, and with a small probability as if the estimate said nothing.
//! Weighings without a piece come at random times with the masses of the whole log. All numbers are learned from the two files.

use super::lattice::Evidence;
use super::sequence::Item;

/// Wrong lanes are never impossible: a piece may change over.
const LEAST_LANE_PROBABILITY: f64 = 1e-3;

/// Probability that a piece takes the place of the one behind, once that one has been weighed before it.
const OVERTAKEN: f64 = 0.8;

/// What is learned.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Model {
    /// Standard deviation of a weighing's time about the expected one, s.
    pub(super) time_sd_s: f64,
    /// The same for those that were held up or pushed ahead, s.
    pub(super) wide_sd_s: f64,
    /// Share of those.
    pub(super) wide_share: f64,
    /// Share of pieces that overtook the one before.
    pub(super) swapped_share: f64,
    /// The weighing to expect is `intercept_g + slope · estimate`.
    pub(super) intercept_g: f64,
    pub(super) slope: f64,
    /// Standard deviation about it, relative to the mass.
    pub(super) mass_sd_relative: f64,
    /// Share of estimates that say nothing of the mass.
    pub(super) odd_share: f64,
    /// Middle and spread of all weighings, g.
    pub(super) log_mass_g: f64,
    pub(super) log_sd_g: f64,
    /// Probability that a piece was not weighed.
    pub(super) missing_share: f64,
    /// Probability that a piece was weighed together with a given neighbour.
    pub(super) double_share: f64,
    /// Weighings without a piece a second.
    pub(super) extra_per_s: f64,
    /// Probability of the weighing's lane (column) for the piece's lane (row); empty where one of the files knows no lanes.
    pub(super) lanes: LaneTable,
}

/// Probabilities of lanes of weighings for lanes of pieces.
#[derive(Debug, Clone, PartialEq, Default)]
pub(super) struct LaneTable {
    pub(super) piece_lanes: Vec<u32>,
    pub(super) weighing_lanes: Vec<u32>,
    /// Row by row.
    pub(super) probability: Vec<f64>,
}

impl LaneTable {
    /// A table that knows nothing yet; empty unless both files have several lanes.
    pub(super) fn new(pieces: &[Item], weighings: &[Item]) -> Self {
        let lanes = |items: &[Item]| {
            let mut lanes: Vec<u32> = items.iter().filter_map(|item| item.lane).collect();
            lanes.sort_unstable();
            lanes.dedup();
            lanes
        };
        let (piece_lanes, weighing_lanes) = (lanes(pieces), lanes(weighings));
        if piece_lanes.len() < 2 || weighing_lanes.len() < 2 {
            return Self::default();
        }
        let even = 1.0 / weighing_lanes.len() as f64;
        Self {
            probability: vec![even; piece_lanes.len() * weighing_lanes.len()],
            piece_lanes,
            weighing_lanes,
        }
    }

    pub(super) fn place(&self, piece: Option<u32>, weighing: Option<u32>) -> Option<usize> {
        let row = self.piece_lanes.binary_search(&piece?).ok()?;
        let column = self.weighing_lanes.binary_search(&weighing?).ok()?;
        Some(row * self.weighing_lanes.len() + column)
    }

    fn of(&self, piece: Option<u32>, weighing: Option<u32>) -> f64 {
        self.place(piece, weighing)
            .and_then(|place| self.probability.get(place))
            .map_or(1.0, |it| it.max(LEAST_LANE_PROBABILITY))
    }

    /// What a weighing without a piece says by its lane: nothing, if all are alike.
    fn chance(&self) -> f64 {
        match self.weighing_lanes.len() {
            0 => 1.0,
            lanes => 1.0 / lanes as f64,
        }
    }
}

/// A piece, when and with what mass it should have been weighed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Expected {
    pub(super) item: Item,
    /// By the checkweigher's clock, s.
    pub(super) time_s: f64,
    pub(super) mass_g: f64,
    /// When the piece before and the piece behind in its lane should have been, s.
    pub(super) neighbours_s: [f64; 2],
    /// Place of the piece behind.
    pub(super) behind: Option<usize>,
}

/// Densities of a weighing's time, 1/s.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Timing {
    pub(super) narrow: f64,
    /// In the place of the piece before.
    pub(super) overtook: f64,
    /// In the place of the piece behind, if that one is known to have overtaken.
    pub(super) overtaken: f64,
    pub(super) wide: f64,
}

impl Timing {
    pub(super) fn usual(&self) -> f64 {
        self.narrow + self.overtook + self.wide
    }
}

pub(super) fn normal(distance: f64, sd: f64) -> f64 {
    let z = distance / sd;
    (-0.5 * z * z).exp() / (sd * (2.0 * std::f64::consts::PI).sqrt())
}

impl Model {
    pub(super) fn expected_mass_g(&self, estimate_g: f64) -> f64 {
        self.intercept_g + self.slope * estimate_g
    }

    /// Density of times, by kind.
    pub(super) fn time(&self, piece: &Expected, weighing_s: f64) -> Timing {
        let usual = 1.0 - self.wide_share - self.swapped_share;
        let [before, behind] = piece
            .neighbours_s
            .map(|time_s| normal(weighing_s - time_s, self.time_sd_s));
        Timing {
            narrow: usual * normal(weighing_s - piece.time_s, self.time_sd_s),
            overtook: self.swapped_share * before,
            overtaken: behind,
            wide: self.wide_share * normal(weighing_s - piece.time_s, self.wide_sd_s),
        }
    }

    /// Density of masses about what is expected of `pieces` pieces and, of that, the share of estimates that say something.
    pub(super) fn mass(&self, weighing_g: f64, expected_g: f64, pieces: usize) -> (f64, f64) {
        let sd = (self.mass_sd_relative * expected_g.abs() / (pieces as f64).sqrt())
            .max(1e-6 * self.log_mass_g.abs());
        let told = (1.0 - self.odd_share) * normal(weighing_g - expected_g, sd);
        let odd = if pieces == 1 {
            self.odd_share * self.population(weighing_g)
        } else {
            0.0
        };
        let both = told + odd;
        (both, if both > 0.0 { told / both } else { 0.0 })
    }

    fn population(&self, weighing_g: f64) -> f64 {
        normal(weighing_g - self.log_mass_g, 1.5 * self.log_sd_g)
    }

    fn apart_from_time(&self, piece: &Expected, weighing: &Item) -> f64 {
        let (mass, _) = self.mass(weighing.mass_g, piece.mass_g, 1);
        let odds = (1.0 - self.missing_share) / self.missing_share;
        odds * mass * self.lanes.of(piece.item.lane, weighing.lane)
    }

    /// Farthest that a weighing's time may lie from the expected one, s.
    pub(super) fn reach_s(&self) -> f64 {
        (6.0 * self.time_sd_s).max(3.0 * self.wide_sd_s)
    }
}

impl Evidence for Model {
    type Piece = Expected;
    type Weighing = Item;

    fn extra(&self, weighing: &Item) -> f64 {
        // Test weights, doubles of pieces nobody scanned, hands on the scale: anything from nothing to thrice the usual mass.
        let anything = 1.0 / (3.0 * self.log_mass_g).max(f64::MIN_POSITIVE);
        let mass = 0.7 * self.population(weighing.mass_g) + 0.3 * anything;
        self.extra_per_s * mass * self.lanes.chance()
    }

    fn single(&self, piece: &Expected, weighing: &Item) -> f64 {
        self.time(piece, weighing.time_s).usual() * self.apart_from_time(piece, weighing)
    }

    fn overtaken(&self, piece: &Expected, weighing: &Item) -> Option<(usize, f64)> {
        let timing = self.time(piece, weighing.time_s);
        let time = (1.0 - OVERTAKEN) * timing.usual() + OVERTAKEN * timing.overtaken;
        Some((piece.behind?, time * self.apart_from_time(piece, weighing)))
    }

    fn double(&self, one: &Expected, other: &Expected, weighing: &Item) -> f64 {
        let middle_s = f64::midpoint(one.time_s, other.time_s);
        let late_s = weighing.time_s - middle_s;
        let loose = self.wide_share + self.swapped_share;
        let time =
            (1.0 - loose) * normal(late_s, self.time_sd_s) + loose * normal(late_s, self.wide_sd_s);
        let (mass, _) = self.mass(weighing.mass_g, one.mass_g + other.mass_g, 2);
        let odds = (1.0 - self.missing_share) / self.missing_share;
        // Two that lie closely together are more likely on the scale at once.
        let apart = normal(one.time_s - other.time_s, 2.0 * self.wide_sd_s)
            / normal(0.0, 2.0 * self.wide_sd_s);
        let lane = self
            .lanes
            .of(one.item.lane, weighing.lane)
            .max(self.lanes.of(other.item.lane, weighing.lane));
        odds * odds * self.double_share * apart * time * mass * lane
    }
}
