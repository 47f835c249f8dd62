//! How often touching pieces are parted rightly, and single ones wrongly: a table for people.
//!
//! `cargo bench --bench splitting -- [--pairs N] [--singles N] [--only KIND] [--contact "side by side"] [--list]`
//!
//! Pairs lie alone on the belt, laid against each other side by side, end to end, or with one end on the other (a lap).
//! A pair is right when two pieces are found, each within 20 mm of its true place and 6 % of its true volume. Pairs that
//! are not right are told apart by whether anything said so: the `doubtful` flag.

use std::collections::BTreeMap;

use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use weighlight::pipeline::{Plan, measure_recording};
use weighlight::scan::{read_archive, write_scan};
use weighlight::simulate::{
    Contact, Kind, PlacedPiece, Pose, Scenario, Scene, TruthPiece, lay_against, score,
    simulate_scene,
};
use weighlight::tables::{Flag, PieceRecord};

/// Free belt for each pair or piece, mm.
const SPAN_MM: f64 = 420.0;
/// Pairs on one belt.
const ON_BELT: usize = 12;
/// How far a part's volume may be from that of the piece it stands for.
const RIGHT_VOLUME: f64 = 0.06;
const NEAR_MM: f64 = 20.0;

const KINDS: [[Kind; 2]; 7] = [
    [Kind::Lobed, Kind::Lobed],
    [Kind::Slab, Kind::Slab],
    [Kind::Slab, Kind::Lobed],
    [Kind::BellyStrip, Kind::BellyStrip],
    [Kind::Fillet, Kind::Fillet],
    [Kind::Roll, Kind::Roll],
    [Kind::Loaf, Kind::Loaf],
];
const SINGLE: [Kind; 6] = [
    Kind::Lobed,
    Kind::Slab,
    Kind::BellyStrip,
    Kind::Fillet,
    Kind::Roll,
    Kind::Loaf,
];

type Outcome<T> = Result<T, Box<dyn std::error::Error>>;

struct Options {
    pairs: usize,
    singles: usize,
    list: bool,
    only: Option<String>,
    contact: Option<String>,
}

#[derive(Default)]
struct Count {
    right: usize,
    wrong: usize,
    wrong_flagged: usize,
    right_flagged: usize,
}

impl Count {
    fn add(&mut self, right: bool, flagged: bool) {
        match (right, flagged) {
            (true, false) => self.right += 1,
            (true, true) => {
                self.right += 1;
                self.right_flagged += 1;
            }
            (false, false) => self.wrong += 1,
            (false, true) => {
                self.wrong += 1;
                self.wrong_flagged += 1;
            }
        }
    }
}

fn main() -> Outcome<()> {
    let mut options = Options {
        pairs: 60,
        singles: 240,
        list: false,
        only: None,
        contact: None,
    };
    let mut arguments = std::env::args().skip(1);
    while let Some(argument) = arguments.next() {
        let mut text = || arguments.next();
        match argument.as_str() {
            "--only" => options.only = text(),
            "--contact" => options.contact = text(),
            "--pairs" => options.pairs = number(text(), options.pairs),
            "--singles" => options.singles = number(text(), options.singles),
            "--list" => options.list = true,
            _ => {}
        }
    }
    println!(
        "{:<26}{:<14}{:>7}{:>7}{:>9}{:>16}{:>16}",
        "kinds", "contact", "laid", "right", "right %", "wrong, flagged", "right, flagged"
    );
    let mut all: BTreeMap<&str, Count> = BTreeMap::new();
    for kinds in KINDS {
        if !kinds.iter().any(|kind| wanted(&options.only, kind.name())) {
            continue;
        }
        for contact in ["side by side", "end to end", "lap"] {
            if !wanted(&options.contact, contact) {
                continue;
            }
            let mut count = Count::default();
            for first in (0..options.pairs).step_by(ON_BELT) {
                let many = ON_BELT.min(options.pairs - first);
                pairs(kinds, contact, first, many, &options, &mut count)?;
            }
            let kinds = format!("{} + {}", kinds[0].name(), kinds[1].name());
            line(&kinds, contact, &count);
            let sum = all.entry(contact).or_default();
            sum.right += count.right;
            sum.wrong += count.wrong;
            sum.wrong_flagged += count.wrong_flagged;
            sum.right_flagged += count.right_flagged;
        }
    }
    for (contact, count) in &all {
        line("all", contact, count);
    }
    for kind in SINGLE {
        if !wanted(&options.only, kind.name()) || !wanted(&options.contact, "alone") {
            continue;
        }
        let mut count = Count::default();
        for first in (0..options.singles).step_by(ON_BELT) {
            singles(
                kind,
                first,
                ON_BELT.min(options.singles - first),
                &options,
                &mut count,
            )?;
        }
        line(kind.name(), "alone", &count);
    }
    Ok(())
}

fn number(text: Option<String>, otherwise: usize) -> usize {
    text.and_then(|text| text.parse().ok()).unwrap_or(otherwise)
}

fn wanted(only: &Option<String>, name: &str) -> bool {
    only.as_ref().is_none_or(|only| only == name)
}

fn line(kinds: &str, contact: &str, count: &Count) {
    let laid = count.right + count.wrong;
    println!(
        "{kinds:<26}{contact:<14}{laid:>7}{:>7}{:>9.1}{:>16}{:>16}",
        count.right,
        100.0 * count.right as f64 / laid.max(1) as f64,
        count.wrong_flagged,
        count.right_flagged,
    );
}

fn piece(kind: Kind, rng: &mut ChaCha8Rng, yaw_rad: f64) -> PlacedPiece {
    let (shape, pattern) = kind.draw(rng);
    let pose = Pose {
        x_mm: 0.0,
        y_mm: 0.0,
        yaw_rad,
        mirrored: rng.random(),
    };
    PlacedPiece::new(kind.name(), shape, pattern, pose)
}

/// Where the middle of pair `number` of a belt lies, mm.
fn place(number: usize) -> [f64; 2] {
    [300.0, SPAN_MM * (number as f64 + 0.5)]
}

fn pairs(
    kinds: [Kind; 2],
    contact: &str,
    first: usize,
    many: usize,
    options: &Options,
    count: &mut Count,
) -> Outcome<()> {
    let mut pieces = Vec::new();
    let mut rng = ChaCha8Rng::seed_from_u64(0x5EED ^ first as u64);
    for number in 0..many {
        let lengthwise = matches!(kinds[0], Kind::BellyStrip | Kind::Fillet);
        let turn = |rng: &mut ChaCha8Rng| {
            if lengthwise {
                std::f64::consts::FRAC_PI_2 + 0.25 * (2.0 * rng.random::<f64>() - 1.0)
            } else {
                std::f64::consts::TAU * rng.random::<f64>()
            }
        };
        let yaw = turn(&mut rng);
        let mut one = piece(kinds[0], &mut rng, yaw);
        let yaw = turn(&mut rng);
        let two = piece(kinds[1], &mut rng, yaw);
        let how = match contact {
            "side by side" => Contact::SideBySide,
            "end to end" => Contact::EndToEnd,
            _ => Contact::Lap {
                overlap_mm: 4.0 + 6.0 * rng.random::<f64>(),
            },
        };
        let two = lay_against(&mut one, two, how);
        let ([low, high], [x, y]) = (bounds(&[&one, &two]), place(number));
        let shift = [x - 0.5 * (low[0] + high[0]), y - 0.5 * (low[1] + high[1])];
        pieces.push(one.moved(shift[0], shift[1]));
        pieces.push(two.moved(shift[0], shift[1]));
    }
    let (records, truth) = measured(pieces, many, first)?;
    for number in 0..many {
        judge(number, &records, &truth, options, count, contact);
    }
    Ok(())
}

fn singles(
    kind: Kind,
    first: usize,
    many: usize,
    options: &Options,
    count: &mut Count,
) -> Outcome<()> {
    let mut rng = ChaCha8Rng::seed_from_u64(0xA10E ^ first as u64);
    let mut pieces = Vec::new();
    for number in 0..many {
        let yaw = std::f64::consts::TAU * rng.random::<f64>();
        let one = piece(kind, &mut rng, yaw);
        let ([low, high], [x, y]) = (bounds(&[&one]), place(number));
        pieces.push(one.moved(x - 0.5 * (low[0] + high[0]), y - 0.5 * (low[1] + high[1])));
    }
    let (records, truth) = measured(pieces, many, first)?;
    for number in 0..many {
        judge(number, &records, &truth, options, count, "alone");
    }
    Ok(())
}

fn bounds(pieces: &[&PlacedPiece]) -> [[f64; 2]; 2] {
    let (mut low, mut high) = ([f64::INFINITY; 2], [f64::NEG_INFINITY; 2]);
    for piece in pieces {
        let (l, h) = piece.bounds_mm();
        for axis in 0..2 {
            low[axis] = low[axis].min(l[axis]);
            high[axis] = high[axis].max(h[axis]);
        }
    }
    [low, high]
}

fn judge(
    number: usize,
    records: &[PieceRecord],
    truth: &[TruthPiece],
    options: &Options,
    count: &mut Count,
    contact: &str,
) {
    let own = |y_mm: f64| (y_mm / SPAN_MM) as usize == number;
    let found: Vec<PieceRecord> = records.iter().filter(|r| own(r.y_mm)).cloned().collect();
    let laid: Vec<TruthPiece> = truth.iter().filter(|t| own(t.y_mm)).cloned().collect();
    let right = found.len() == laid.len()
        && score(&found, &laid, NEAR_MM).is_ok_and(|score| {
            score.matches.len() == laid.len()
                && score.matches.iter().all(|m| m.volume.abs() < RIGHT_VOLUME)
        });
    let flagged = found.iter().any(|r| r.flags.contains(&Flag::Doubtful));
    count.add(right, flagged);
    if options.list && !right {
        let volumes = |list: &[f64]| -> Vec<String> {
            list.iter().map(|volume| format!("{volume:.0}")).collect()
        };
        println!(
            "   {contact} {:?}: {} cm3 found for {} laid{}",
            laid.iter().map(|t| t.kind.as_str()).collect::<Vec<_>>(),
            volumes(&found.iter().map(|r| r.volume_cm3).collect::<Vec<_>>()).join(" + "),
            volumes(&laid.iter().map(|t| t.volume_cm3).collect::<Vec<_>>()).join(" + "),
            if flagged { ", flagged" } else { "" },
        );
    }
}

fn measured(
    pieces: Vec<PlacedPiece>,
    many: usize,
    seed: usize,
) -> Outcome<(Vec<PieceRecord>, Vec<TruthPiece>)> {
    let mut scenario = Scenario::named("crowd").ok_or("no scenario")?;
    scenario.scanner.colour = None;
    scenario.length_mm = SPAN_MM * many as f64;
    scenario.frame_rows = scenario.rows();
    let simulated = simulate_scene(&scenario, &Scene { pieces }, seed as u64)?;
    let folder = tempfile::tempdir()?;
    for frame in &simulated.frames {
        let place = folder.path().join(&frame.description.id);
        write_scan(&place, &frame.description, &frame.height, None, None)?;
    }
    let archive = read_archive(&[folder.path().to_path_buf()])?;
    let (product, calibration) = (scenario.product(), scenario.calibration());
    let plan = Plan {
        product: &product,
        calibration: Some(&calibration),
        keep_views: false,
    };
    let mut records = Vec::new();
    for recording in &archive.recordings {
        let (measured, _) = measure_recording(recording, &plan, &mut |_, _| Ok(()))?;
        records.extend(measured.pieces.into_iter().map(|piece| piece.record));
    }
    Ok((records, simulated.truth))
}
