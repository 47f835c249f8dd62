//! What became of each piece and each weighing.

use jiff::Timestamp;

use super::MatchSettings;
use super::clock::{Clocks, clocks};
use super::core::Aligned;
use super::lattice::Choice;
use super::leftovers::{TestWeights, readout_g};
use super::sequence::Item;
use crate::error::Result;

/// A weighing that was matched with one piece, or with two that lay on the scale at once.
#[derive(Debug, Clone, PartialEq)]
pub struct Match {
    /// Places in the piece table's rows, from 0; one or two.
    pub pieces: Vec<usize>,
    /// Place in the list of weighings, from 0.
    pub weighing: usize,
    /// Probability given both files, 0 to 1.
    pub probability: f64,
    /// Weighing's time less the expected one, s.
    pub late_s: f64,
}

/// What became of a piece.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum PieceFate {
    /// Weighed by itself; place of the weighing.
    Weighed(usize),
    /// On the scale at once with another; place of the weighing.
    WeighedTogether(usize),
    /// Not decided: the likeliest weighing and its probability.
    Doubtful {
        /// Place of the likeliest weighing; `None`: not to have been weighed is likeliest.
        weighing: Option<usize>,
        /// Probability of that.
        probability: f64,
    },
    /// There is no weighing of it.
    NotWeighed,
    /// The log does not reach to it.
    OutsideLog,
    /// It has no time or no mass.
    Unusable,
}

/// What became of a weighing.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum WeighingFate {
    /// Of one piece; place of the match.
    Single(usize),
    /// Of two pieces; place of the match.
    Double(usize),
    /// Not decided.
    Doubtful,
    /// No scanned piece belongs to it.
    NoPiece,
    /// No piece belongs to it, and it is of a test weight.
    TestWeight,
    /// Before the first or after the last piece could have been weighed.
    OutsideScans,
}

/// The whole result.
#[derive(Debug, Clone, PartialEq)]
pub struct Matching {
    /// Accepted matches in the order of the log's time.
    pub matches: Vec<Match>,
    /// Of each row of the piece table.
    pub pieces: Vec<PieceFate>,
    /// Of each weighing.
    pub weighings: Vec<WeighingFate>,
    /// The clocks.
    pub clocks: Clocks,
    /// Likeness of masses at the found lag, in standard deviations of what chance gives.
    pub likeness_sigmas: f64,
    /// Wrong matches to expect among the accepted ones, by their probabilities.
    pub wrong_expected: f64,
    /// Pairs of neighbours in a lane that were weighed in the other order.
    pub swaps: usize,
    /// Lane of the pieces, lane of most of their weighings, and the share of those; where both files know lanes.
    pub lanes: Vec<(u32, u32, f64)>,
    /// Lanes of pieces with how much later than the common lag they are weighed, s.
    pub lane_lag_s: Vec<(u32, f64)>,
    /// Test weights that were seen, g.
    pub test_weights_g: Vec<f64>,
    /// Step of the checkweigher's readings, g; 0 where none shows.
    pub readout_g: f64,
}

/// How many of each.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
#[allow(missing_docs)] // The names are those of the fates.
pub struct Counts {
    pub pieces: usize,
    pub pieces_weighed: usize,
    pub pieces_together: usize,
    pub pieces_doubtful: usize,
    pub pieces_not_weighed: usize,
    pub pieces_outside_log: usize,
    pub pieces_unusable: usize,
    pub weighings: usize,
    pub weighings_single: usize,
    pub weighings_double: usize,
    pub weighings_doubtful: usize,
    pub weighings_without_piece: usize,
    pub weighings_test: usize,
    pub weighings_outside_scans: usize,
}

impl Matching {
    /// Pieces matched, pieces within the log's span, and weighings within that of the scans.
    pub(super) fn matched(&self) -> (usize, usize, usize) {
        let counts = self.counts();
        (
            counts.pieces_weighed + counts.pieces_together,
            counts.pieces - counts.pieces_outside_log - counts.pieces_unusable,
            counts.weighings - counts.weighings_outside_scans,
        )
    }

    /// How many of each.
    #[must_use]
    pub fn counts(&self) -> Counts {
        let pieces = |is: fn(&PieceFate) -> bool| self.pieces.iter().filter(|it| is(it)).count();
        let weighings =
            |is: fn(&WeighingFate) -> bool| self.weighings.iter().filter(|it| is(it)).count();
        Counts {
            pieces: self.pieces.len(),
            pieces_weighed: pieces(|it| matches!(it, PieceFate::Weighed(_))),
            pieces_together: pieces(|it| matches!(it, PieceFate::WeighedTogether(_))),
            pieces_doubtful: pieces(|it| matches!(it, PieceFate::Doubtful { .. })),
            pieces_not_weighed: pieces(|it| matches!(it, PieceFate::NotWeighed)),
            pieces_outside_log: pieces(|it| matches!(it, PieceFate::OutsideLog)),
            pieces_unusable: pieces(|it| matches!(it, PieceFate::Unusable)),
            weighings: self.weighings.len(),
            weighings_single: weighings(|it| matches!(it, WeighingFate::Single(_))),
            weighings_double: weighings(|it| matches!(it, WeighingFate::Double(_))),
            weighings_doubtful: weighings(|it| matches!(it, WeighingFate::Doubtful)),
            weighings_without_piece: weighings(|it| matches!(it, WeighingFate::NoPiece)),
            weighings_test: weighings(|it| matches!(it, WeighingFate::TestWeight)),
            weighings_outside_scans: weighings(|it| matches!(it, WeighingFate::OutsideScans)),
        }
    }
}

/// Accepts what is sure enough and sorts the rest.
pub(super) fn matching(
    pieces: usize,
    weighings: usize,
    weighed: &[Item],
    aligned: &Aligned,
    settings: &MatchSettings,
    start: Timestamp,
) -> Result<Matching> {
    let fit = &aligned.fit;
    let least = settings.least_probability;
    let mut matches = Vec::new();
    let mut piece_fates = vec![PieceFate::Unusable; pieces];
    let mut weighing_fates = vec![WeighingFate::OutsideScans; weighings];
    let mut any = vec![0.0; fit.pieces.len()];
    let mut best: Vec<(f64, usize)> = vec![(0.0, usize::MAX); fit.pieces.len()];
    let reach_s = fit.model.reach_s();
    let scans = fit.pieces.first().zip(fit.pieces.last());
    for (weighing, choices) in weighed.iter().zip(&fit.choices) {
        for choice in choices {
            for place in choice.pieces.into_iter().flatten() {
                any[place] += choice.probability;
                if choice.probability > best[place].0 {
                    best[place] = (choice.probability, weighing.index);
                }
            }
        }
        let outside = scans.is_none_or(|(first, last)| {
            weighing.time_s < first.time_s - reach_s || weighing.time_s > last.time_s + reach_s
        });
        let sure = choices.iter().find(|it| it.probability >= least);
        let fate = match sure {
            None => WeighingFate::Doubtful,
            Some(choice) => accepted(choice, weighing, fit, &mut matches),
        };
        weighing_fates[weighing.index] = match fate {
            WeighingFate::NoPiece if outside => WeighingFate::OutsideScans,
            other => other,
        };
    }
    let log = weighed.first().zip(weighed.last());
    for (place, piece) in fit.pieces.iter().enumerate() {
        let outside = log.is_none_or(|(first, last)| {
            piece.time_s < first.time_s - reach_s || piece.time_s > last.time_s + reach_s
        });
        let missed = (1.0 - any[place]).max(0.0);
        piece_fates[piece.item.index] = if missed >= least {
            if outside {
                PieceFate::OutsideLog
            } else {
                PieceFate::NotWeighed
            }
        } else if missed > best[place].0 {
            PieceFate::Doubtful {
                weighing: None,
                probability: missed,
            }
        } else {
            PieceFate::Doubtful {
                weighing: Some(best[place].1),
                probability: best[place].0,
            }
        };
    }
    for found in &matches {
        for &piece in &found.pieces {
            piece_fates[piece] = match found.pieces.len() {
                1 => PieceFate::Weighed(found.weighing),
                _ => PieceFate::WeighedTogether(found.weighing),
            };
        }
    }
    let readout_g = readout_g(weighed);
    let singles: Vec<f64> = weighed
        .iter()
        .filter(|it| matches!(weighing_fates[it.index], WeighingFate::Single(_)))
        .map(|it| it.mass_g)
        .collect();
    let left: Vec<(usize, f64)> = weighed
        .iter()
        .filter(|it| {
            matches!(
                weighing_fates[it.index],
                WeighingFate::NoPiece | WeighingFate::OutsideScans
            )
        })
        .map(|it| (it.index, it.mass_g))
        .collect();
    let tests = TestWeights::among(&left, &singles, readout_g, &settings.test_weights_g);
    for place in &tests.weighings {
        weighing_fates[*place] = WeighingFate::TestWeight;
    }
    Ok(Matching {
        clocks: clock(&matches, weighed, aligned, start),
        swaps: swaps(&matches, aligned),
        lanes: lanes(aligned),
        lane_lag_s: fit.lane_lag_s.clone(),
        likeness_sigmas: aligned.likeness.sigmas,
        wrong_expected: matches.iter().map(|it| 1.0 - it.probability).sum(),
        test_weights_g: tests.masses_g,
        readout_g,
        matches,
        pieces: piece_fates,
        weighings: weighing_fates,
    })
}

fn accepted(
    choice: &Choice,
    weighing: &Item,
    fit: &super::fit::Fit,
    matches: &mut Vec<Match>,
) -> WeighingFate {
    let mut places: Vec<usize> = choice.pieces.into_iter().flatten().collect();
    if places.is_empty() {
        return WeighingFate::NoPiece;
    }
    places.sort_by_key(|place| fit.pieces[*place].item.index);
    let expected_s =
        places.iter().map(|it| fit.pieces[*it].time_s).sum::<f64>() / places.len() as f64;
    let number = matches.len();
    let fate = match places.len() {
        1 => WeighingFate::Single(number),
        _ => WeighingFate::Double(number),
    };
    matches.push(Match {
        pieces: places.iter().map(|it| fit.pieces[*it].item.index).collect(),
        weighing: weighing.index,
        probability: choice.probability,
        late_s: weighing.time_s - expected_s,
    });
    fate
}

/// Single matches with their pieces, in the order of the scans.
fn single_items(matches: &[Match], aligned: &Aligned) -> Vec<(Item, usize)> {
    let mut by_index: Vec<Item> = aligned.fit.pieces.iter().map(|it| it.item).collect();
    by_index.sort_by_key(|it| it.index);
    let mut found: Vec<(Item, usize)> = matches
        .iter()
        .enumerate()
        .filter(|(_, it)| it.pieces.len() == 1)
        .filter_map(|(number, it)| {
            let place = by_index
                .binary_search_by_key(it.pieces.first()?, |item| item.index)
                .ok()?;
            Some((by_index[place], number))
        })
        .collect();
    found.sort_by(|one, other| one.0.time_s.total_cmp(&other.0.time_s));
    found
}

fn clock(matches: &[Match], weighed: &[Item], aligned: &Aligned, start: Timestamp) -> Clocks {
    let fit = &aligned.fit;
    let of_lane = |lane: Option<u32>| {
        let entry = fit.lane_lag_s.iter().find(|it| Some(it.0) == lane);
        entry.map_or(0.0, |it| it.1)
    };
    let mut time_of = vec![f64::NAN; weighed.iter().map(|it| it.index + 1).max().unwrap_or(0)];
    for weighing in weighed {
        time_of[weighing.index] = weighing.time_s;
    }
    // Those that changed places or were held up say nothing of the clocks.
    let near_s = 4.0 * fit.model.time_sd_s;
    let lags: Vec<(f64, f64)> = single_items(matches, aligned)
        .into_iter()
        .filter(|(_, number)| matches[*number].late_s.abs() <= near_s)
        .map(|(item, number)| {
            let weighed_s = time_of[matches[number].weighing];
            (item.time_s, weighed_s - item.time_s - of_lane(item.lane))
        })
        .collect();
    let end = |at: Option<&(f64, f64)>| at.map_or(f64::NAN, |it| fit.track.at(it.0));
    let ends_s = [end(lags.first()), end(lags.last())];
    clocks(&lags, ends_s, fit.model.time_sd_s, start)
}

/// Neighbours in a lane, matched both, whose weighings stand the other way round.
fn swaps(matches: &[Match], aligned: &Aligned) -> usize {
    let singles = single_items(matches, aligned);
    let mut last_of_lane: Vec<(Option<u32>, usize)> = Vec::new();
    let mut count = 0;
    for (item, number) in singles {
        match last_of_lane.iter_mut().find(|entry| entry.0 == item.lane) {
            Some(entry) => {
                // Matches stand in the order of the log's time.
                count += usize::from(number < entry.1);
                entry.1 = number;
            }
            None => last_of_lane.push((item.lane, number)),
        }
    }
    count
}

fn lanes(aligned: &Aligned) -> Vec<(u32, u32, f64)> {
    let table = &aligned.fit.model.lanes;
    let columns = table.weighing_lanes.len().max(1);
    table
        .piece_lanes
        .iter()
        .zip(table.probability.chunks(columns))
        .filter_map(|(lane, row)| {
            let (place, share) = row
                .iter()
                .enumerate()
                .max_by(|one, other| one.1.total_cmp(other.1))?;
            Some((*lane, *table.weighing_lanes.get(place)?, *share))
        })
        .collect()
}
