//! The matching in sentences for people.

use super::refusals::{BELONG_SIGMAS, needed_share};
use super::{Clocks, Counts, Matching};
use crate::tables::with_uncertainty;

fn counted(count: usize, one: &str, many: &str) -> String {
    match count {
        1 => format!("1 {one}"),
        _ => format!("{count} {many}"),
    }
}

impl Clocks {
    /// Lag and rate in words.
    #[must_use]
    pub fn in_words(&self) -> String {
        let lag = match self.lag_u_s {
            Some(u) => format!("{} s", with_uncertainty(self.lag_s, u.max(1e-3))),
            None => format!("{:.1} s", self.lag_s),
        };
        let rate = match self.rate_u {
            Some(u) => format!(
                "the checkweigher's clock runs {} ppm fast of the scanner's",
                with_uncertainty(1e6 * self.rate, (1e6 * u).max(0.1))
            ),
            None => "too few matches to compare the clocks' rates".to_owned(),
        };
        format!(
            "weighed {lag} after the scan by the two clocks (at {} UTC); {rate}; single times scatter by {:.2} s",
            self.middle.strftime("%H:%M:%S"),
            self.scatter_s
        )
    }
}

impl Matching {
    /// What was matched, in words, most important first.
    #[must_use]
    pub fn in_words(&self) -> Vec<String> {
        let Counts {
            pieces,
            pieces_weighed,
            pieces_together,
            pieces_doubtful,
            pieces_not_weighed,
            pieces_outside_log,
            pieces_unusable,
            weighings,
            weighings_single,
            weighings_double,
            weighings_doubtful,
            weighings_without_piece,
            weighings_test,
            weighings_outside_scans,
        } = self.counts();
        let mut words = vec![format!(
            "{pieces} pieces: {pieces_weighed} weighed alone, {pieces_together} weighed together with another, {pieces_doubtful} doubtful, \
             {pieces_not_weighed} not weighed{}{}",
            match pieces_outside_log {
                0 => String::new(),
                count => format!(", {count} before the log starts or after it ends"),
            },
            match pieces_unusable {
                0 => String::new(),
                count => format!(", {count} without time or mass"),
            }
        )];
        words.push(format!(
            "{weighings} weighings: {weighings_single} of one piece, {weighings_double} of two, {weighings_doubtful} doubtful, \
             {weighings_without_piece} without a piece, {weighings_test} of test weights{}",
            match weighings_outside_scans {
                0 => String::new(),
                count => format!(", {count} before or after the scans"),
            }
        ));
        words.push(format!(
            "of {} {} to be wrong; {} of neighbours changed places",
            counted(self.matches.len(), "match", "matches"),
            match self.wrong_expected {
                few if few < 0.5 => "none is expected".to_owned(),
                few => format!(
                    "about {} expected",
                    counted(few.round() as usize, "is", "are")
                ),
            },
            counted(self.swaps, "pair", "pairs"),
        ));
        words.push(self.clocks.in_words());
        if !self.lane_lag_s.is_empty() {
            let lanes: Vec<String> = self
                .lane_lag_s
                .iter()
                .map(|(lane, lag)| format!("{lane}: {lag:+.2} s"))
                .collect();
            words.push(format!(
                "lanes against the common lag: {}",
                lanes.join(", ")
            ));
        }
        for (lane, weighed, share) in &self.lanes {
            if lane != weighed || *share < 0.9 {
                words.push(format!(
                    "pieces of lane {lane} are weighed on the log's lane {weighed} ({:.0} %)",
                    100.0 * share
                ));
            }
        }
        if !self.test_weights_g.is_empty() {
            let masses: Vec<String> = self
                .test_weights_g
                .iter()
                .map(|mass| format!("{mass:.1} g"))
                .collect();
            words.push(format!(
                "test weights: {} (weighings without a piece, nearly the same each time)",
                masses.join(", ")
            ));
        }
        let (matched, pieces, weighings) = self.matched();
        words.push(if self.likeness_sigmas >= BELONG_SIGMAS {
            format!(
                "the files belong together: masses are alike by {:.0} standard deviations of chance ({BELONG_SIGMAS} are needed)",
                self.likeness_sigmas
            )
        } else {
            let fewer = pieces.min(weighings);
            format!(
                "the files belong together: {matched} pieces of {fewer} that could be are matched ({:.0} % are needed)",
                100.0 * needed_share(fewer)
            )
        });
        words
    }
}
