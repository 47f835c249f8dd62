//! How near a check comes to known errors, and whether its stated uncertainties hold: `cargo bench --bench drift -- [options]`.
//!
//! `--scans N` (100), `--seed N` (1), `--certificate-u MM` (0: the target is exactly as its file says), `--noise MM` (0.05), `--list`.

#[path = "../tests/drift/generator.rs"]
#[allow(dead_code)]
mod generator;

use std::path::Path;
use std::time::Instant;

use generator::{as_made, drawn_scene};
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use weighlight::calibration::{GeometricErrors, read_target};
use weighlight::drift::{ERROR_NAMES, FitRequest, errors_to_list, fit_target};

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
    let scans = number("--scans", 100.0) as u64;
    let first = number("--seed", 1.0) as u64;
    let certificate_u_mm = number("--certificate-u", 0.0);
    let noise_mm = number("--noise", 0.05);
    let list = arguments.iter().any(|a| a == "--list");
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("calibration/targets/plate-420x260.toml");
    let path = std::env::var_os("TARGET_FILE").map_or(path, Into::into);
    let mut target = read_target(&path).expect("the target file");
    target.u_mm = Some(certificate_u_mm);
    let request = FitRequest {
        expected: GeometricErrors::NONE,
        target_temperature_c: None,
    };
    let mut squares = [0.0_f64; 9];
    let mut worst = [0.0_f64; 9];
    let mut covered = [0_u32; 9];
    let mut told = [0_u32; 9];
    let mut stated = [0.0_f64; 9];
    let (mut wrong, mut failed, mut done) = (0, 0, 0);
    let mut seconds = Vec::new();
    for seed in first..first + scans {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let mut scene = drawn_scene(&target, &mut rng);
        scene.noise_mm = noise_mm;
        scene.targets[0].0 = as_made(&target, certificate_u_mm, &mut rng);
        let field = scene.field(seed);
        let start = Instant::now();
        let fit = fit_target(&field, &target, &request);
        seconds.push(start.elapsed().as_secs_f64());
        let pose = scene.targets[0].1;
        let fit = match fit {
            Ok(fit) => fit,
            Err(error) => {
                failed += 1;
                println!("scan {seed}: {error} (true pose {pose:?})");
                continue;
            }
        };
        done += 1;
        let turn = (fit.pose.yaw_mrad - pose.yaw_mrad) / 1000.0;
        let away = (fit.pose.x_mm - pose.x_mm).hypot(fit.pose.y_mm - pose.y_mm);
        if 0.01 < turn.sin().atan2(turn.cos()).abs() || 5.0 < away {
            wrong += 1;
            println!("scan {seed}: wrong pose {:?} for {pose:?}", fit.pose);
            continue;
        }
        let (found, truth) = (errors_to_list(&fit.errors), errors_to_list(&scene.errors));
        let us = errors_to_list(&fit.errors_u);
        for i in 0..9 {
            if !fit.told[i] {
                continue;
            }
            let error = found[i] - truth[i];
            told[i] += 1;
            squares[i] += error * error;
            worst[i] = worst[i].max(error.abs());
            covered[i] += u32::from(error.abs() <= 2.0 * us[i]);
            stated[i] += us[i] * us[i];
        }
        if list {
            let z: Vec<String> = (0..9)
                .map(|i| format!("{:+.2}", (found[i] - truth[i]) / us[i]))
                .collect();
            println!(
                "scan {seed}: yaw {:.2}, off {:.3}, seen {:.2}, {}",
                pose.yaw_mrad / 1000.0,
                fit.off_fraction,
                fit.surface.seen_fraction,
                z.join(" ")
            );
        }
    }
    println!("{scans} scans: {done} fitted, {wrong} wrong poses, {failed} refused");
    println!("error               rms        worst      stated u   within 2u   told");
    for i in 0..9 {
        let n = f64::from(told[i].max(1));
        println!(
            "{:<18} {:>9.2e}  {:>9.2e}  {:>9.2e}   {:>6.1} %   {}",
            ERROR_NAMES[i],
            (squares[i] / n).sqrt(),
            worst[i],
            (stated[i] / n).sqrt(),
            100.0 * f64::from(covered[i]) / n,
            told[i]
        );
    }
    seconds.sort_by(f64::total_cmp);
    if let (Some(middle), Some(longest)) = (seconds.get(seconds.len() / 2), seconds.last()) {
        println!("a check takes {middle:.2} s (median), {longest:.2} s at most");
    }
}
