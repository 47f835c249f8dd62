//! What ran over the belt: how much, how even, how much of it out of spec, how well the belt was used.

mod belt;
mod group;
mod json;
mod limits;
mod source;

use std::collections::BTreeMap;
use std::path::PathBuf;

use jiff::Timestamp;

use crate::error::{Error, ErrorKind, Result};
use crate::tables::{Flag, PieceRecord};

pub use belt::BeltLoad;
pub use group::{Group, Moments};
pub use json::summary_json;
pub use limits::{Checked, Limit, LimitKind, Verdict, check_limits};

use belt::LoadCount;
use source::{Seen, read};

/// Confidence of every interval that is stated.
pub const CONFIDENCE: f64 = 0.95;

/// One product over all that was given.
#[derive(Debug, Clone)]
pub struct ProductSummary {
    /// The product; empty where the tables name none.
    pub product: String,
    /// All of it.
    pub all: Group,
    /// By lane; `None` is what has no lane.
    pub lanes: BTreeMap<Option<u32>, Group>,
    /// By the hour (UTC) in which a piece passed, or its recording began.
    pub hours: BTreeMap<Timestamp, Group>,
    /// Pieces with each flag of the spec.
    pub out_of_spec: BTreeMap<Flag, u64>,
    /// How the belt was used; `None` for tables without recordings.
    pub belt: Option<BeltLoad>,
}

/// What was read.
#[derive(Debug, Clone)]
pub struct Summary {
    /// Runs and tables, as they were given.
    pub inputs: Vec<String>,
    /// Earliest and latest time.
    pub span: Option<[Timestamp; 2]>,
    /// Recordings seen.
    pub recordings: u64,
    /// Recordings that could not be measured.
    pub not_measured: u64,
    /// By product.
    pub products: Vec<ProductSummary>,
}

/// Reads runs and piece tables and sums them up, product by product. Memory does not grow with the number of pieces, but for one
/// number a gap.
///
/// # Errors
/// A run is not complete, a table is damaged, or two of the inputs hold the same recording.
pub fn summarise(inputs: &[PathBuf]) -> Result<Summary> {
    let mut gathered = Gathered::default();
    for (at, input) in inputs.iter().enumerate() {
        read(input, &mut |seen| {
            if let Some(other) = gathered.input_of(&seen, at) {
                let found = format!(
                    "recording {} is in {} as well",
                    seen.recording,
                    inputs[other].display()
                );
                return Err(Error::new(ErrorKind::Mismatch, found)
                    .at(input)
                    .expected("expected each recording once: leave one of the two out"));
            }
            gathered.take(seen);
            Ok(())
        })?;
    }
    let products = gathered.products.into_iter();
    Ok(Summary {
        inputs: inputs
            .iter()
            .map(|path| path.display().to_string())
            .collect(),
        span: gathered.span,
        recordings: gathered.recordings,
        not_measured: gathered.not_measured,
        products: products
            .map(|(product, one)| ProductSummary {
                product,
                all: one.all,
                lanes: one.lanes,
                hours: one.hours,
                out_of_spec: one.out_of_spec,
                belt: one.belt.finish(),
            })
            .collect(),
    })
}

#[derive(Default)]
struct Gathered {
    span: Option<[Timestamp; 2]>,
    recordings: u64,
    not_measured: u64,
    products: BTreeMap<String, Product>,
    /// Which input held a recording, by half a hash of its name and beginning.
    inputs: BTreeMap<u64, u32>,
}

#[derive(Default)]
struct Product {
    all: Group,
    lanes: BTreeMap<Option<u32>, Group>,
    hours: BTreeMap<Timestamp, Group>,
    out_of_spec: BTreeMap<Flag, u64>,
    belt: LoadCount,
}

impl Gathered {
    /// The other input that held this recording, if there is one. Names alone may come again; names with the time they began at do not.
    fn input_of(&mut self, seen: &Seen<'_>, input: usize) -> Option<usize> {
        let began = seen.began()?;
        let text = format!("{}\n{began}", seen.recording);
        let [a, b, c, d, e, f, g, h, ..] = *blake3::hash(text.as_bytes()).as_bytes();
        let key = u64::from_le_bytes([a, b, c, d, e, f, g, h]);
        let before = *self.inputs.entry(key).or_insert(input as u32) as usize;
        (before != input).then_some(before)
    }

    fn take(&mut self, seen: Seen<'_>) {
        self.recordings += 1;
        if !seen.measured {
            self.not_measured += 1;
            return;
        }
        let product = self.products.entry(seen.product.to_owned()).or_default();
        let began = seen.began();
        for time in seen.pieces.iter().filter_map(|it| it.time).chain(began) {
            let [first, last] = self.span.unwrap_or([time, time]);
            self.span = Some([first.min(time), last.max(time)]);
        }
        let belt_s = seen.belt_s();
        product.all.add_belt(belt_s);
        if let Some(began) = began {
            product
                .hours
                .entry(hour(began))
                .or_default()
                .add_belt(belt_s);
        }
        // All lanes see the belt for the same time.
        let mut lanes: Vec<Option<u32>> = match seen.lanes {
            Some(lanes) => (1..=lanes).map(Some).collect(),
            None => Vec::new(),
        };
        lanes.extend(seen.pieces.iter().map(|piece| piece.lane));
        lanes.sort_unstable();
        lanes.dedup();
        for lane in lanes {
            product.lanes.entry(lane).or_default().add_belt(belt_s);
        }
        for piece in seen.pieces {
            product.all.add(piece);
            product.lanes.entry(piece.lane).or_default().add(piece);
            if let Some(time) = piece.time.or(began) {
                product.hours.entry(hour(time)).or_default().add(piece);
            }
            for flag in piece.flags.iter().filter(|flag| flag.is_spec()) {
                *product.out_of_spec.entry(*flag).or_default() += 1;
            }
        }
        product.belt.add(&seen);
    }
}

/// The start of the hour that a time lies in.
fn hour(time: Timestamp) -> Timestamp {
    let second = time.as_second();
    Timestamp::from_second(second - second.rem_euclid(3600)).unwrap_or(time)
}

/// Whether a piece misses any limit of its product's spec.
fn misses_spec(piece: &PieceRecord) -> bool {
    piece.flags.iter().any(|flag| flag.is_spec())
}
