//! How near tuned densities come to the true ones, and whether their intervals hold: `cargo bench --bench tune -- [options]`.
//!
//! `--sets N` (300), `--pieces N` (1000), `--noise F` (0.01), `--seed N` (1).

#[path = "../tests/agreement/generator.rs"]
#[allow(dead_code)]
mod generator;

use std::collections::BTreeMap;
use std::time::Instant;

use generator::{Day, Fault, product};
use weighlight::agreement::tune::{FitKind, TuneSettings, tune};

fn main() {
    let arguments: Vec<String> = std::env::args()
        .skip(1)
        .filter(|a| a != "--bench")
        .collect();
    let number = |name: &str, default: f64| {
        let at = arguments.iter().position(|a| a == name);
        at.and_then(|at| arguments.get(at + 1)?.parse().ok())
            .unwrap_or(default)
    };
    let sets = number("--sets", 300.0) as u64;
    let first = number("--seed", 1.0) as u64;
    let start = Instant::now();
    // Fat 2 % and lean 1 % too heavy in the profile.
    let day = Day {
        pieces: number("--pieces", 1000.0) as usize,
        noise: number("--noise", 0.01),
        ..Day::of(&[Fault::FatDensity(0.02), Fault::LeanDensity(0.01)])
    };
    let truth = [942.0 / 1.02, 1053.0 / 1.01];
    for fit in [
        Some(FitKind::Densities),
        Some(FitKind::DensitiesOffset),
        None,
    ] {
        let settings = TuneSettings {
            fit: fit.clone(),
            ..TuneSettings::default()
        };
        let mut near = [0; 2];
        let mut covered = [0; 2];
        let mut sums = [[0.0; 2]; 2];
        let (mut fitted, mut chosen, mut refused) = (0, BTreeMap::new(), Vec::new());
        let mut gains = 0.0;
        for seed in first..first + sets {
            let tuned = match tune(&day.pairs(seed), &product(&day), &settings, &[]) {
                Ok(tuned) => tuned,
                Err(error) => {
                    refused.push(format!("seed {seed}: {error}"));
                    continue;
                }
            };
            *chosen.entry(tuned.fit.name()).or_insert(0) += 1;
            gains += 1.0 - tuned.unseen.rms_g / tuned.before.rms_g;
            if !matches!(tuned.fit, FitKind::Densities | FitKind::DensitiesOffset) {
                continue;
            }
            fitted += 1;
            for i in 0..2 {
                let after = tuned.values[i].after;
                let off = after.value / truth[i] - 1.0;
                near[i] += u32::from(off.abs() <= [0.015, 0.003][i]);
                covered[i] += u32::from(after.holds(truth[i]));
                sums[i][0] += off;
                sums[i][1] += off * off;
            }
        }
        let n = f64::from(fitted.max(1));
        println!(
            "{}: chosen {chosen:?}, {} refused, error down by {:.0} % on average on unseen pieces",
            fit.map_or("what does best".to_owned(), |it| it.name()),
            refused.len(),
            100.0 * gains / (sets as f64 - refused.len() as f64).max(1.0)
        );
        for (i, name) in ["fat", "lean"].iter().enumerate() {
            println!(
                "  {name:<5} mean error {:+.3} %, root mean square {:.3} %, within {} %: {:.1} %, in interval {:.1} %",
                100.0 * sums[i][0] / n,
                100.0 * (sums[i][1] / n).sqrt(),
                ["1.5", "0.3"][i],
                100.0 * f64::from(near[i]) / n,
                100.0 * f64::from(covered[i]) / n
            );
        }
        for line in refused.iter().take(3) {
            println!("  {line}");
        }
    }
    println!("{:.1} s", start.elapsed().as_secs_f64());
}
