//! How near `measure` comes to the truth of simulated recordings: a table for people.
//!
//! `cargo bench --bench accuracy -- [SCENARIO] [--camera DEG] [--seeds N] [--length MM] [--pitch MM] [--pieces] [--apex MM] [--two-views]`

use std::time::Instant;

use weighlight::calibration::CameraSide;
use weighlight::pipeline::{MeasuredRecording, Plan, measure_recording};
use weighlight::scan::{read_archive, write_scan_views};
use weighlight::simulate::{
    SCENARIOS, Scenario, SecondViewModel, Spread, TruthPiece, score, simulate,
};
use weighlight::tables::PieceRecord;

struct Options {
    scenarios: Vec<String>,
    camera_deg: Option<f64>,
    high_side: bool,
    apex_mm: Option<f64>,
    apex_unknown: bool,
    two_views: bool,
    seeds: u64,
    length_mm: Option<f64>,
    pitch_mm: Option<f64>,
    pieces: bool,
    uncalibrated: bool,
}

fn options() -> Options {
    let mut options = Options {
        scenarios: Vec::new(),
        camera_deg: None,
        high_side: false,
        apex_mm: None,
        apex_unknown: false,
        two_views: false,
        seeds: 3,
        length_mm: None,
        pitch_mm: None,
        pieces: false,
        uncalibrated: false,
    };
    let mut arguments = std::env::args().skip(1);
    while let Some(argument) = arguments.next() {
        let mut number = || arguments.next().and_then(|text| text.parse::<f64>().ok());
        match argument.as_str() {
            "--camera" => options.camera_deg = number(),
            "--seeds" => options.seeds = number().unwrap_or(3.0) as u64,
            "--length" => options.length_mm = number(),
            "--pitch" => options.pitch_mm = number(),
            "--pieces" => options.pieces = true,
            "--apex" => options.apex_mm = number(),
            "--apex-unknown" => options.apex_unknown = true,
            "--two-views" => options.two_views = true,
            "--high-side" => options.high_side = true,
            "--uncalibrated" => options.uncalibrated = true,
            name if SCENARIOS.contains(&name) => options.scenarios.push(name.to_string()),
            _ => {}
        }
    }
    if options.scenarios.is_empty() {
        options.scenarios = SCENARIOS.map(str::to_string).to_vec();
    }
    options
}

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let options = options();
    println!(
        "{:<14}{:>7}{:>7}{:>6} | {:>9}{:>8}{:>8} | {:>9}{:>8} | {:>9}{:>8} | {:>9}{:>8} | {:>6}{:>6} {:>7}",
        "scenario",
        "pieces",
        "missed",
        "extra",
        "volume %",
        "sd",
        "worst",
        "area %",
        "worst",
        "length mm",
        "worst",
        "fat pt",
        "worst",
        "V e/u",
        "m e/u",
        "s"
    );
    for name in &options.scenarios {
        run(name, &options)?;
    }
    Ok(())
}

fn run(name: &str, options: &Options) -> Result<(), Box<dyn std::error::Error>> {
    let mut pairs: Vec<(PieceRecord, TruthPiece, weighlight::simulate::Match)> = Vec::new();
    let (mut missed, mut extra, mut seconds) = (0, 0, 0.0);
    for seed in 1..=options.seeds {
        let scenario = scenario(name, options)?;
        let simulated = simulate(&scenario, seed)?;
        let folder = tempfile::tempdir()?;
        for frame in &simulated.frames {
            let place = folder.path().join(&frame.description.id);
            write_scan_views(
                &place,
                &frame.description,
                &frame.height,
                &frame.views,
                frame.colour.as_ref(),
                None,
            )?;
        }
        let archive = read_archive(&[folder.path().to_path_buf()])?;
        let product = scenario.product();
        let mut calibration = scenario.calibration();
        if options.apex_unknown {
            calibration.laser = None;
        }
        let plan = Plan {
            product: &product,
            calibration: (!options.uncalibrated).then_some(&calibration),
            keep_views: false,
        };
        let start = Instant::now();
        let mut records = Vec::new();
        for recording in &archive.recordings {
            let (measured, _) = measure_recording(recording, &plan, &mut |_, _| Ok(()))?;
            let MeasuredRecording { pieces, .. } = measured;
            records.extend(pieces.into_iter().map(|piece| piece.record));
        }
        seconds += start.elapsed().as_secs_f64();
        let found = score(&records, &simulated.truth, 15.0)?;
        if options.pieces {
            for &index in &found.missed {
                println!("  seed {seed} missed {:?}", simulated.truth[index]);
            }
            for &index in &found.extra {
                let r = &records[index];
                println!(
                    "  seed {seed} extra at {:.0},{:.0} area {:.1} flags {:?}",
                    r.x_mm, r.y_mm, r.area_cm2, r.flags
                );
            }
        }
        missed += found.missed.len();
        extra += found.extra.len();
        for pair in &found.matches {
            pairs.push((
                records[pair.record].clone(),
                simulated.truth[pair.truth].clone(),
                *pair,
            ));
        }
    }
    if options.pieces {
        for (record, truth, pair) in &pairs {
            let budget: Vec<String> = record
                .budget
                .iter()
                .map(|part| {
                    format!(
                        "{} {:.3}",
                        part.source,
                        part.volume_u_cm3 / record.volume_cm3 * 100.0
                    )
                })
                .collect();
            println!(
                "  {:<12} {:>5.0},{:>5.0} yaw {:>6.0} V {:>6.1} h {:>5.1} err {:>7.3} % (u {:.3} %) area {:>6.2} % L {:>5.2} W {:>5.2} fat {:>6.2} filled {:.3} {:?} budget % {}",
                truth.kind,
                truth.x_mm,
                truth.y_mm,
                truth.yaw_mrad,
                truth.volume_cm3,
                truth.max_height_mm,
                pair.volume * 100.0,
                record.volume_u_cm3 / record.volume_cm3 * 100.0,
                pair.area * 100.0,
                record.length_mm - truth.length_mm,
                record.width_mm - truth.width_mm,
                pair.fat.unwrap_or(f64::NAN) * 100.0,
                record.filled_fraction,
                record.flags,
                budget.join(", "),
            );
        }
    }
    // Pieces that reach over an end are not whole.
    let whole = || {
        pairs.iter().filter(|(record, _, _)| {
            !record.flags.iter().any(|f| {
                matches!(
                    f,
                    weighlight::tables::Flag::Cut | weighlight::tables::Flag::Edge
                )
            })
        })
    };
    let spread = |of: &dyn Fn(&(PieceRecord, TruthPiece, weighlight::simulate::Match)) -> f64| {
        Spread::of(whole().map(of))
    };
    let volume = spread(&|p| p.2.volume * 100.0);
    let area = spread(&|p| p.2.area * 100.0);
    let length = spread(&|p| p.0.length_mm - p.1.length_mm);
    let fat = Spread::of(whole().filter_map(|p| p.2.fat.map(|fat| fat * 100.0)));
    let normal = Spread::of(whole().filter_map(|p| p.2.volume_normalised));
    let mass = Spread::of(whole().filter_map(|p| p.2.mass_normalised));
    println!(
        "{name:<14}{:>7}{missed:>7}{extra:>6} | {:>9.3}{:>8.3}{:>8.3} | {:>9.3}{:>8.3} | {:>9.3}{:>8.3} | {:>9.3}{:>8.3} | {:>6.2}{:>6.2} {:>7.2}",
        volume.count,
        volume.mean,
        volume.sd,
        volume.worst,
        area.mean,
        area.worst,
        length.mean,
        length.worst,
        fat.mean,
        fat.worst,
        normal.sd,
        mass.sd,
        seconds,
    );
    Ok(())
}

fn scenario(name: &str, options: &Options) -> Result<Scenario, String> {
    let mut scenario = Scenario::named(name).ok_or_else(|| format!("no scenario {name}"))?;
    if let (Some(angle_deg), Some(camera)) = (options.camera_deg, &mut scenario.scanner.camera) {
        camera.angle_deg = angle_deg;
    }
    if let (true, Some(camera)) = (options.high_side, &mut scenario.scanner.camera) {
        camera.side = CameraSide::HighY;
    }
    scenario.scanner.laser_apex_mm = options.apex_mm.or(scenario.scanner.laser_apex_mm);
    if options.two_views {
        scenario.scanner.second_view = Some(SecondViewModel { offset_mm: 0.07 });
    }
    if let Some(length_mm) = options.length_mm {
        scenario.length_mm = length_mm;
    }
    if let Some(pitch_mm) = options.pitch_mm {
        scenario.scanner.pitch_across_mm = pitch_mm;
        scenario.scanner.pitch_along_mm = pitch_mm;
    }
    Ok(scenario)
}
