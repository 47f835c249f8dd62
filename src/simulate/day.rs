//! A day of weighed pieces without scans: a piece table, a checkweigher's log by another clock, and which row of the one is of which row of the other.
//!
//! The pieces are strips of belly from the Harbour Lane test kitchen: mass, mean height and fat share vary independently, area follows. The
//! estimate is the true mass with noise and with the faults asked for. The log misses pieces, weighs some two at once, swaps neighbours, and holds test
//! weights.

use jiff::{SignedDuration, Timestamp};
use rand::Rng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, LogNormal, StandardNormal};

use super::scenario::belly_strips;
use super::stream::{Purpose, stream};
use crate::error::{Error, ErrorKind, Result};
use crate::product::{DensityRule, Product};
use crate::tables::{ClassShare, PieceRecord};

/// Densities of the two classes, g/cm³ (as in the sample profile belly-strips).
const FAT_G_CM3: f64 = 0.921;
const LEAN_G_CM3: f64 = 1.06;
/// The class that is fat.
const FAT: &str = "fat";

/// What is off between estimate and truth.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum DayFault {
    /// All densities too high by this fraction.
    Density(f64),
    /// The density of fat too high by this fraction.
    FatDensity(f64),
    /// Heights too large by this, mm.
    BeltMm(f64),
    /// Masses of this lane too high by this fraction.
    Lane(u32, f64),
    /// Masses rise by this fraction from the first piece to the last.
    Drift(f64),
    /// Masses are too high by this fraction from the middle of the day on.
    Step(f64),
}

/// What a day is made from.
#[derive(Debug, Clone, PartialEq)]
pub struct Day {
    /// Number of pieces.
    pub pieces: usize,
    /// Lanes side by side; all go over one checkweigher.
    pub lanes: u32,
    /// Least and largest time from one piece to the next in a lane, s.
    pub spacing_s: [f64; 2],
    /// When the first piece is scanned.
    pub start: Timestamp,
    /// Median mass, g.
    pub mass_g: f64,
    /// Spread of the masses, as a fraction.
    pub mass_spread: f64,
    /// Standard deviation of the estimates' noise, as a fraction.
    pub noise: f64,
    /// What is off.
    pub faults: Vec<DayFault>,
    /// Share of pieces taken off before the checkweigher.
    pub missing: f64,
    /// Share of weighings that are of two pieces.
    pub doubles: f64,
    /// Share of pieces that change places with the next in their lane.
    pub swaps: f64,
    /// Weighings of a test weight, in two groups.
    pub test_weights: usize,
    /// Mass of the test weight, g.
    pub test_weight_g: f64,
    /// Time from scan to weighing by the two clocks, at the start, s.
    pub lag_s: f64,
    /// How much faster the checkweigher's clock runs, ppm.
    pub clock_ppm: f64,
    /// Scatter of the times, s.
    pub jitter_s: f64,
    /// Step of the checkweigher's readings, g.
    pub readout_g: f64,
    /// Step of the checkweigher's clock, s; 0: a thousandth of a second.
    pub clock_step_s: f64,
}

impl Day {
    /// An ordinary day without faults.
    #[must_use]
    pub fn usual() -> Self {
        Self {
            pieces: 1500,
            lanes: 1,
            spacing_s: [0.2, 2.0],
            start: Timestamp::constant(1_772_604_000, 0),
            mass_g: 160.0,
            mass_spread: 0.10,
            noise: 0.01,
            faults: Vec::new(),
            missing: 0.03,
            doubles: 0.02,
            swaps: 0.01,
            test_weights: 6,
            test_weight_g: 500.0,
            lag_s: 37.0,
            clock_ppm: 300.0,
            jitter_s: 0.05,
            readout_g: 0.5,
            clock_step_s: 0.0,
        }
    }

    /// The product profile that the day's estimates were made with, its faults of density included.
    #[must_use]
    pub fn product(&self) -> Product {
        let mut product = belly_strips().product();
        let [fat_g_cm3, lean_g_cm3] = self.densities_g_cm3();
        for class in &mut product.classes {
            let g_cm3 = if class.name == FAT {
                fat_g_cm3
            } else {
                lean_g_cm3
            };
            class.density = DensityRule::Given {
                // No more digits than a profile has use for.
                kg_m3: (g_cm3 * 1e6).round() / 1e3,
            };
        }
        product
    }

    /// Densities of fat and lean in the estimates, g/cm³.
    fn densities_g_cm3(&self) -> [f64; 2] {
        let (mut all, mut fat) = (1.0, 1.0);
        for fault in &self.faults {
            match fault {
                DayFault::Density(off) => all *= 1.0 + off,
                DayFault::FatDensity(off) => fat *= 1.0 + off,
                _ => {}
            }
        }
        [all * fat * FAT_G_CM3, all * LEAN_G_CM3]
    }

    /// Checks that a day can be made of this.
    ///
    /// # Errors
    /// A number that makes no sense, with its name.
    pub fn check(&self) -> Result<()> {
        let wrong = |key: &str, found: String, expected: &str| {
            Err(Error::new(ErrorKind::Mismatch, found)
                .key(key)
                .expected(expected.to_owned()))
        };
        if !(1..=1_000_000).contains(&self.pieces) {
            return wrong("pieces", self.pieces.to_string(), "expected 1 to 1000000");
        }
        if !(1..=16).contains(&self.lanes) {
            return wrong("lanes", self.lanes.to_string(), "expected 1 to 16");
        }
        for (key, share) in [
            ("missing", self.missing),
            ("doubles", self.doubles),
            ("swaps", self.swaps),
            ("noise", self.noise),
            ("mass spread", self.mass_spread),
        ] {
            if !(0.0..=0.5).contains(&share) {
                return wrong(key, share.to_string(), "expected a fraction from 0 to 0.5");
            }
        }
        let [least, most] = self.spacing_s;
        if !(least > 0.0 && most > least && most <= 60.0) {
            return wrong(
                "spacing",
                format!("{least} to {most} s"),
                "expected more than 0 s, rising, at most 60 s",
            );
        }
        for (key, value, most) in [
            ("mass", self.mass_g, 1e5),
            ("readout", self.readout_g, 1e3),
            ("test weight", self.test_weight_g, 1e6),
        ] {
            if !(value > 0.0 && value <= most) {
                return wrong(key, format!("{value} g"), "expected more than 0 g");
            }
        }
        Ok(())
    }
}

/// One row of the log with its truth.
#[derive(Debug, Clone, PartialEq)]
pub struct DayWeighing {
    /// By the checkweigher's clock.
    pub time: Timestamp,
    /// What it shows, g.
    pub mass_g: f64,
    /// Places of the pieces in the table, from 0: none for a test weight, two for a double weighing.
    pub pieces: Vec<usize>,
}

/// A day.
#[derive(Debug, Clone, PartialEq)]
pub struct SimulatedDay {
    /// The pieces in the order of scanning.
    pub pieces: Vec<PieceRecord>,
    /// The log in the order of its times.
    pub log: Vec<DayWeighing>,
}

/// A piece as it is.
struct True {
    time_s: f64,
    lane: u32,
    mass_g: f64,
}

/// Makes a day; the same day and seed give the same rows.
///
/// # Errors
/// See [`Day::check`].
pub fn simulate_day(day: &Day, seed: u64) -> Result<SimulatedDay> {
    day.check()?;
    let mut random = stream(seed, Purpose::Layout, 1);
    let spread = LogNormal::new(day.mass_g.ln(), day.mass_spread)
        .map_err(|e| Error::new(ErrorKind::Mismatch, e.to_string()).key("mass spread"))?;
    let mut truth = laid(day, &spread, &mut random);
    truth.sort_by(|one, other| one.time_s.total_cmp(&other.time_s));
    let length_s = truth.last().map_or(1.0, |it| it.time_s).max(1.0);
    let pieces = truth
        .iter()
        .enumerate()
        .map(|(at, it)| estimated(day, it, at, length_s, seed))
        .collect::<Result<Vec<_>>>()?;
    let log = weighed(day, &truth, &mut random)?;
    Ok(SimulatedDay { pieces, log })
}

fn laid(day: &Day, spread: &LogNormal<f64>, random: &mut ChaCha8Rng) -> Vec<True> {
    let lanes = day.lanes as usize;
    let mut laid = Vec::with_capacity(day.pieces);
    for lane in 0..lanes {
        let mut time_s = random.random_range(0.0..1.0);
        let count = day.pieces / lanes + usize::from(lane < day.pieces % lanes);
        for _ in 0..count {
            time_s += random.random_range(day.spacing_s[0]..day.spacing_s[1]);
            if random.random_bool(0.002) {
                // A stop.
                time_s += random.random_range(20.0..120.0);
            }
            laid.push(True {
                time_s,
                lane: lane as u32 + 1,
                mass_g: spread.sample(random),
            });
        }
    }
    laid
}

/// The row that a scanner with the day's faults would write.
fn estimated(day: &Day, it: &True, at: usize, length_s: f64, seed: u64) -> Result<PieceRecord> {
    let mut random = stream(seed, Purpose::Piece, at as u64);
    let mut normal = || -> f64 { StandardNormal.sample(&mut random) };
    let fat_share = (0.4 + 0.08 * normal()).clamp(0.1, 0.75);
    let height_mm = (24.0 + 2.5 * normal()).clamp(14.0, 36.0);
    let noise = 1.0 + day.noise * normal();
    let volume_cm3 = it.mass_g / (fat_share * FAT_G_CM3 + (1.0 - fat_share) * LEAN_G_CM3);
    let area_cm2 = 10.0 * volume_cm3 / height_mm;
    let width_mm = (42.0 + 4.0 * normal()).clamp(28.0, 60.0);
    let length_mm = 100.0 * area_cm2 / (0.88 * width_mm);
    let [fat_g_cm3, lean_g_cm3] = day.densities_g_cm3();
    let (mut factor, mut more_mm) = (1.0, 0.0);
    for fault in &day.faults {
        match *fault {
            DayFault::Density(_) | DayFault::FatDensity(_) => {}
            DayFault::BeltMm(off_mm) => more_mm += off_mm,
            DayFault::Lane(lane, off) if lane == it.lane => factor *= 1.0 + off,
            DayFault::Lane(..) => {}
            DayFault::Drift(off) => factor *= 1.0 + off * it.time_s / length_s,
            DayFault::Step(off) if it.time_s >= 0.5 * length_s => factor *= 1.0 + off,
            DayFault::Step(_) => {}
        }
    }
    // Noise and what goes with a lane or the time are in the volume: densities are those of the profile.
    let seen_cm3 = (volume_cm3 + 0.1 * more_mm * area_cm2) * noise * factor;
    let (fat_cm3, lean_cm3) = (fat_share * seen_cm3, (1.0 - fat_share) * seen_cm3);
    let mass_g = fat_g_cm3 * fat_cm3 + lean_g_cm3 * lean_cm3;
    let share = |class: &str, part: f64, volume_cm3: f64| ClassShare {
        class: class.to_owned(),
        area_cm2: Some(part * area_cm2),
        volume_cm3: Some(volume_cm3),
    };
    Ok(PieceRecord {
        recording: "day".to_owned(),
        scan: format!("day-{seed}"),
        piece: at as u32 + 1,
        lane: (day.lanes > 1).then_some(it.lane),
        time: Some(after(day.start, it.time_s)?),
        x_mm: 150.0 * (f64::from(it.lane) - 0.5),
        y_mm: 450.0 * it.time_s,
        yaw_mrad: 40.0 * normal(),
        length_mm: length_mm.max(width_mm),
        width_mm: width_mm.min(length_mm),
        max_height_mm: 1.25 * (height_mm + more_mm),
        mean_height_mm: 10.0 * seen_cm3 / area_cm2,
        area_cm2,
        surface_cm2: 1.25 * area_cm2,
        perimeter_mm: 2.0 * (length_mm + width_mm),
        volume_cm3: seen_cm3,
        volume_u_cm3: 0.003 * seen_cm3,
        fat_fraction: Some(fat_share),
        fat_volume_fraction: Some(fat_share),
        fat_mass_fraction: Some(fat_g_cm3 * fat_cm3 / mass_g),
        mass_g,
        mass_u_g: day.noise.max(0.001) * mass_g,
        filled_fraction: 0.02 * normal().abs().min(3.0),
        fat_u_fraction: Some(0.01),
        area_u_cm2: Some(0.002 * area_cm2),
        length_u_mm: Some(0.2),
        width_u_mm: Some(0.2),
        flags: Vec::new(),
        classes: vec![
            share(FAT, fat_share, fat_cm3),
            share("lean", 1.0 - fat_share, lean_cm3),
        ],
        budget: Vec::new(),
    })
}

/// A weighing by true time.
struct Row {
    time_s: f64,
    mass_g: f64,
    lane: u32,
    pieces: Vec<usize>,
}

fn weighed(day: &Day, truth: &[True], random: &mut ChaCha8Rng) -> Result<Vec<DayWeighing>> {
    let mut rows: Vec<Row> = Vec::with_capacity(truth.len());
    let mut taken = vec![false; truth.len()];
    let next_in_lane = |from: usize, lane: u32, taken: &[bool]| {
        (from + 1..truth.len()).find(|at| truth[*at].lane == lane && !taken[*at])
    };
    for at in 0..truth.len() {
        if std::mem::replace(&mut taken[at], true) || random.random_bool(day.missing) {
            continue;
        }
        let it = &truth[at];
        let mut row = Row {
            time_s: it.time_s,
            mass_g: it.mass_g,
            lane: it.lane,
            pieces: vec![at],
        };
        if random.random_bool(day.doubles)
            && let Some(other) = next_in_lane(at, it.lane, &taken)
        {
            taken[other] = true;
            row.time_s = f64::midpoint(it.time_s, truth[other].time_s);
            row.mass_g += truth[other].mass_g;
            row.pieces.push(other);
        }
        rows.push(row);
    }
    let mut at = 0;
    while at < rows.len() {
        if random.random_bool(day.swaps)
            && let Some(other) = (at + 1..rows.len()).find(|it| rows[*it].lane == rows[at].lane)
        {
            let time_s = rows[at].time_s;
            rows[at].time_s = rows[other].time_s;
            rows[other].time_s = time_s;
            at += 1;
        }
        at += 1;
    }
    let end_s = truth.last().map_or(0.0, |it| it.time_s);
    for number in 0..day.test_weights {
        let early = number < day.test_weights / 2;
        let start_s = if early { -25.0 } else { 0.5 * end_s };
        rows.push(Row {
            time_s: start_s + 3.1 * number as f64,
            mass_g: day.test_weight_g,
            lane: 1,
            pieces: Vec::new(),
        });
    }
    for row in &mut rows {
        let jitter: f64 = StandardNormal.sample(random);
        row.time_s = day.lag_s + row.time_s * (1.0 + 1e-6 * day.clock_ppm) + day.jitter_s * jitter;
    }
    rows.sort_by(|one, other| one.time_s.total_cmp(&other.time_s));
    let step_s = day.clock_step_s.max(0.001);
    rows.into_iter()
        .map(|row| {
            Ok(DayWeighing {
                time: after(day.start, (row.time_s / step_s).floor() * step_s)?,
                mass_g: (row.mass_g / day.readout_g).round() * day.readout_g,
                pieces: row.pieces,
            })
        })
        .collect()
}

/// `start` and some seconds, to the millisecond.
fn after(start: Timestamp, seconds: f64) -> Result<Timestamp> {
    let milliseconds = (1e3 * seconds).round() as i64;
    start
        .checked_add(SignedDuration::from_millis(milliseconds))
        .map_err(|e| Error::new(ErrorKind::Mismatch, e.to_string()).key("start"))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_day_holds_what_was_asked_for() {
        let day = Day {
            pieces: 4000,
            lanes: 3,
            ..Day::usual()
        };
        let made = simulate_day(&day, 3).unwrap();
        assert_eq!(made.pieces.len(), 4000);
        let count = |pieces: usize| {
            made.log
                .iter()
                .filter(|it| it.pieces.len() == pieces)
                .count()
        };
        assert_eq!(count(0), 6);
        let near = |found: f64, expected: f64| {
            let sd = (expected / 4000.0).sqrt();
            assert!((found - expected).abs() < 4.0 * sd, "{found} {expected}");
        };
        near(count(2) as f64 / (count(1) + count(2)) as f64, 0.02);
        let missed = 4000 - count(1) - 2 * count(2);
        // The second of two has no chance of its own to be taken off.
        near(missed as f64 / 4000.0, 0.03 / 1.02);
        // Estimates are true but for noise and readout; a mean over 4000 is sure to 0.0002.
        let (mut sum, mut squares, mut n) = (0.0, 0.0, 0.0);
        for row in made.log.iter().filter(|it| it.pieces.len() == 1) {
            let off = made.pieces[row.pieces[0]].mass_g / row.mass_g - 1.0;
            sum += off;
            squares += off * off;
            n += 1.0;
        }
        assert!((sum / n).abs() < 0.0008, "{}", sum / n);
        assert!(((squares / n).sqrt() - 0.01).abs() < 0.0005);
        assert_eq!(simulate_day(&day, 3).unwrap(), made);
    }

    #[test]
    fn faults_are_in_the_estimates_only() {
        let clean = simulate_day(&Day::usual(), 1).unwrap();
        let faulty = |fault: DayFault| {
            let day = Day {
                faults: vec![fault],
                ..Day::usual()
            };
            let made = simulate_day(&day, 1).unwrap();
            assert_eq!(made.log, clean.log);
            let pairs = made.pieces.iter().zip(&clean.pieces);
            pairs
                .map(|(one, other)| one.mass_g / other.mass_g - 1.0)
                .collect::<Vec<f64>>()
        };
        assert!(
            faulty(DayFault::Density(0.01))
                .iter()
                .all(|it| (it - 0.01).abs() < 1e-9)
        );
        let drift = faulty(DayFault::Drift(0.02));
        assert!(drift[0].abs() < 1e-4 && (drift[1499] - 0.02).abs() < 1e-4);
        let step = faulty(DayFault::Step(0.02));
        assert!(step[0].abs() < 1e-12 && (step[1499] - 0.02).abs() < 1e-9);
        // A millimetre on a mean height of 24 mm.
        let belt = faulty(DayFault::BeltMm(1.0));
        let mean = belt.iter().sum::<f64>() / 1500.0;
        assert!((mean - 1.0 / 24.0).abs() < 0.003, "{mean}");
        assert!(faulty(DayFault::Lane(2, 0.1)).iter().all(|it| *it == 0.0));
    }

    #[test]
    fn nonsense_is_refused_by_name() {
        let error = simulate_day(
            &Day {
                missing: 0.9,
                ..Day::usual()
            },
            1,
        )
        .unwrap_err();
        assert_eq!(error.key.as_deref(), Some("missing"));
    }
}
