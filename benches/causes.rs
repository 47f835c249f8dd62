//! How often causes are named rightly, and whether their intervals hold: `cargo bench --bench causes -- [options]`.
//!
//! `--days N` (200), `--pieces N` (500), `--noise F` (0.01), `--height-sd MM` (4), `--seed N` (1), `--list`.

#[path = "../tests/agreement/generator.rs"]
#[allow(dead_code)]
mod generator;

use std::time::Instant;

use generator::{Day, Fault};
use weighlight::agreement::causes::{Cause, CauseSettings, Size, find_causes};

/// A fault, its size in the unit of the cause, and what is to be named.
struct Case {
    name: &'static str,
    faults: Vec<Fault>,
    size: f64,
    is_named: fn(&Cause) -> bool,
}

fn cases() -> Vec<Case> {
    let case = |name, fault, size, is_named| Case {
        name,
        faults: vec![fault],
        size,
        is_named,
    };
    let volume = |it: &Cause| *it == Cause::DensityOrScale;
    let fat = |it: &Cause| matches!(it, Cause::Class { class } if class == "fat");
    let lean = |it: &Cause| matches!(it, Cause::Class { class } if class == "lean");
    let belt = |it: &Cause| *it == Cause::BeltHeight;
    let lane = |it: &Cause| *it == Cause::Lane { lane: 3 };
    let step = |it: &Cause| matches!(it, Cause::Step { .. });
    let warm = |it: &Cause| matches!(it, Cause::WarmUp { .. });
    vec![
        case("density +1 %", Fault::Density(0.01), 1.0, volume),
        case("density -1 %", Fault::Density(-0.01), -1.0, volume),
        case("fat density +5 %", Fault::FatDensity(0.05), 5.0, fat),
        case("fat density -5 %", Fault::FatDensity(-0.05), -5.0, fat),
        case("belt +0.3 mm", Fault::BeltMm(0.3), 0.3, belt),
        case("belt -0.3 mm", Fault::BeltMm(-0.3), -0.3, belt),
        case("lane 3 +1 %", Fault::Lane(3, 0.01), 1.0, lane),
        case("drift +1 %", Fault::Drift(0.01), 1.0, |it| {
            *it == Cause::Drift
        }),
        case("step +1 % at noon", Fault::Step(0.5, 0.01), 1.0, step),
        // Beyond what must be reached.
        case("lean density +2 %", Fault::LeanDensity(0.02), 2.0, lean),
        case("fixed 2 g", Fault::FixedG(2.0), 2.0, |it| {
            *it == Cause::FixedMass
        }),
        case("warming up +3 %", Fault::WarmUp(0.03), 3.0, warm),
        case("touching +2 %", Fault::Touching(0.02), 2.0, |it| {
            *it == Cause::Touching
        }),
    ]
}

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
    let days = number("--days", 200.0) as u64;
    let first = number("--seed", 1.0) as u64;
    let list = arguments.iter().any(|a| a == "--list");
    let day = |faults: &[Fault]| Day {
        pieces: number("--pieces", 500.0) as usize,
        noise: number("--noise", 0.01),
        height_sd_mm: number("--height-sd", 4.0),
        ..Day::of(faults)
    };
    let start = Instant::now();
    println!(
        "{days} days each; leading: named first and alone; named: leading, or said to be confounded with the one that leads"
    );
    println!(
        "fault               leading    named   others in the set   size in interval   more causes named"
    );
    let percent = |count: u64| 100.0 * count as f64 / days as f64;
    for case in cases() {
        let (mut leading, mut named, mut covered, mut more, mut others) = (0, 0, 0, 0, 0);
        for seed in first..first + days {
            let report = find_causes(&day(&case.faults).pairs(seed), &CauseSettings::default())
                .expect("a day");
            more += u64::from(report.named.len() > 1);
            let Some(it) = report.named.first() else {
                continue;
            };
            let alone = report.named.len() == 1;
            let holds = |size: &Size| size.value.holds(case.size);
            others += it.confounded_with.len();
            let in_set = it
                .confounded_with
                .iter()
                .find(|other| (case.is_named)(&other.cause));
            if alone && (case.is_named)(&it.cause) {
                leading += 1;
                named += 1;
                covered += u64::from(holds(&it.size));
            } else if let Some(other) = in_set.filter(|_| alone) {
                named += 1;
                covered += u64::from(holds(&other.size));
            } else if list {
                println!("  {} seed {seed}: {:?}", case.name, report.named);
            }
        }
        println!(
            "{:<18} {:>6.1} % {:>6.1} %   {:>17.2} {:>16.1} % {:>17.1} %",
            case.name,
            percent(leading),
            percent(named),
            others as f64 / days as f64,
            100.0 * covered as f64 / named.max(1) as f64,
            percent(more),
        );
    }
    let clean = (first..first + 2 * days)
        .filter(|seed| {
            let report =
                find_causes(&day(&[]).pairs(*seed), &CauseSettings::default()).expect("a day");
            if list && !report.named.is_empty() {
                println!("  clean seed {seed}: {:?}", report.named);
            }
            report.named.is_empty()
        })
        .count() as u64;
    println!(
        "clean: no cause named on {:.1} % of {} days",
        50.0 * clean as f64 / days as f64,
        2 * days
    );
    println!("{:.1} s", start.elapsed().as_secs_f64());
}
