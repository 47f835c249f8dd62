//! Drift reports made by hand, with the values of a scanner as given.

use std::path::Path;

use jiff::{SignedDuration, Timestamp};
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};
use weighlight::drift::{
    Certificate, ColourCheck, DRIFT_FORMAT, DriftReport, InputHash, ParameterCheck,
    ParameterEffect, PatchCheck, ResidualMap, SurfaceCheck, TargetPose, Verdict, WeightEffect,
};
use weighlight::history::{CheckEntry, Entry, LOG_FORMAT, NewEntry, ORIGIN};

/// Name, unit, true value, spread of repeated checks, tolerance.
pub const PARAMETERS: [(&str, &str, f64, f64, f64); 9] = [
    ("across_scale", "1", 1.0, 0.000_02, 0.002),
    ("along_scale", "1", 1.0, 0.000_03, 0.002),
    ("height_scale", "1", 1.0, 0.000_05, 0.002),
    ("height_offset_mm", "mm", 0.0, 0.004, 0.1),
    ("roll_mrad", "mrad", 0.0, 0.04, 1.0),
    ("pitch_mrad", "mrad", 0.0, 0.04, 1.0),
    ("bow_mm", "mm", 0.0, 0.004, 0.2),
    ("skew_mrad", "mrad", 0.0, 0.05, 2.0),
    ("lean_mrad", "mrad", 0.0, 0.08, 2.0),
];

pub fn start() -> Timestamp {
    "2026-01-05T05:30:00Z".parse().unwrap()
}

pub fn day(number: i64) -> Timestamp {
    start() + SignedDuration::from_hours(24 * number)
}

/// Independent normal numbers that are the same on every run.
pub struct Noise(ChaCha8Rng);

impl Noise {
    pub fn new(seed: u64) -> Self {
        Self(ChaCha8Rng::seed_from_u64(seed))
    }

    pub fn next(&mut self) -> f64 {
        StandardNormal.sample(&mut self.0)
    }
}

fn verdict(change: f64, u: f64, tolerance: f64) -> Verdict {
    if change.abs() + 2.0 * u <= tolerance {
        Verdict::InTolerance
    } else if change.abs() - 2.0 * u > tolerance {
        Verdict::OutOfTolerance
    } else {
        Verdict::Warning
    }
}

/// A check of scanner line-2 at `time`; `moved` is added to the parameters' true values.
pub fn report(scan: &str, time: Timestamp, moved: [f64; 9], noise: &mut Noise) -> DriftReport {
    let parameters: Vec<ParameterCheck> = PARAMETERS
        .iter()
        .zip(moved)
        .map(|(&(name, unit, truth, spread, tolerance), moved)| {
            let value = truth + moved + spread * noise.next();
            ParameterCheck {
                name: name.to_owned(),
                value: Some(value),
                u: Some(spread),
                baseline: truth,
                change: Some(value - truth),
                tolerance,
                unit: unit.to_owned(),
                verdict: verdict(value - truth, spread, tolerance),
                remark: None,
            }
        })
        .collect();
    let relative: f64 = parameters[..3].iter().filter_map(|it| it.change).sum();
    let patches: Vec<PatchCheck> = (0..4)
        .map(|i| PatchCheck {
            x_mm: 105.0 + 70.0 * f64::from(i),
            y_mm: 90.0,
            lab: [95.1 - 20.0 * f64::from(i), 0.2, 1.9],
            certified_lab: [96.0 - 20.0 * f64::from(i), 0.0, 2.0],
            de00: 0.6 + 0.1 * f64::from(i),
            saturated_fraction: 0.0,
            pixels: 3900,
        })
        .collect();
    let columns = 24_u32;
    let residual_mm = (0..columns * 40)
        .map(|i| {
            let (x, y) = (f64::from(i % columns) - 12.0, f64::from(i / columns) - 20.0);
            let seen = x.abs() < 10.0 && y.abs() < 15.0;
            seen.then(|| (0.02 * (x / 6.0).sin() + 0.008 * noise.next()) as f32)
        })
        .collect();
    DriftReport {
        format: DRIFT_FORMAT.to_owned(),
        version: env!("CARGO_PKG_VERSION").to_owned(),
        scanner: "line-2".to_owned(),
        scan: scan.to_owned(),
        target: "frustum plate 420 x 260".to_owned(),
        captured: time,
        verdict: parameters.iter().map(|it| it.verdict).max().unwrap(),
        surface: SurfaceCheck {
            residual_rms_mm: 0.051,
            flatness_mm: 0.11 + 0.004 * noise.next(),
            noise_mm: 0.05 + 0.0008 * noise.next(),
            dropout_fraction: 0.012 + 0.0005 * noise.next(),
            probing_form_mm: None,
            probing_size_mm: None,
            samples: 612_000,
            seen_fraction: 0.93,
        },
        colour: Some(ColourCheck {
            max_de00: 0.9 + 0.05 * noise.next(),
            patches,
            tolerance_de00: 2.0,
            verdict: Verdict::InTolerance,
            registration_mm: Some([0.02, -0.01]),
            registration_u_mm: Some([0.01, 0.01]),
            white_balance: Some([1.01, 1.0, 0.99]),
            matrix: None,
            corrected_max_de00: Some(0.4),
            flat_field: None,
        }),
        weight_effect: WeightEffect {
            relative,
            relative_u: 0.000_06,
            by_parameter: parameters[..3]
                .iter()
                .map(|it| ParameterEffect {
                    name: it.name.clone(),
                    relative: it.change.unwrap(),
                    relative_u: it.u.unwrap(),
                })
                .collect(),
            per_product: Vec::new(),
        },
        parameters,
        compared_with: "calibration/scanners/line-2/2026-01-01.toml".to_owned(),
        pose: TargetPose {
            x_mm: 92.0,
            y_mm: 41.5,
            yaw_mrad: 312.0,
        },
        findings: vec![
            "Along-belt scale +0.31 % since the last check <b>, all other errors in tolerance"
                .to_owned(),
        ],
        cautions: vec!["Stop and lock out the belt before reaching in.".to_owned()],
        inputs: vec![InputHash {
            role: "height".to_owned(),
            path: "scans/0007/height.png".to_owned(),
            blake3: "ab".repeat(32),
        }],
        certificate: Some(Certificate {
            name: "C-2025-118".to_owned(),
            u_mm: 0.003,
            temperature_c: Some(20.0),
        }),
        residual_map: Some(ResidualMap {
            origin_mm: [0.0, 0.0],
            cell_mm: 25.0,
            columns: u64::from(columns),
            residual_mm,
        }),
    }
}

/// Writes a log in one go, without the waiting for the disk that `append` does for each entry. The chain is made here from
/// what docs/formats.md says of it.
pub fn write_log<'a>(folder: &Path, entries: impl IntoIterator<Item = NewEntry<'a>>) {
    let mut text = String::new();
    let mut previous = ORIGIN.to_owned();
    for (i, new) in entries.into_iter().enumerate() {
        let entry = Entry {
            format: LOG_FORMAT.to_owned(),
            sequence: i as u64 + 1,
            scanner: new.scanner.to_owned(),
            time: new.time,
            logged: new.logged,
            operator: new.operator.map(str::to_owned),
            note: new.note.map(str::to_owned),
            check: new.report.map(|it| CheckEntry::of(it).unwrap()),
            repaired: None,
            previous,
        };
        let mut line = serde_json::to_string(&entry).unwrap();
        line.pop();
        previous = blake3::hash(line.as_bytes()).to_hex().to_string();
        text.push_str(&format!("{line},\"hash\":\"{previous}\"}}\n"));
    }
    std::fs::write(folder.join("line-2.jsonl"), text).unwrap();
}

pub fn check(report: &DriftReport) -> NewEntry<'_> {
    NewEntry {
        scanner: "line-2",
        time: report.captured,
        logged: report.captured + SignedDuration::from_mins(3),
        operator: Some("A. Lund"),
        note: None,
        report: Some(report),
    }
}

pub fn event(note: &str, time: Timestamp) -> NewEntry<'_> {
    NewEntry {
        scanner: "line-2",
        time,
        logged: time,
        operator: None,
        note: Some(note),
        report: None,
    }
}
