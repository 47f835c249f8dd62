//! All ways at once in which weighings can be of pieces, and the probability of each single match over all of them.
//!
//! Weighings are taken in the order of time. The state is the set of pieces within reach that have been weighed already; each weighing adds one
//! piece, two pieces (both on the scale at once) or none. Pieces that leave the reach without a weighing are those that were not
//! weighed. Forward and backward sums over this lattice (Baum, Petrie, Soules and Weiss 1970) give the probability of every match given both
//! whole files, whatever the order of pieces that overtook each other or came in lanes side by side. States far lighter than the
//! heaviest are dropped ([`Effort`]).

/// Pieces within reach of one weighing: as many as a state has bits.
const WIDEST: usize = 128;
/// Pieces weighed together are neighbours in time: at most this many places apart.
const FARTHEST_DOUBLE: usize = 5;

/// How much is followed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Effort {
    /// Matches less likely than this compared with "no piece" are not.
    least_odds: f64,
    /// States lighter than this compared with the heaviest are dropped.
    least_state: f64,
    /// States kept for one weighing.
    most_states: usize,
}

/// While the model is learned: a match that matters to it weighs more than a thousandth.
pub(super) const DRAFT: Effort = Effort {
    least_odds: 1e-4,
    least_state: 1e-4,
    most_states: 200,
};
/// For the result.
pub(super) const FULL: Effort = Effort {
    least_odds: 1e-5,
    least_state: 1e-6,
    most_states: 800,
};

/// Likelihoods of single events, all relative to "the piece was not weighed".
pub(super) trait Evidence {
    type Piece;
    type Weighing;
    /// A weighing without a piece.
    fn extra(&self, weighing: &Self::Weighing) -> f64;
    /// A weighing of a piece.
    fn single(&self, piece: &Self::Piece, weighing: &Self::Weighing) -> f64;
    /// The same if another piece, the one at the place given, has been weighed before.
    fn overtaken(&self, piece: &Self::Piece, weighing: &Self::Weighing) -> Option<(usize, f64)>;
    /// A weighing of two pieces.
    fn double(&self, one: &Self::Piece, other: &Self::Piece, weighing: &Self::Weighing) -> f64;
}

/// What one weighing can be, with its probability given both files.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Choice {
    /// Places of the pieces in the order of expected time; none, one or two.
    pub(super) pieces: [Option<usize>; 2],
    pub(super) probability: f64,
}

/// The choices of one weighing before probabilities are known.
struct Step {
    /// First piece within reach.
    first: usize,
    /// The first sets no bits.
    ways: Vec<Way>,
}

/// One thing that a weighing can be.
#[derive(Debug, Clone, Copy)]
struct Way {
    /// Bits to set.
    bits: u128,
    /// Weight relative to "no piece".
    odds: f64,
    /// If one of these bits is set already, the weight is the other one.
    after: u128,
    odds_after: f64,
}

impl Way {
    fn plain(bits: u128, odds: f64) -> Self {
        Self {
            bits,
            odds,
            after: 0,
            odds_after: odds,
        }
    }

    fn weight(&self, mask: u128) -> f64 {
        if mask & self.after == 0 {
            self.odds
        } else {
            self.odds_after
        }
    }
}

/// A set of weighed pieces, counted from the step's first, and its weight.
type State = (u128, f64);

/// Probabilities of all choices of each weighing. `pieces` and `weighings` are in the order of (expected) time; `window` gives the places of the
/// pieces within reach of a weighing: from, to.
pub(super) fn probabilities<E: Evidence>(
    evidence: &E,
    pieces: &[E::Piece],
    weighings: &[E::Weighing],
    window: impl Fn(&E::Weighing) -> (usize, usize),
    effort: Effort,
) -> Vec<Vec<Choice>> {
    let mut steps = Vec::with_capacity(weighings.len());
    let mut first = 0;
    for weighing in weighings {
        let (from, to) = window(weighing);
        // Never backwards, and never more than a state can hold: those nearest to the middle.
        let middle = usize::midpoint(from, to);
        first = first.max(from).max(middle.saturating_sub(WIDEST / 2));
        let last = to.min(first + WIDEST);
        let mut step = step(evidence, pieces, weighing, first, last);
        step.ways
            .retain(|way| way.odds.max(way.odds_after) > effort.least_odds);
        step.ways.shrink_to_fit();
        steps.push(step);
    }
    let layers = forward(&steps, effort);
    backward(&steps, &layers)
}

fn step<E: Evidence>(
    evidence: &E,
    pieces: &[E::Piece],
    weighing: &E::Weighing,
    first: usize,
    last: usize,
) -> Step {
    let extra = evidence.extra(weighing).max(f64::MIN_POSITIVE);
    let mut ways = vec![Way::plain(0, 1.0)];
    for one in first..last {
        let bit = 1u128 << (one - first);
        let odds = evidence.single(&pieces[one], weighing) / extra;
        let mut way = Way::plain(bit, odds);
        if let Some((behind, odds_after)) = evidence.overtaken(&pieces[one], weighing)
            && (first..last).contains(&behind)
        {
            way.after = 1u128 << (behind - first);
            way.odds_after = odds_after / extra;
        }
        ways.push(way);
        for other in one + 1..last.min(one + 1 + FARTHEST_DOUBLE) {
            let odds = evidence.double(&pieces[one], &pieces[other], weighing) / extra;
            ways.push(Way::plain(bit | 1u128 << (other - first), odds));
        }
    }
    Step { first, ways }
}

/// Pieces that left the reach are forgotten.
fn moved(mask: u128, by: usize) -> u128 {
    match by {
        0..128 => mask >> by,
        _ => 0,
    }
}

/// The states before each weighing.
fn forward(steps: &[Step], effort: Effort) -> Vec<Vec<State>> {
    let mut layers: Vec<Vec<State>> = Vec::with_capacity(steps.len());
    let mut before: Vec<State> = vec![(0, 1.0)];
    for (at, step) in steps.iter().enumerate() {
        let mut after = Vec::with_capacity(before.len() * 4);
        for &(mask, weight) in &before {
            for way in &step.ways {
                if mask & way.bits == 0 {
                    after.push((mask | way.bits, weight * way.weight(mask)));
                }
            }
        }
        layers.push(before);
        let by = steps
            .get(at + 1)
            .map_or(WIDEST, |next| next.first - step.first);
        for state in &mut after {
            state.0 = moved(state.0, by);
        }
        before = merged(after, effort);
    }
    layers
}

/// States of the same set added up, light ones dropped, weights adding up to 1.
fn merged(mut states: Vec<State>, effort: Effort) -> Vec<State> {
    states.sort_unstable_by_key(|state| state.0);
    states.dedup_by(|next, kept| {
        let same = next.0 == kept.0;
        if same {
            kept.1 += next.1;
        }
        same
    });
    let heaviest = states.iter().map(|state| state.1).fold(0.0, f64::max);
    states.retain(|state| state.1 >= effort.least_state * heaviest);
    if states.len() > effort.most_states {
        states.sort_unstable_by(|one, other| other.1.total_cmp(&one.1).then(one.0.cmp(&other.0)));
        states.truncate(effort.most_states);
        states.sort_unstable_by_key(|state| state.0);
    }
    let total: f64 = states.iter().map(|state| state.1).sum();
    if total > 0.0 {
        for state in &mut states {
            state.1 /= total;
        }
    }
    // Most of what was made room for was merged; all layers are kept.
    states.shrink_to_fit();
    states
}

fn backward(steps: &[Step], layers: &[Vec<State>]) -> Vec<Vec<Choice>> {
    let mut found: Vec<Vec<Choice>> = Vec::with_capacity(steps.len());
    // After the last weighing nothing is left to come.
    let mut later: Vec<State> = vec![(0, 1.0)];
    for at in (0..steps.len()).rev() {
        let step = &steps[at];
        let by = steps
            .get(at + 1)
            .map_or(WIDEST, |next| next.first - step.first);
        let mut weights = vec![0.0; step.ways.len()];
        let mut earlier = Vec::with_capacity(layers[at].len());
        for &(mask, forward_weight) in &layers[at] {
            let mut sum = 0.0;
            for (weight, way) in weights.iter_mut().zip(&step.ways) {
                if mask & way.bits != 0 {
                    continue;
                }
                let target = moved(mask | way.bits, by);
                // States that were dropped on the way forward are not there.
                if let Ok(place) = later.binary_search_by_key(&target, |state| state.0) {
                    let value = way.weight(mask) * later[place].1;
                    sum += value;
                    *weight += forward_weight * value;
                }
            }
            earlier.push((mask, sum));
        }
        let largest = earlier.iter().map(|state| state.1).fold(0.0, f64::max);
        if largest > 0.0 {
            for state in &mut earlier {
                state.1 /= largest;
            }
        }
        let total: f64 = weights.iter().sum();
        let choices = step.ways.iter().zip(&weights).map(|(choice, weight)| {
            let mut bits = choice.bits;
            let pieces = [(); 2].map(|()| {
                (bits != 0).then(|| {
                    let place = bits.trailing_zeros() as usize;
                    bits &= bits - 1;
                    step.first + place
                })
            });
            Choice {
                pieces,
                probability: if total > 0.0 { weight / total } else { 0.0 },
            }
        });
        found.push(choices.collect());
        later = earlier;
    }
    found.reverse();
    found
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    /// Weights given one by one.
    struct Given {
        extra: Vec<f64>,
        /// By weighing, then piece.
        single: Vec<Vec<f64>>,
        double: f64,
    }

    impl Evidence for Given {
        type Piece = usize;
        type Weighing = usize;
        fn extra(&self, weighing: &usize) -> f64 {
            self.extra[*weighing]
        }
        fn single(&self, piece: &usize, weighing: &usize) -> f64 {
            self.single[*weighing][*piece]
        }
        fn overtaken(&self, _: &usize, _: &usize) -> Option<(usize, f64)> {
            None
        }
        fn double(&self, one: &usize, other: &usize, weighing: &usize) -> f64 {
            self.double * self.single[*weighing][*one] * self.single[*weighing][*other]
        }
    }

    /// The same by trying out every way, one after the other.
    fn by_hand(given: &Given, pieces: usize, weighings: usize) -> Vec<Vec<f64>> {
        fn go(
            given: &Given,
            pieces: usize,
            at: usize,
            used: u32,
            weight: f64,
            chosen: &mut Vec<u32>,
            sums: &mut [Vec<f64>],
        ) {
            if at == sums.len() {
                for (sum, bits) in sums.iter_mut().zip(chosen.iter()) {
                    sum[*bits as usize] += weight;
                }
                return;
            }
            for bits in 0..1u32 << pieces {
                if bits & used != 0 || bits.count_ones() > 2 {
                    continue;
                }
                let on: Vec<usize> = (0..pieces).filter(|it| bits >> it & 1 == 1).collect();
                let factor = match on.as_slice() {
                    [] => given.extra(&at),
                    [one] => given.single(one, &at),
                    [one, other] if other - one <= FARTHEST_DOUBLE => given.double(one, other, &at),
                    _ => 0.0,
                };
                chosen.push(bits);
                go(
                    given,
                    pieces,
                    at + 1,
                    used | bits,
                    weight * factor,
                    chosen,
                    sums,
                );
                chosen.pop();
            }
        }
        let mut sums = vec![vec![0.0; 1 << pieces]; weighings];
        go(given, pieces, 0, 0, 1.0, &mut Vec::new(), &mut sums);
        for sum in &mut sums {
            let total: f64 = sum.iter().sum();
            sum.iter_mut().for_each(|it| *it /= total);
        }
        sums
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(60))]
        #[test]
        fn probabilities_are_those_of_trying_out_every_way(
            single in proptest::collection::vec(proptest::collection::vec(0.01f64..4.0, 4), 4),
            extra in proptest::collection::vec(0.05f64..2.0, 4),
            double in 0.0f64..1.0,
        ) {
            let given = Given { extra, single, double };
            let items = [0, 1, 2, 3];
            let found = probabilities(&given, &items, &items, |_| (0, 4), FULL);
            let expected = by_hand(&given, 4, 4);
            for (found, expected) in found.iter().zip(&expected) {
                let mut there = vec![0.0; expected.len()];
                for choice in found {
                    let bits: usize = choice.pieces.iter().flatten().map(|it| 1usize << it).sum();
                    there[bits] = choice.probability;
                }
                for (one, other) in there.iter().zip(expected) {
                    prop_assert!((one - other).abs() < 1e-5, "{there:?} {expected:?}");
                }
            }
        }
    }

    #[test]
    fn a_window_that_moves_on_forgets_only_what_is_out_of_reach() {
        // Ten pieces and weighings, each fits its own only; the window is three wide.
        let single = (0..10)
            .map(|j| (0..10).map(|i| if i == j { 5.0 } else { 1e-9 }).collect())
            .collect();
        let given = Given {
            extra: vec![1.0; 10],
            single,
            double: 0.0,
        };
        let items: Vec<usize> = (0..10).collect();
        let found = probabilities(
            &given,
            &items,
            &items,
            |at| (at.saturating_sub(1), (at + 2).min(10)),
            FULL,
        );
        for (at, choices) in found.iter().enumerate() {
            let own = choices
                .iter()
                .find(|choice| choice.pieces == [Some(at), None])
                .unwrap();
            assert!((own.probability - 5.0 / 6.0).abs() < 1e-6);
        }
    }
}
