//! Days with known truth, made in another way than the program's own `simulate day`: pieces walk over the line one after the other, and each is
//! given its fate as it goes.

use jiff::{SignedDuration, Timestamp};
use weighlight::agreement::Weighing;
use weighlight::tables::PieceRecord;

/// SplitMix64 (Steele, Lea and Flood 2014).
pub struct Dice(u64);

impl Dice {
    pub fn new(seed: u64) -> Self {
        Self(seed.wrapping_mul(0x9e37_79b9_7f4a_7c15) ^ 0x5bf0_3635)
    }

    /// Between 0 and 1.
    pub fn even(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        ((z ^ (z >> 31)) >> 11) as f64 / (1u64 << 53) as f64
    }

    /// Normal, by twelve even numbers.
    pub fn normal(&mut self) -> f64 {
        (0..12).map(|_| self.even()).sum::<f64>() - 6.0
    }

    pub fn happens(&mut self, share: f64) -> bool {
        self.even() < share
    }
}

#[derive(Debug, Clone)]
pub struct Line {
    pub pieces: usize,
    pub lanes: u32,
    /// Whether the checkweigher has a scale for each lane, and says so.
    pub scale_a_lane: bool,
    pub spread: f64,
    pub noise: f64,
    /// Estimate over truth.
    pub bias: f64,
    pub missing: f64,
    pub doubles: f64,
    pub swaps: f64,
    pub tests: usize,
    pub lag_s: f64,
    pub ppm: f64,
    pub readout_g: f64,
    pub spacing_s: [f64; 2],
}

pub const USUAL: Line = Line {
    pieces: 1500,
    lanes: 1,
    scale_a_lane: false,
    spread: 0.10,
    noise: 0.01,
    bias: 1.04,
    missing: 0.03,
    doubles: 0.02,
    swaps: 0.01,
    tests: 6,
    lag_s: 37.0,
    ppm: 300.0,
    readout_g: 0.5,
    spacing_s: [0.2, 2.0],
};

pub struct Made {
    pub pieces: Vec<PieceRecord>,
    pub weighings: Vec<Weighing>,
    /// Places of the pieces of each weighing.
    pub truth: Vec<Vec<usize>>,
}

pub fn start() -> Timestamp {
    "2026-03-04T06:00:00Z".parse().unwrap()
}

pub fn at(seconds: f64) -> Timestamp {
    start() + SignedDuration::from_millis((1e3 * seconds).round() as i64)
}

pub fn record(number: usize, lane: Option<u32>, time_s: f64, mass_g: f64) -> PieceRecord {
    PieceRecord {
        recording: "made".to_owned(),
        scan: "made".to_owned(),
        piece: number as u32 + 1,
        lane,
        time: Some(at(time_s)),
        x_mm: 100.0,
        y_mm: 450.0 * time_s,
        yaw_mrad: 0.0,
        length_mm: 150.0,
        width_mm: 40.0,
        max_height_mm: 30.0,
        mean_height_mm: 24.0,
        area_cm2: mass_g / 2.4,
        surface_cm2: mass_g / 2.0,
        perimeter_mm: 380.0,
        volume_cm3: mass_g / 1.02,
        volume_u_cm3: 0.5,
        fat_fraction: None,
        fat_volume_fraction: None,
        fat_mass_fraction: None,
        mass_g,
        mass_u_g: 0.01 * mass_g,
        filled_fraction: 0.0,
        fat_u_fraction: None,
        area_u_cm2: None,
        length_u_mm: None,
        width_u_mm: None,
        flags: Vec::new(),
        classes: Vec::new(),
        budget: Vec::new(),
    }
}

pub fn make(line: &Line, seed: u64) -> Made {
    let mut dice = Dice::new(seed);
    // (time, lane, true mass), lanes one after the other, then by time.
    let mut laid: Vec<(f64, u32, f64)> = Vec::new();
    for lane in 1..=line.lanes {
        let mut time = dice.even();
        for _ in 0..line.pieces / line.lanes as usize {
            let [least, most] = line.spacing_s;
            time += least + (most - least) * dice.even();
            laid.push((
                time,
                lane,
                180.0 * (1.0 + line.spread * dice.normal()).max(0.4),
            ));
        }
    }
    laid.sort_by(|one, other| one.0.total_cmp(&other.0));
    let lanes_known = line.lanes > 1;
    let pieces: Vec<PieceRecord> = laid
        .iter()
        .enumerate()
        .map(|(number, it)| {
            let estimate = it.2 * line.bias * (1.0 + line.noise * dice.normal());
            record(number, lanes_known.then_some(it.1), it.0, estimate)
        })
        .collect();
    // Per lane, so that what touches or overtakes is a neighbour.
    let mut rows: Vec<(f64, u32, f64, Vec<usize>)> = Vec::new();
    for lane in 1..=line.lanes {
        let mut own: Vec<(f64, u32, f64, Vec<usize>)> = Vec::new();
        let of_lane: Vec<usize> = (0..laid.len()).filter(|it| laid[*it].1 == lane).collect();
        let mut place = 0;
        while let Some(&one) = of_lane.get(place) {
            place += 1;
            if dice.happens(line.missing) {
                continue;
            }
            let mut row = (laid[one].0, lane, laid[one].2, vec![one]);
            if dice.happens(line.doubles)
                && let Some(&other) = of_lane.get(place)
            {
                place += 1;
                row.0 = (row.0 + laid[other].0) / 2.0;
                row.2 += laid[other].2;
                row.3.push(other);
            }
            own.push(row);
        }
        for k in 1..own.len() {
            if dice.happens(line.swaps) {
                let early = own[k - 1].0;
                own[k - 1].0 = own[k].0;
                own[k].0 = early;
                own.swap(k - 1, k);
            }
        }
        rows.extend(own);
    }
    let end = laid.last().map_or(0.0, |it| it.0);
    for k in 0..line.tests {
        let when = if k % 2 == 0 { -30.0 } else { 0.4 * end };
        rows.push((when + 2.5 * k as f64, 1, 500.0, Vec::new()));
    }
    for row in &mut rows {
        row.0 = line.lag_s + row.0 * (1.0 + 1e-6 * line.ppm) + 0.05 * dice.normal();
    }
    rows.sort_by(|one, other| one.0.total_cmp(&other.0));
    let weighings = rows
        .iter()
        .enumerate()
        .map(|(number, row)| Weighing {
            log_row: number + 1,
            time: at(row.0),
            mass_g: (row.2 / line.readout_g).round() * line.readout_g,
            lane: line.scale_a_lane.then_some(row.1),
        })
        .collect();
    Made {
        pieces,
        weighings,
        truth: rows.into_iter().map(|row| row.3).collect(),
    }
}
