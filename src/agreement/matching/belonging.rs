//! Do the two files belong together at all?
//!
//! The lag is found from every second piece, and the likeness of masses at that lag is then looked at on the other pieces, which had no say in
//! it; both ways round. The same sum at lags that are certainly wrong says what chance does with just these masses and times.

use super::sequence::Item;
use super::track::{Search, Track, follow};

/// Wrong lags that are tried, on each side.
const WRONG_LAGS: usize = 150;

/// What files that belong together reach at least, times the root of the number of pieces (`cargo bench --bench matching`; four lanes over one scale are the
/// hardest).
const REACH: f64 = 0.4;

/// The evidence.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Likeness {
    /// Sum at the found lag less its mean at wrong lags, in standard deviations at wrong lags.
    pub(super) sigmas: f64,
    /// About what it would be if all pieces were there and estimates were good: what the test can tell.
    pub(super) reach_sigmas: f64,
}

/// `None` where no lag could be looked for.
pub(super) fn likeness(
    pieces: &[Item],
    piece_scores: &[f64],
    weighings: &[Item],
    weighing_scores: &[f64],
    search: Search,
) -> Option<Likeness> {
    let mut right = Products::default();
    let mut wrong = vec![Products::default(); 2 * WRONG_LAGS];
    let kernel_s = 1.5 * search.bin_s;
    let spacing_s = typical_spacing_s(weighings).max(2.0 * kernel_s);
    for half in 0..2 {
        let track = follow(
            pieces,
            piece_scores,
            weighings,
            weighing_scores,
            search,
            |at| at % 2 == half,
        )?;
        let held_out: Vec<usize> = (0..pieces.len()).filter(|at| at % 2 != half).collect();
        let add = |sum: &mut Products, shift_s: f64| {
            products(
                pieces,
                piece_scores,
                weighings,
                weighing_scores,
                &held_out,
                &track,
                shift_s,
                kernel_s,
                sum,
            );
        };
        add(&mut right, 0.0);
        for (k, wrong) in wrong.iter_mut().enumerate() {
            // Far enough that no neighbour comes to lie on a neighbour, and by no whole number of spacings.
            let steps = 4.0 + 1.37 * (k / 2) as f64;
            let side = if k % 2 == 0 { 1.0 } else { -1.0 };
            add(wrong, side * steps * spacing_s);
        }
    }
    // Lags at which the files hardly overlap say little.
    let fewest = 0.25 * right.squares;
    let chance: Vec<f64> = wrong
        .iter()
        .filter(|it| it.squares > fewest)
        .filter_map(Products::standardised)
        .collect();
    let count = chance.len() as f64;
    let (mean, sd) = if chance.len() < 20 {
        (0.0, 1.0)
    } else {
        let mean = chance.iter().sum::<f64>() / count;
        let squares: f64 = chance.iter().map(|it| (it - mean).powi(2)).sum();
        // Independent products have 1; likeness of neighbours makes it more. Less is luck of few lags.
        (mean, (squares / (count - 1.0)).sqrt().max(1.0))
    };
    let found = right.standardised().unwrap_or(0.0);
    let fewer = pieces.len().min(weighings.len()) as f64;
    Some(Likeness {
        sigmas: (found - mean) / sd,
        reach_sigmas: REACH * fewer.sqrt() / sd,
    })
}

/// Sum of products of scores, and of their squares.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
struct Products {
    sum: f64,
    squares: f64,
}

impl Products {
    /// In standard deviations of a sum of independent products of these sizes and either sign.
    fn standardised(&self) -> Option<f64> {
        (self.squares > 0.0).then(|| self.sum / self.squares.sqrt())
    }
}

#[allow(clippy::too_many_arguments)] // Two sequences with their scores, and where they are laid on each other.
fn products(
    pieces: &[Item],
    piece_scores: &[f64],
    weighings: &[Item],
    weighing_scores: &[f64],
    held_out: &[usize],
    track: &Track,
    shift_s: f64,
    kernel_s: f64,
    sum: &mut Products,
) {
    let reach_s = 3.0 * kernel_s;
    for &at in held_out {
        let time_s = pieces[at].time_s;
        let expected_s = time_s + track.at(time_s) + shift_s;
        let first = weighings.partition_point(|it| it.time_s < expected_s - reach_s);
        for (weighing, score) in weighings[first..].iter().zip(&weighing_scores[first..]) {
            let z = (weighing.time_s - expected_s) / kernel_s;
            if z > 3.0 {
                break;
            }
            let product = (-0.5 * z * z).exp() * piece_scores[at] * score;
            sum.sum += product;
            sum.squares += product * product;
        }
    }
}

/// Middle of the times from one weighing to the next, s.
fn typical_spacing_s(items: &[Item]) -> f64 {
    let mut gaps: Vec<f64> = items
        .windows(2)
        .map(|pair| pair[1].time_s - pair[0].time_s)
        .collect();
    if gaps.is_empty() {
        return 1.0;
    }
    super::order::median(&mut gaps)
}
