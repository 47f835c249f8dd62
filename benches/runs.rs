//! What a run over an archive costs: time to find and read the scans, scaling over threads, memory.
//!
//! `cargo bench --bench runs -- [--scans N] [--threads N …]`: an archive of N small scans (default 2000, links to the frames of a few
//! simulated ones) is listed, read bit by bit, and measured by each number of threads in turn, three times; the least time counts. The peak of
//! memory is that of the whole process so far (Linux): give one number of threads and several `--scans` in turn to see it grow or not.

use std::path::{Path, PathBuf};
use std::time::Instant;

use weighlight::calibration::write_calibration;
use weighlight::product::write_product;
use weighlight::runs::{Effort, ProductSource, RunFolder, RunSettings, Shard, execute};
use weighlight::scan::{ArchiveReading, list_scans, write_scan};
use weighlight::simulate::{Scenario, simulate};

/// Times that each thing is done.
const REPEATS: usize = 3;
/// Length of belt in a scan, mm: a few pieces.
const LENGTH_MM: f64 = 200.0;

fn main() {
    let mut scans = 2000;
    let mut threads = Vec::new();
    let mut words = std::env::args().skip(1).peekable();
    while let Some(word) = words.next() {
        let mut number = || words.next().and_then(|text| text.parse::<usize>().ok());
        match word.as_str() {
            "--scans" => scans = number().expect("--scans N"),
            "--threads" => threads.push(number().expect("--threads N")),
            // Given by cargo.
            "--bench" => {}
            other => panic!("unknown option {other}"),
        }
    }
    if threads.is_empty() {
        threads = vec![1, 2];
    }
    let root = std::env::temp_dir().join(format!("weighlight-runs-{}", std::process::id()));
    make_archive(&root, scans);
    let archive = [root.join("archive")];
    let [mut listed_s, mut first_s, mut read_s] = [f64::INFINITY; 3];
    for _ in 0..REPEATS {
        let start = Instant::now();
        let listing = list_scans(&archive).unwrap();
        assert_eq!(listing.len(), scans);
        listed_s = listed_s.min(start.elapsed().as_secs_f64());
        let start = Instant::now();
        let mut reading = ArchiveReading::begin(&archive).unwrap();
        while reading.more().is_some_and(|whole| whole.is_empty()) {}
        first_s = first_s.min(start.elapsed().as_secs_f64());
        let read = reading.finish();
        read_s = read_s.min(start.elapsed().as_secs_f64());
        assert_eq!(read.recordings.len(), scans);
        assert!(read.rejected.is_empty());
    }
    let per_100_000 = 1e5 / scans as f64;
    println!(
        "{scans} scans: found in {listed_s:.3} s ({:.2} s per 100 000); the first recording to measure after {:.1} ms, \
         all found, read and joined in {read_s:.3} s ({:.2} s per 100 000)",
        listed_s * per_100_000,
        first_s * 1e3,
        read_s * per_100_000
    );
    let mut least = vec![f64::INFINITY; threads.len()];
    for repeat in 0..REPEATS {
        for (at, threads) in threads.iter().enumerate() {
            let out = root.join(format!("run-{threads}-{repeat}"));
            let settings = RunSettings::read(
                &archive,
                &ProductSource::Folder(root.join("products")),
                Some(&root.join("calibration")),
                Shard::WHOLE,
            )
            .unwrap();
            let reading = ArchiveReading::begin(&archive).unwrap();
            let folder = RunFolder::open(&out, false).unwrap();
            let effort = Effort {
                threads: *threads,
                verify: false,
            };
            let start = Instant::now();
            let result = execute(&folder, &settings, reading, effort, &|_| {}).unwrap();
            least[at] = least[at].min(start.elapsed().as_secs_f64());
            assert_eq!(result.counts.measured as usize, scans);
            std::fs::remove_dir_all(&out).unwrap();
        }
        if scans > 5000 {
            break;
        }
    }
    let threads_first = threads[0];
    for (threads, seconds) in threads.iter().zip(&least) {
        println!(
            "{threads} threads: {seconds:.2} s, {:.1} scans a second, {:.2} times as fast as with {}",
            scans as f64 / seconds,
            least[0] / seconds,
            threads_first,
        );
    }
    if let Some(peak) = peak_mb() {
        println!("peak of memory: {peak:.0} MB");
    }
    std::fs::remove_dir_all(&root).unwrap();
}

/// The largest resident size so far.
fn peak_mb() -> Option<f64> {
    let status = std::fs::read_to_string("/proc/self/status").ok()?;
    let line = status.lines().find(|line| line.starts_with("VmHWM:"))?;
    let kb: f64 = line.split_whitespace().nth(1)?.parse().ok()?;
    Some(kb / 1024.0)
}

fn make_archive(root: &Path, scans: usize) {
    let mut scenario = Scenario::named("lobes").unwrap();
    scenario.length_mm = LENGTH_MM;
    scenario.frame_rows = scenario.rows();
    let templates: Vec<PathBuf> = (0..4)
        .map(|seed| {
            let made = simulate(&scenario, seed).unwrap();
            let frame = &made.frames[0];
            let folder = root.join(format!("template-{seed}"));
            write_scan(
                &folder,
                &frame.description,
                &frame.height,
                frame.colour.as_ref(),
                None,
            )
            .unwrap();
            folder
        })
        .collect();
    for number in 0..scans {
        let template = &templates[number % templates.len()];
        let folder = root.join(format!("archive/{:03}/s{number:06}", number / 500));
        std::fs::create_dir_all(&folder).unwrap();
        for name in ["height.png", "colour.png"] {
            std::fs::hard_link(template.join(name), folder.join(name)).unwrap();
        }
        let text = std::fs::read_to_string(template.join("scan.toml")).unwrap();
        let lines: Vec<String> = text
            .lines()
            .map(|line| match line.split_once(" = ") {
                Some((key @ ("id" | "recording"), _)) => format!("{key} = \"s{number:06}\""),
                Some(("captured", _)) => format!(
                    "captured = 2026-{:02}-{:02}T06:00:00Z",
                    1 + number / 28 % 12,
                    1 + number % 28
                ),
                _ => line.to_owned(),
            })
            .collect();
        std::fs::write(folder.join("scan.toml"), lines.join("\n")).unwrap();
    }
    let products = root.join("products");
    std::fs::create_dir_all(&products).unwrap();
    write_product(&products.join("lobes.toml"), &scenario.product()).unwrap();
    let calibration = scenario.calibration();
    let folder = root.join("calibration/scanners").join(&calibration.scanner);
    std::fs::create_dir_all(&folder).unwrap();
    write_calibration(&folder.join("2026-01-01.toml"), &calibration).unwrap();
}
