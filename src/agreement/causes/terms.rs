//! From pairs to rows and columns: the relative difference, and what each cause would add to it.

use jiff::Timestamp;

use super::Unexamined;
use super::cause::Cause;
use super::densities::implied_densities;
use crate::agreement::PairedPiece;
use crate::tables::Flag;

/// One cause's column.
#[derive(Debug, Clone)]
pub(super) struct Term {
    pub cause: Cause,
    /// What a coefficient of 1 adds to estimate over weighing, for each row.
    pub column: Vec<f64>,
    /// Further price: how much less likely this cause is than others before anything was seen, −2·ln of the odds.
    pub unlikely: f64,
}

/// Pairs as rows in the order of time.
#[derive(Debug, Clone)]
pub(super) struct Sample {
    /// Places of the rows in the pairs as given.
    pub of: Vec<usize>,
    pub times: Vec<Timestamp>,
    pub weighed_g: Vec<f64>,
    /// Estimate over weighing, less 1.
    pub off: Vec<f64>,
    /// Relative variance of each row's noise against a usual row's.
    pub variance: Vec<f64>,
    pub terms: Vec<Term>,
    /// Whether there is time to look for a step in.
    pub has_time: bool,
    pub unexamined: Vec<Unexamined>,
}

/// Time constants of warming up that are tried, minutes: electronics and lasers settle within an hour (common practice, no source).
const WARM_UP_MINUTES: [f64; 3] = [5.0, 15.0, 40.0];
/// Fewest pieces on either side of a lane, a flag or a step.
pub(super) const FEWEST_ASIDE: usize = 10;
/// Least spread of what a term varies by, relative to its mean, at which it is a term of its own.
const LEAST_SPREAD: f64 = 0.01;
/// Densities and the scales across, along and of height are four causes with one term: four times as likely as one alone.
const FOUR_IN_ONE: f64 = -2.0 * 2.0 * std::f64::consts::LN_2;
/// The largest class is less often wrong alone than together with the others: odds of about 1 in 7 (common practice, no source).
const MAIN_CLASS_UNLIKELY: f64 = 4.0;

impl Sample {
    /// Rows for all pairs whose numbers are usable. `scale_sd_g` is the spread of the checkweigher's own errors, where known.
    ///
    /// Columns are built on the weighed mass where they can be: the noise of the estimate then stays out of them.
    pub fn of(pairs: &[PairedPiece], scale_sd_g: Option<f64>) -> Self {
        let mut of: Vec<usize> = (0..pairs.len()).filter(|i| usable(&pairs[*i])).collect();
        of.sort_by_key(|i| (pairs[*i].scanned, pairs[*i].piece_row));
        let rows: Vec<&PairedPiece> = of.iter().map(|i| &pairs[*i]).collect();
        let off: Vec<f64> = rows
            .iter()
            .map(|it| it.mass_g / it.weighed_g - 1.0)
            .collect();
        let mut sample = Self {
            times: rows.iter().map(|it| it.scanned).collect(),
            weighed_g: rows.iter().map(|it| it.weighed_g).collect(),
            variance: variances(&rows, &off, scale_sd_g),
            off,
            of,
            terms: Vec::new(),
            has_time: false,
            unexamined: Vec::new(),
        };
        sample.add(Cause::DensityOrScale, vec![1.0; rows.len()], FOUR_IN_ONE);
        sample.add_classes(&rows);
        sample.add_area(&rows);
        sample.add_fixed(&rows);
        sample.add_lanes(&rows);
        sample.add_times();
        sample.add_hidden(&rows);
        sample.add_touching(&rows);
        sample
    }

    /// The rows marked.
    pub fn keep(&self, marks: &[bool]) -> Self {
        fn kept<T: Clone>(values: &[T], marks: &[bool]) -> Vec<T> {
            values
                .iter()
                .zip(marks)
                .filter(|(_, mark)| **mark)
                .map(|(value, _)| value.clone())
                .collect()
        }
        Self {
            of: kept(&self.of, marks),
            times: kept(&self.times, marks),
            weighed_g: kept(&self.weighed_g, marks),
            off: kept(&self.off, marks),
            variance: kept(&self.variance, marks),
            terms: self
                .terms
                .iter()
                .map(|term| Term {
                    cause: term.cause.clone(),
                    column: kept(&term.column, marks),
                    unlikely: term.unlikely,
                })
                .collect(),
            has_time: self.has_time,
            unexamined: self.unexamined.clone(),
        }
    }

    fn add(&mut self, cause: Cause, column: Vec<f64>, unlikely: f64) {
        self.terms.push(Term {
            cause,
            column,
            unlikely,
        });
    }

    fn leave_out(&mut self, what: impl Into<String>, why: impl Into<String>) {
        self.unexamined.push(Unexamined {
            what: what.into(),
            why: why.into(),
        });
    }

    fn add_classes(&mut self, rows: &[&PairedPiece]) {
        let Some(implied) = implied_densities(rows.iter().map(|it| &it.record)) else {
            self.leave_out(
                "density or depth of a class",
                "the table has no class volumes that its masses follow from (no colour, or several profiles)",
            );
            return;
        };
        let volume = |row: &PairedPiece, class: &str| {
            let share = row.record.classes.iter().find(|it| it.class == class);
            share.and_then(|it| it.volume_cm3).unwrap_or(0.0)
        };
        // Shares of the estimate: its noise is in both parts and drops out.
        let shares: Vec<(String, Vec<f64>)> = implied
            .g_cm3
            .iter()
            .map(|(class, g_cm3)| {
                let share = rows.iter().map(|row| {
                    let all: f64 = implied
                        .g_cm3
                        .iter()
                        .map(|(it, g)| g * volume(row, it))
                        .sum();
                    if all > 0.0 {
                        g_cm3 * volume(row, class) / all
                    } else {
                        0.0
                    }
                });
                (class.clone(), share.collect())
            })
            .collect();
        if shares.len() < 2 {
            self.leave_out("density or depth of a class", "there is one class only");
            return;
        }
        let total = |share: &Vec<f64>| share.iter().sum::<f64>();
        let main = shares
            .iter()
            .filter(|(class, _)| class != "fat")
            .max_by(|one, other| total(&one.1).total_cmp(&total(&other.1)))
            .map(|(class, _)| class.clone());
        for (class, share) in shares {
            let (mean, sd) = mean_and_sd(&share);
            if sd < LEAST_SPREAD {
                self.leave_out(
                    format!("density or depth of {class}"),
                    format!(
                        "its share of the mass hardly varies ({:.1} ± {:.1} %): not to be told from all densities together",
                        100.0 * mean,
                        100.0 * sd
                    ),
                );
                continue;
            }
            let unlikely = if main.as_ref() == Some(&class) {
                MAIN_CLASS_UNLIKELY
            } else {
                0.0
            };
            self.add(Cause::Class { class }, share, unlikely);
        }
    }

    /// A millimetre of height on the footprint: `0.1 cm · A · ρ̄` over the weighed mass.
    fn add_area(&mut self, rows: &[&PairedPiece]) {
        let column: Vec<f64> = rows
            .iter()
            .map(|it| {
                let density = it.mass_g / it.record.volume_cm3;
                0.1 * it.record.area_cm2 * density / it.weighed_g
            })
            .collect();
        let sound = column.iter().all(|value| value.is_finite() && *value > 0.0);
        let (mean, sd) = mean_and_sd(&column);
        if !sound || sd < LEAST_SPREAD * mean {
            self.leave_out(
                "height of the belt",
                if sound {
                    "the pieces' mean heights hardly vary: not to be told from a density"
                } else {
                    "a piece has no area or volume"
                },
            );
            return;
        }
        self.add(Cause::BeltHeight, column, 0.0);
    }

    fn add_fixed(&mut self, rows: &[&PairedPiece]) {
        let column: Vec<f64> = rows.iter().map(|it| 1.0 / it.weighed_g).collect();
        let (mean, sd) = mean_and_sd(&column);
        if sd < LEAST_SPREAD * mean {
            self.leave_out(
                "a fixed mass on every piece",
                "the pieces' masses hardly vary: not to be told from a density",
            );
            return;
        }
        self.add(Cause::FixedMass, column, 0.0);
    }

    fn add_lanes(&mut self, rows: &[&PairedPiece]) {
        let mut lanes: Vec<u32> = rows.iter().filter_map(|it| it.record.lane).collect();
        lanes.sort_unstable();
        lanes.dedup();
        if lanes.len() < 2 {
            self.leave_out("a lane", "the scans state no lanes, or only one was used");
            return;
        }
        for lane in lanes {
            let column: Vec<f64> = rows
                .iter()
                .map(|it| f64::from(u8::from(it.record.lane == Some(lane))))
                .collect();
            let inside = column.iter().filter(|it| **it > 0.0).count();
            if inside < FEWEST_ASIDE || rows.len() - inside < FEWEST_ASIDE {
                self.leave_out(format!("lane {lane}"), format!("{inside} pairs are in it"));
                continue;
            }
            self.add(Cause::Lane { lane }, column, 0.0);
        }
    }

    fn add_times(&mut self) {
        let (Some(first), Some(last)) = (self.times.first().copied(), self.times.last().copied())
        else {
            return;
        };
        let seconds =
            |at: Timestamp| (at.as_millisecond() - first.as_millisecond()) as f64 / 1000.0;
        let span_s = seconds(last);
        if span_s <= 0.0 {
            self.leave_out("drift, warming up, a step", "all pieces have the same time");
            return;
        }
        self.has_time = true;
        let column = self.times.iter().map(|at| seconds(*at) / span_s).collect();
        self.add(Cause::Drift, column, 0.0);
        for minutes in WARM_UP_MINUTES {
            let scale_s = 60.0 * minutes;
            let column: Vec<f64> = self
                .times
                .iter()
                .map(|at| (-seconds(*at) / scale_s).exp())
                .collect();
            // Enough pieces while it lasts, and enough after.
            let during = column.iter().filter(|it| **it > 0.37).count();
            let after = column.iter().filter(|it| **it < 0.05).count();
            if during < FEWEST_ASIDE || after < FEWEST_ASIDE {
                continue;
            }
            self.add(Cause::WarmUp { minutes }, column, 0.0);
        }
    }

    fn add_hidden(&mut self, rows: &[&PairedPiece]) {
        let column: Vec<f64> = rows.iter().map(|it| it.record.filled_fraction).collect();
        let (_, sd) = mean_and_sd(&column);
        let sound = column.iter().all(|it| it.is_finite());
        if !sound || sd < 0.005 {
            self.leave_out(
                "reconstructed surface",
                "the reconstructed share of the footprint hardly varies",
            );
            return;
        }
        self.add(Cause::Hidden, column, 0.0);
    }

    fn add_touching(&mut self, rows: &[&PairedPiece]) {
        let touches = |it: &&PairedPiece| {
            let flags = &it.record.flags;
            flags.contains(&Flag::Touching) || flags.contains(&Flag::Doubtful)
        };
        let count = rows.iter().copied().filter(|it| touches(it)).count();
        if count < FEWEST_ASIDE || rows.len() - count < FEWEST_ASIDE {
            self.leave_out(
                "pieces that touched",
                format!("{count} of {} pairs did", rows.len()),
            );
            return;
        }
        let column = rows
            .iter()
            .map(|it| f64::from(u8::from(touches(it))))
            .collect();
        self.add(Cause::Touching, column, 0.0);
    }
}

fn usable(pair: &PairedPiece) -> bool {
    let positive = |value: f64| value.is_finite() && value > 0.0;
    positive(pair.mass_g) && positive(pair.weighed_g) && positive(pair.record.volume_cm3)
}

/// How uncertain each row is against a usual one: by the estimates' own uncertainties, kept between a quarter and sixteen times the usual variance so
/// that no few pieces decide alone, and the checkweigher's spread where it is known.
fn variances(rows: &[&PairedPiece], off: &[f64], scale_sd_g: Option<f64>) -> Vec<f64> {
    // Over the estimate, not the weighing: the estimate's own noise must not decide its weight.
    let relative: Vec<f64> = rows.iter().map(|it| it.mass_u_g / it.mass_g).collect();
    let known = relative.iter().all(|it| it.is_finite() && *it > 0.0);
    let usual = middle(relative.clone());
    let own: Vec<f64> = relative
        .iter()
        .map(|it| {
            if known {
                (it / usual).clamp(0.5, 4.0).powi(2)
            } else {
                1.0
            }
        })
        .collect();
    let Some(scale_sd_g) = scale_sd_g.filter(|it| *it > 0.0) else {
        return own;
    };
    let centre = middle(off.to_vec());
    let spread = 1.4826 * middle(off.iter().map(|it| (it - centre).abs()).collect());
    let by_scale: Vec<f64> = rows
        .iter()
        .map(|it| (scale_sd_g / it.weighed_g).powi(2))
        .collect();
    let mean_by_scale = by_scale.iter().sum::<f64>() / by_scale.len().max(1) as f64;
    // What is left for the estimate; at least a tenth of the spread's square.
    let rest = (spread * spread - mean_by_scale).max(0.1 * spread * spread);
    if rest <= 0.0 {
        return own;
    }
    own.iter()
        .zip(by_scale)
        .map(|(own, by)| own + by / rest)
        .collect()
}

pub(super) fn middle(mut values: Vec<f64>) -> f64 {
    values.sort_unstable_by(f64::total_cmp);
    let n = values.len();
    match n {
        0 => f64::NAN,
        _ if n % 2 == 1 => values[n / 2],
        _ => f64::midpoint(values[n / 2 - 1], values[n / 2]),
    }
}

pub(super) fn mean_and_sd(values: &[f64]) -> (f64, f64) {
    let n = values.len().max(1) as f64;
    let mean = values.iter().sum::<f64>() / n;
    let squares: f64 = values.iter().map(|it| (it - mean).powi(2)).sum();
    (mean, (squares / n).sqrt())
}
