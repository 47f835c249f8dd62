//! Learns lag, mass line, scatter and shares from the two files, together with the matches: expectation and maximisation in turn
//! (Dempster, Laird and Rubin 1977) over the lattice of all matches.

use super::lag::relearn_lag;
use super::lattice::{Choice, DRAFT, Effort, FULL, probabilities};
use super::model::{Expected, LaneTable, Model};
use super::order::{mad_sd, median};
use super::sequence::Item;
use super::track::Track;

/// Rounds at most; usually five are enough.
const MOST_ROUNDS: usize = 12;
/// A pause of more than this does not count as time between pieces, s.
const PAUSE_S: f64 = 10.0;

/// What was learned, and how likely each match is.
#[derive(Debug, Clone)]
pub(super) struct Fit {
    pub(super) model: Model,
    pub(super) track: Track,
    /// Lag of each lane of pieces beyond the common one, s.
    pub(super) lane_lag_s: Vec<(u32, f64)>,
    /// In the order of expected time; places in `choices` are of this list.
    pub(super) pieces: Vec<Expected>,
    /// Of each weighing.
    pub(super) choices: Vec<Vec<Choice>>,
}

/// A likely match as the next round learns from it.
pub(super) struct Learned {
    pub(super) time_s: f64,
    pub(super) lane: Option<u32>,
    /// Weighing's time minus the expected one, s.
    pub(super) late_s: f64,
    pub(super) estimate_g: f64,
    pub(super) weighing_g: f64,
    pub(super) probability: f64,
    /// Shares of the kinds of timing.
    pub(super) narrow: f64,
    pub(super) overtook: f64,
    pub(super) wide: f64,
    /// Share of estimates that say something.
    pub(super) told: f64,
}

/// Fits; `lane_lag_s` and `track` are first guesses.
pub(super) fn fit(
    pieces: &[Item],
    weighings: &[Item],
    track: Track,
    lane_lag_s: Vec<(u32, f64)>,
    step_s: f64,
) -> Fit {
    let mut model = first_model(pieces, weighings, step_s);
    let (mut track, mut lane_lag_s) = (track, lane_lag_s);
    for round in 1..=MOST_ROUNDS {
        let expected = expect(pieces, &model, &track, &lane_lag_s);
        let choices = run(&model, &expected, weighings, DRAFT);
        let matches = likely(&model, &expected, weighings, &choices);
        if matches.len() < 5 {
            break;
        }
        let before = model.clone();
        relearn(&mut model, &matches, &expected, weighings, &choices, step_s);
        relearn_lag(&mut track, &mut lane_lag_s, &matches);
        if round >= 4 && settled(&before, &model) {
            break;
        }
    }
    let expected = expect(pieces, &model, &track, &lane_lag_s);
    let choices = run(&model, &expected, weighings, FULL);
    Fit {
        model,
        track,
        lane_lag_s,
        pieces: expected,
        choices,
    }
}

fn settled(before: &Model, after: &Model) -> bool {
    let near =
        |one: f64, other: f64, part: f64| (one - other).abs() <= part * one.abs().max(other.abs());
    near(before.time_sd_s, after.time_sd_s, 0.01)
        && near(before.mass_sd_relative, after.mass_sd_relative, 0.01)
        && near(before.missing_share, after.missing_share, 0.05)
}

fn first_model(pieces: &[Item], weighings: &[Item], step_s: f64) -> Model {
    let masses = |items: &[Item]| items.iter().map(|item| item.mass_g).collect::<Vec<f64>>();
    let log_mass_g = median(&mut masses(weighings));
    let log_sd_g = mad_sd(&mut masses(weighings)).max(1e-3 * log_mass_g);
    let time_sd_s = (0.3 * step_s).max(0.25);
    let lanes = LaneTable::new(pieces, weighings);
    let between: Vec<f64> = pieces
        .windows(2)
        .map(|pair| pair[1].time_s - pair[0].time_s)
        .filter(|gap| *gap < PAUSE_S)
        .collect();
    let spacing = between.iter().sum::<f64>() / between.len().max(1) as f64;
    let side_by_side = pieces
        .iter()
        .filter_map(|item| item.lane)
        .max()
        .unwrap_or(1);
    let wide_sd_s = (1.2 * spacing * f64::from(side_by_side.clamp(1, 8)))
        .max(4.0 * time_sd_s)
        .min(PAUSE_S);
    Model {
        time_sd_s,
        wide_sd_s,
        wide_share: 0.01,
        swapped_share: 0.02,
        intercept_g: 0.0,
        slope: log_mass_g / median(&mut masses(pieces)),
        mass_sd_relative: 0.03,
        odd_share: 0.005,
        log_mass_g,
        log_sd_g,
        missing_share: 0.05,
        double_share: 0.01,
        extra_per_s: 0.02 * weighings.len() as f64 / span_s(weighings).max(1.0),
        lanes,
    }
}

fn span_s(items: &[Item]) -> f64 {
    match (items.first(), items.last()) {
        (Some(first), Some(last)) => last.time_s - first.time_s,
        _ => 0.0,
    }
}

fn expect(
    pieces: &[Item],
    model: &Model,
    track: &Track,
    lane_lag_s: &[(u32, f64)],
) -> Vec<Expected> {
    let mut expected: Vec<Expected> = pieces
        .iter()
        .map(|item| Expected {
            item: *item,
            time_s: item.time_s + track.at(item.time_s) + of_lane(lane_lag_s, item.lane),
            mass_g: model.expected_mass_g(item.mass_g),
            neighbours_s: [f64::INFINITY; 2],
            behind: None,
        })
        .collect();
    expected.sort_by(|one, other| one.time_s.total_cmp(&other.time_s));
    let mut last_of_lane: Vec<(Option<u32>, usize)> = Vec::new();
    for at in 0..expected.len() {
        let lane = expected[at].item.lane;
        match last_of_lane.iter_mut().find(|entry| entry.0 == lane) {
            Some(entry) => {
                expected[at].neighbours_s[0] = expected[entry.1].time_s;
                expected[entry.1].neighbours_s[1] = expected[at].time_s;
                expected[entry.1].behind = Some(at);
                entry.1 = at;
            }
            None => last_of_lane.push((lane, at)),
        }
    }
    expected
}

fn of_lane(lane_lag_s: &[(u32, f64)], lane: Option<u32>) -> f64 {
    lane_lag_s
        .iter()
        .find(|entry| Some(entry.0) == lane)
        .map_or(0.0, |entry| entry.1)
}

fn run(
    model: &Model,
    expected: &[Expected],
    weighings: &[Item],
    effort: Effort,
) -> Vec<Vec<Choice>> {
    let reach = model.reach_s();
    let window = |weighing: &Item| {
        (
            expected.partition_point(|it| it.time_s < weighing.time_s - reach),
            expected.partition_point(|it| it.time_s <= weighing.time_s + reach),
        )
    };
    probabilities(model, expected, weighings, window, effort)
}

/// Single matches that are more likely than not.
fn likely(
    model: &Model,
    expected: &[Expected],
    weighings: &[Item],
    choices: &[Vec<Choice>],
) -> Vec<Learned> {
    let mut found = Vec::new();
    for (weighing, choices) in weighings.iter().zip(choices) {
        for choice in choices {
            let ([Some(place), None], true) = (choice.pieces, choice.probability > 0.5) else {
                continue;
            };
            let piece = &expected[place];
            let late_s = weighing.time_s - piece.time_s;
            let timing = model.time(piece, weighing.time_s);
            let all = timing.usual() + model.swapped_share * timing.overtaken;
            found.push(Learned {
                time_s: piece.item.time_s,
                lane: piece.item.lane,
                late_s,
                estimate_g: piece.item.mass_g,
                weighing_g: weighing.mass_g,
                probability: choice.probability,
                narrow: timing.narrow / all,
                overtook: timing.overtook / all,
                wide: timing.wide / all,
                told: model.mass(weighing.mass_g, piece.mass_g, 1).1,
            });
        }
    }
    found.sort_by(|one, other| one.time_s.total_cmp(&other.time_s));
    found
}

fn relearn(
    model: &mut Model,
    matches: &[Learned],
    expected: &[Expected],
    weighings: &[Item],
    choices: &[Vec<Choice>],
    step_s: f64,
) {
    relearn_mass(model, matches);
    // Times.
    let sum = |value: &dyn Fn(&Learned) -> f64| {
        matches
            .iter()
            .map(|it| it.probability * value(it))
            .sum::<f64>()
    };
    let narrow = sum(&|it| it.narrow);
    let narrow_squares = sum(&|it| it.narrow * it.late_s * it.late_s);
    let all = sum(&|_| 1.0);
    // A clock that steps cannot tell times apart more finely than that.
    let finest = (0.1 * step_s).max(0.01);
    model.time_sd_s = (narrow_squares / narrow.max(1.0))
        .sqrt()
        .clamp(finest, 30.0);
    model.wide_sd_s = model.wide_sd_s.max(3.0 * model.time_sd_s);
    model.swapped_share = ((sum(&|it| it.overtook) + 0.5) / (all + 50.0)).clamp(0.002, 0.3);
    model.wide_share = ((sum(&|it| it.wide) + 0.5) / (all + 50.0)).clamp(0.002, 0.3);
    relearn_shares(model, expected, weighings, choices);
    relearn_lanes(model, expected, weighings, choices);
}

/// The straight line of weighings over estimates, which also predicts best where the estimates scatter as much as the masses do.
fn relearn_mass(model: &mut Model, matches: &[Learned]) {
    let weight = |one: &Learned| one.probability * one.told / (one.estimate_g * one.estimate_g);
    let sum = |value: &dyn Fn(&Learned) -> f64| {
        matches.iter().map(|it| weight(it) * value(it)).sum::<f64>()
    };
    let total = sum(&|_| 1.0);
    let all: f64 = matches.iter().map(|it| it.probability).sum();
    let told: f64 = matches.iter().map(|it| it.probability * it.told).sum();
    if told < 5.0 || total.is_nan() || total <= 0.0 {
        return;
    }
    let (x, y) = (
        sum(&|it| it.estimate_g) / total,
        sum(&|it| it.weighing_g) / total,
    );
    let xx = sum(&|it| (it.estimate_g - x).powi(2));
    let xy = sum(&|it| (it.estimate_g - x) * (it.weighing_g - y));
    let proportion = y / x;
    // Few or nearly equal masses say nothing of the slope.
    let slope = if xx > 0.0 && told >= 20.0 {
        (xy / xx).clamp(0.3 * proportion, 2.0 * proportion)
    } else {
        proportion
    };
    model.slope = slope;
    model.intercept_g = y - slope * x;
    let squares: f64 = matches
        .iter()
        .map(|it| {
            let expected = model.expected_mass_g(it.estimate_g);
            it.probability * it.told * ((it.weighing_g - expected) / expected).powi(2)
        })
        .sum();
    model.mass_sd_relative = (squares / (told - 2.0).max(1.0)).sqrt().clamp(5e-4, 0.2);
    model.odd_share = ((all - told + 0.5) / (all + 25.0)).clamp(0.002, 0.2);
}

/// How many pieces were not weighed, how many weighings have no piece, how many are of two.
fn relearn_shares(
    model: &mut Model,
    expected: &[Expected],
    weighings: &[Item],
    choices: &[Vec<Choice>],
) {
    let mut weighed = vec![0.0; expected.len()];
    let (mut extra, mut doubles) = (0.0, 0.0);
    let (Some(first), Some(last)) = (expected.first(), expected.last()) else {
        return;
    };
    let reach = model.reach_s();
    let mut among = 0.0;
    for (weighing, choices) in weighings.iter().zip(choices) {
        let inside =
            first.time_s - reach <= weighing.time_s && weighing.time_s <= last.time_s + reach;
        among += f64::from(u8::from(inside));
        for choice in choices {
            for place in choice.pieces.into_iter().flatten() {
                weighed[place] += choice.probability;
            }
            match choice.pieces {
                [None, _] if inside => extra += choice.probability,
                [Some(_), Some(_)] => doubles += choice.probability,
                _ => {}
            }
        }
    }
    // Pieces from before the log starts or after it ends say nothing of how often one is missed.
    let (Some(start), Some(end)) = (weighings.first(), weighings.last()) else {
        return;
    };
    let (mut missed, mut inside) = (0.0, 0.0);
    for (piece, weighed) in expected.iter().zip(&weighed) {
        if start.time_s <= piece.time_s && piece.time_s <= end.time_s {
            missed += (1.0 - weighed).max(0.0);
            inside += 1.0;
        }
    }
    model.missing_share = ((missed + 1.0) / (inside + 20.0)).clamp(0.002, 0.8);
    let shared_s = (end.time_s.min(last.time_s) - start.time_s.max(first.time_s)).max(1.0);
    model.extra_per_s = (extra.min(among) + 0.5) / (shared_s + 1.0);
    let mut pairs = 0.0;
    for (at, one) in expected.iter().enumerate() {
        for other in expected[at + 1..].iter().take(5) {
            let z = (other.time_s - one.time_s) / (2.0 * model.wide_sd_s);
            pairs += (-0.5 * z * z).exp();
        }
    }
    model.double_share = ((doubles + 0.5) / (pairs + 50.0)).clamp(1e-5, 0.2);
}

fn relearn_lanes(
    model: &mut Model,
    expected: &[Expected],
    weighings: &[Item],
    choices: &[Vec<Choice>],
) {
    let columns = model.lanes.weighing_lanes.len();
    if columns == 0 {
        return;
    }
    let mut counts = vec![0.5 / columns as f64; model.lanes.probability.len()];
    for (weighing, choices) in weighings.iter().zip(choices) {
        for choice in choices {
            if let [Some(place), None] = choice.pieces
                && let Some(cell) = model.lanes.place(expected[place].item.lane, weighing.lane)
            {
                counts[cell] += choice.probability;
            }
        }
    }
    for row in counts.chunks_mut(columns) {
        let total: f64 = row.iter().sum();
        row.iter_mut().for_each(|count| *count /= total);
    }
    model.lanes.probability = counts;
}
