//! A run cut into parts that different machines do.

use std::fmt;
use std::str::FromStr;

/// One of several equal parts of a run. Which part a recording belongs to follows from its name alone, so that scans that are added
/// later move no other recording to another part.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Shard {
    index: u32,
    count: u32,
}

impl Shard {
    /// Everything.
    pub const WHOLE: Self = Self { index: 1, count: 1 };

    /// Part `index` of `count`, counted from 1; `None` where there is no such part.
    #[must_use]
    pub fn new(index: u32, count: u32) -> Option<Self> {
        (1 <= index && index <= count).then_some(Self { index, count })
    }

    /// Which part this is, from 1.
    #[must_use]
    pub fn index(self) -> u32 {
        self.index
    }

    /// How many parts there are.
    #[must_use]
    pub fn count(self) -> u32 {
        self.count
    }

    /// Whether what bears this name (a recording, or the folder of a scan that could not be read) belongs to this part.
    #[must_use]
    pub fn holds(self, name: &[u8]) -> bool {
        let hash = blake3::hash(name);
        let [a, b, c, d, e, f, g, h, ..] = *hash.as_bytes();
        let number = u64::from_le_bytes([a, b, c, d, e, f, g, h]);
        number % u64::from(self.count) == u64::from(self.index - 1)
    }
}

impl fmt::Display for Shard {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}/{}", self.index, self.count)
    }
}

impl FromStr for Shard {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let part = || {
            let (index, count) = text.split_once('/')?;
            Self::new(index.trim().parse().ok()?, count.trim().parse().ok()?)
        };
        part().ok_or_else(|| "expected I/N, part I of N counted from 1, such as 3/8".to_owned())
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    proptest! {
        #[test]
        fn every_name_belongs_to_exactly_one_part(name in ".*", count in 1_u32..40) {
            let holding = (1..=count)
                .filter_map(|index| Shard::new(index, count))
                .filter(|shard| shard.holds(name.as_bytes()))
                .count();
            prop_assert_eq!(holding, 1);
        }

        #[test]
        fn a_part_reads_back_from_its_text(count in 1_u32..1000, index in 1_u32..1000) {
            let read: Result<Shard, String> = format!("{index}/{count}").parse();
            prop_assert_eq!(read.ok(), Shard::new(index, count));
        }
    }

    #[test]
    fn parts_are_about_equal() {
        let shard = Shard::new(3, 8).unwrap();
        let held = (0..8000)
            .filter(|i| shard.holds(format!("recording-{i}").as_bytes()))
            .count();
        // Binomial with n = 8000, p = 1/8: five standard deviations are 148.
        assert!((held as i64 - 1000).abs() < 148, "{held}");
    }

    #[test]
    fn what_is_no_part_is_refused() {
        for text in ["", "3", "0/4", "5/4", "1/0", "-1/4", "a/b", "1/2/3"] {
            assert!(text.parse::<Shard>().is_err(), "{text}");
        }
    }
}
