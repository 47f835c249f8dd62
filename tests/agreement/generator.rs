//! Days of weighed pieces with known faults: strips of belly as they lie on a belt of four lanes. Invented numbers in plausible ranges.

use jiff::Timestamp;
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};
use weighlight::agreement::PairedPiece;
use weighlight::product::{
    ClassRule, DensityRule, DepthRule, LabBox, PieceRules, Product, Range, Spec, WeightFit,
};
use weighlight::tables::{ClassShare, Flag, PieceRecord};

/// What is wrong that day. Relative sizes are estimate over truth, less 1.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Fault {
    Density(f64),
    FatDensity(f64),
    LeanDensity(f64),
    BeltMm(f64),
    FixedG(f64),
    Lane(u32, f64),
    Drift(f64),
    /// At this share of the day.
    Step(f64, f64),
    /// At the start, dying away in 15 minutes.
    WarmUp(f64),
    /// For each unit of the reconstructed share.
    Hidden(f64),
    Touching(f64),
}

/// How a day is made.
#[derive(Debug, Clone)]
pub struct Day {
    pub pieces: usize,
    pub faults: Vec<Fault>,
    pub noise: f64,
    pub scale_sd_g: f64,
    pub height_sd_mm: f64,
    /// Spread of the footprints' areas, relative.
    pub area_sd: f64,
    /// Fat shares of the volume, from and to.
    pub fat: [f64; 2],
    /// Share of pairs whose weighing is another piece's.
    pub mismatched: f64,
    pub profile_g_cm3: [f64; 2],
}

impl Day {
    /// 500 strips of 100 to 250 g, mean heights about 25 ± 4 mm, 20 to 60 % fat, noise of 1 %.
    pub fn of(faults: &[Fault]) -> Self {
        Self {
            pieces: 500,
            faults: faults.to_vec(),
            noise: 0.01,
            scale_sd_g: 0.0,
            height_sd_mm: 4.0,
            area_sd: 0.2,
            fat: [0.2, 0.6],
            mismatched: 0.0,
            profile_g_cm3: [0.942, 1.053],
        }
    }

    pub fn pairs(&self, seed: u64) -> Vec<PairedPiece> {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let start: Timestamp = "2026-03-04T06:00:00Z".parse().unwrap();
        let day_s = 8.0 * 3600.0;
        let mut pairs: Vec<PairedPiece> = (0..self.pieces)
            .map(|i| {
                let share = (i as f64 + rng.random_range(0.0..0.9)) / self.pieces as f64;
                let time =
                    start + jiff::SignedDuration::from_millis((share * day_s * 1000.0) as i64);
                self.piece(i, share, time, day_s, &mut rng)
            })
            .collect();
        let wrong = (self.mismatched * self.pieces as f64).round() as usize;
        for k in 0..wrong {
            // Neighbours change places.
            let i = (k * self.pieces / wrong.max(1)).min(self.pieces - 2);
            let other = pairs[i + 1].weighed_g;
            pairs[i + 1].weighed_g = pairs[i].weighed_g;
            pairs[i].weighed_g = other;
        }
        pairs
    }

    fn piece(
        &self,
        i: usize,
        share: f64,
        time: Timestamp,
        day_s: f64,
        rng: &mut ChaCha8Rng,
    ) -> PairedPiece {
        let normal = |rng: &mut ChaCha8Rng| -> f64 { StandardNormal.sample(rng) };
        let [fat_true, lean_true] = self.true_g_cm3();
        let (area_cm2, height_mm, fat, true_g) = loop {
            let area_cm2 = 62.0 * (1.0 + self.area_sd * normal(rng));
            let height_mm = 25.0 + self.height_sd_mm * normal(rng);
            let fat = rng.random_range(self.fat[0]..=self.fat[1]);
            let volume_cm3 = area_cm2 * height_mm / 10.0;
            let true_g = volume_cm3 * (fat * fat_true + (1.0 - fat) * lean_true);
            if (100.0..250.0).contains(&true_g)
                && (12.0..40.0).contains(&height_mm)
                && area_cm2 > 20.0
            {
                break (area_cm2, height_mm, fat, true_g);
            }
        };
        let lane = rng.random_range(1..=4_u32);
        let filled_fraction = rng.random_range(0.0_f64..0.2).powi(2);
        let touching = rng.random_bool(0.1);
        // Volume as measured: everything that acts on heights acts on all classes alike.
        let mut factor = 1.0 + self.noise * normal(rng);
        let mut added_mm = 0.0;
        let mut added_g = 0.0;
        for fault in &self.faults {
            match *fault {
                Fault::Lane(of, by) if of == lane => factor *= 1.0 + by,
                Fault::Drift(by) => factor *= 1.0 + by * share,
                Fault::Step(at, by) if share >= at => factor *= 1.0 + by,
                Fault::WarmUp(by) => factor *= 1.0 + by * (-share * day_s / 900.0).exp(),
                Fault::Hidden(by) => factor *= 1.0 + by * filled_fraction,
                Fault::Touching(by) if touching => factor *= 1.0 + by,
                Fault::BeltMm(by) => added_mm += by,
                Fault::FixedG(by) => added_g += by,
                _ => {}
            }
        }
        let volume_cm3 = area_cm2 * height_mm / 10.0 * factor + area_cm2 * added_mm / 10.0;
        let (fat_cm3, lean_cm3) = (volume_cm3 * fat, volume_cm3 * (1.0 - fat));
        let [fat_g_cm3, lean_g_cm3] = self.profile_g_cm3;
        let mass_g = fat_cm3 * fat_g_cm3 + lean_cm3 * lean_g_cm3;
        // A fixed mass is missing on the checkweigher, not added to the estimate.
        let weighed_g = true_g - added_g + self.scale_sd_g * normal(rng);
        let class = |name: &str, volume_cm3: f64| ClassShare {
            class: name.to_owned(),
            area_cm2: Some(area_cm2 * volume_cm3 / (fat_cm3 + lean_cm3)),
            volume_cm3: Some(volume_cm3),
        };
        PairedPiece {
            piece_row: i + 1,
            log_row: i + 1,
            probability: 1.0,
            scanned: time,
            weighed_g: (weighed_g * 10.0).round() / 10.0,
            mass_g,
            mass_u_g: 0.005 * mass_g,
            record: PieceRecord {
                recording: "day".to_owned(),
                scan: "day-1".to_owned(),
                piece: i as u32 + 1,
                lane: Some(lane),
                time: Some(time),
                x_mm: 100.0,
                y_mm: 200.0 * i as f64,
                yaw_mrad: 0.0,
                length_mm: 150.0,
                width_mm: 41.0,
                max_height_mm: 1.2 * height_mm,
                mean_height_mm: 10.0 * volume_cm3 / area_cm2,
                area_cm2,
                surface_cm2: 1.4 * area_cm2,
                perimeter_mm: 400.0,
                volume_cm3,
                volume_u_cm3: 0.001 * volume_cm3,
                fat_fraction: Some(fat),
                fat_volume_fraction: Some(fat),
                fat_mass_fraction: Some(fat_cm3 * fat_g_cm3 / mass_g),
                mass_g,
                mass_u_g: 0.005 * mass_g,
                filled_fraction,
                fat_u_fraction: None,
                area_u_cm2: None,
                length_u_mm: None,
                width_u_mm: None,
                flags: if touching {
                    vec![Flag::Touching]
                } else {
                    Vec::new()
                },
                classes: vec![class("fat", fat_cm3), class("lean", lean_cm3)],
                budget: Vec::new(),
            },
        }
    }

    fn true_g_cm3(&self) -> [f64; 2] {
        let [mut fat, mut lean] = self.profile_g_cm3;
        for fault in &self.faults {
            match *fault {
                Fault::Density(by) => {
                    fat /= 1.0 + by;
                    lean /= 1.0 + by;
                }
                Fault::FatDensity(by) => fat /= 1.0 + by,
                Fault::LeanDensity(by) => lean /= 1.0 + by,
                _ => {}
            }
        }
        [fat, lean]
    }
}

/// The profile that a day's pieces were measured with.
pub fn product(day: &Day) -> Product {
    let class = |name: &str, density: f64, l: Range| ClassRule {
        name: name.to_owned(),
        lab: Some(LabBox {
            l,
            a: Range {
                low: -20.0,
                high: 60.0,
            },
            b: Range {
                low: -10.0,
                high: 50.0,
            },
        }),
        density: DensityRule::Given {
            kg_m3: 1000.0 * density,
        },
        depth: DepthRule::Through,
    };
    let [fat, lean] = day.profile_g_cm3;
    let range = |low, high| Range { low, high };
    Product {
        name: "belly-strips".to_owned(),
        base: "lean".to_owned(),
        piece: PieceRules {
            min_height_mm: 1.0,
            min_area_cm2: 4.0,
            split_touching: true,
            min_speck_mm2: 0.0,
        },
        classes: vec![
            class("fat", fat, range(62.0, 100.0)),
            class("lean", lean, range(5.0, 62.0)),
        ],
        weight: WeightFit {
            scale: 1.0,
            offset_g: 0.0,
            density_u_rel: 0.005,
        },
        spec: Spec::default(),
        learn: None,
        fit: None,
    }
}
