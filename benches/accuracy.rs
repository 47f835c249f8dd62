//! How near `measure` comes to the truth of simulated recordings: a table for people.
//!
//! `cargo bench --bench accuracy -- [SCENARIO] [--camera DEG] [--seeds N] [--length MM] [--pitch MM] [--pieces] [--apex MM] [--two-views]
//!  [--first-seed N] [--csv FILE] [--correlated MM]`
//!
//! A second table has the normalised errors, (estimate − truth) / standard uncertainty, over all scenarios asked for and within subsets:
//! - steep: much of the surface is steeper than 60° (the truth's word);
//! - flat: thin for its width (the truth's word);
//! - small: under 100 cm³ (the truth's word);
//! - shadowed: more than a twentieth of the footprint was reconstructed (flag `filled`).
//!
//! Pieces that were parted from a neighbour are left out of these and have a line of their own.
//!
//! Masses: the uncertainty of a mass holds that of the density, so each piece's true density is drawn from a normal distribution about the
//! profile's with its `density_u_rel`. Likewise the fat fraction's uncertainty holds that of the registration (0.1 cell along and across, where the calibration
//! states none): each recording's true one is drawn. `--csv` writes each piece's errors and budget.

use std::fmt::Write as _;
use std::time::Instant;

use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};
use weighlight::calibration::CameraSide;
use weighlight::pipeline::{MeasuredRecording, Plan, measure_recording};
use weighlight::scan::{read_archive, write_scan_views};
use weighlight::simulate::{
    Match, SCENARIOS, Scenario, SecondViewModel, Spread, TruthPiece, score, simulate,
};
use weighlight::tables::{Flag, PieceRecord};

struct Options {
    scenarios: Vec<String>,
    camera_deg: Option<f64>,
    high_side: bool,
    apex_mm: Option<f64>,
    apex_unknown: bool,
    two_views: bool,
    first_seed: u64,
    seeds: u64,
    csv: Option<String>,
    correlated_mm: Option<f64>,
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
        first_seed: 1,
        seeds: 3,
        csv: None,
        correlated_mm: None,
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
            "--csv" => options.csv = arguments.next(),
            "--first-seed" => options.first_seed = number().unwrap_or(1.0) as u64,
            "--correlated" => options.correlated_mm = number(),
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
    let mut all = Vec::new();
    for name in &options.scenarios {
        let pairs = run(name, &options)?;
        all.extend(pairs.into_iter().map(|pair| (name.clone(), pair)));
    }
    normalised(&all);
    if let Some(path) = &options.csv {
        std::fs::write(path, csv(&all))?;
    }
    Ok(())
}

type Pair = (PieceRecord, TruthPiece, Match);

fn has(record: &PieceRecord, flags: &[Flag]) -> bool {
    record.flags.iter().any(|flag| flags.contains(flag))
}

/// Whether a piece lies wholly in the recording.
fn is_whole(pair: &Pair) -> bool {
    !has(&pair.0, &[Flag::Cut, Flag::Edge])
}

/// Error of the mass over its uncertainty; the truth's density was drawn when the pair was made.
fn mass_normalised(pair: &Pair) -> Option<f64> {
    pair.2.mass_normalised
}

type Chosen = dyn Fn(&(String, Pair)) -> bool;

/// The table of normalised errors by scenario and subset.
fn normalised(all: &[(String, Pair)]) {
    println!(
        "\n{:<14}{:>7} | {:>8}{:>7}{:>7} | {:>8}{:>7}{:>7} | {:>6} {:>8}{:>7}{:>7} | {:>7}{:>7}{:>7}",
        "error / u",
        "pieces",
        "V: mean",
        "sd",
        "worst",
        "m: mean",
        "sd",
        "worst",
        "fats",
        "fat:mean",
        "sd",
        "worst",
        "area sd",
        "len sd",
        "wid sd"
    );
    let form = |word: &'static str| -> Box<Chosen> {
        Box::new(move |(_, pair)| pair.1.form.split(' ').any(|w| w == word))
    };
    let mut subsets: Vec<(String, Box<Chosen>)> = vec![
        ("all".into(), Box::new(|_| true)),
        ("steep".into(), form("steep")),
        ("flat".into(), form("flat")),
        ("small".into(), form("small")),
        (
            "shadowed".into(),
            Box::new(|(_, pair)| has(&pair.0, &[Flag::Filled])),
        ),
    ];
    for scenario in SCENARIOS {
        if all.iter().any(|(name, _)| name == scenario) {
            let chosen: Box<Chosen> = Box::new(move |(name, _)| name == scenario);
            subsets.push((scenario.into(), chosen));
        }
    }
    subsets.push(("touching".into(), Box::new(|_| true)));
    for (name, chosen) in subsets {
        let parted = |pair: &Pair| has(&pair.0, &[Flag::Touching]) == (name == "touching");
        let pieces: Vec<&Pair> = all
            .iter()
            .filter(|entry| is_whole(&entry.1) && parted(&entry.1) && chosen(entry))
            .map(|(_, pair)| pair)
            .collect();
        let spread = |of: &dyn Fn(&Pair) -> Option<f64>| {
            Spread::of(pieces.iter().filter_map(|pair| of(pair)))
        };
        let volume = spread(&|pair| pair.2.volume_normalised);
        let mass = spread(&mass_normalised);
        let fat = spread(&|pair| pair.2.fat_normalised);
        let area = spread(&|(r, t, _)| r.area_u_cm2.map(|u| (r.area_cm2 - t.area_cm2) / u));
        let length = spread(&|(r, t, _)| r.length_u_mm.map(|u| (r.length_mm - t.length_mm) / u));
        let width = spread(&|(r, t, _)| r.width_u_mm.map(|u| (r.width_mm - t.width_mm) / u));
        println!(
            "{name:<14}{:>7} | {:>8.2}{:>7.2}{:>7.1} | {:>8.2}{:>7.2}{:>7.1} | {:>6} {:>8.2}{:>7.2}{:>7.1} | {:>7.2}{:>7.2}{:>7.2}",
            pieces.len(),
            volume.mean,
            volume.sd,
            volume.worst,
            mass.mean,
            mass.sd,
            mass.worst,
            fat.count,
            fat.mean,
            fat.sd,
            fat.worst,
            area.sd,
            length.sd,
            width.sd,
        );
    }
}

/// Standard uncertainty of the registration that the budget of the fat fraction takes.
const REGISTRATION_U_CELLS: f64 = 0.1;
const VOLUME_PARTS: [&str; 7] = ["noise", "belt", "scale", "rim", "hidden", "gaps", "seam"];
const FAT_PARTS: [&str; 5] = ["outline", "border", "registration", "specks", "highlights"];

/// Every whole piece's errors and budget.
fn csv(all: &[(String, Pair)]) -> String {
    let mut text = String::from(
        "scenario,kind,form,flags,x,y,yaw,V,h,area,filled,eV,uV,fat,eF,uF,zm,eA,uA,eL,uL,eW,uW",
    );
    for part in VOLUME_PARTS.iter().chain(&FAT_PARTS) {
        let _ = write!(text, ",{part}");
    }
    text.push('\n');
    for (scenario, (r, t, m)) in all.iter().filter(|(_, pair)| is_whole(pair)) {
        let flags: Vec<&str> = r.flags.iter().map(|flag| flag.name()).collect();
        let nan = f64::NAN;
        let _ = write!(
            text,
            "{scenario},{},{},{},{:.1},{:.1},{:.1},{},{},{},{},{},{},{},{},{},{},{},{},{},{},{},{}",
            t.kind,
            t.form,
            flags.join(" "),
            t.x_mm,
            t.y_mm,
            t.yaw_mrad,
            t.volume_cm3,
            t.max_height_mm,
            t.area_cm2,
            r.filled_fraction,
            r.volume_cm3 - t.volume_cm3,
            r.volume_u_cm3,
            t.fat_fraction,
            m.fat.unwrap_or(nan),
            r.fat_u_fraction.unwrap_or(nan),
            m.mass_normalised.unwrap_or(nan),
            r.area_cm2 - t.area_cm2,
            r.area_u_cm2.unwrap_or(nan),
            r.length_mm - t.length_mm,
            r.length_u_mm.unwrap_or(nan),
            r.width_mm - t.width_mm,
            r.width_u_mm.unwrap_or(nan),
        );
        let part = |name: &str| r.budget.iter().find(|part| part.source == name);
        for name in VOLUME_PARTS {
            let _ = write!(text, ",{}", part(name).map_or(0.0, |p| p.volume_u_cm3));
        }
        for name in FAT_PARTS {
            let _ = write!(text, ",{}", part(name).map_or(0.0, |p| p.fat_u_fraction));
        }
        text.push('\n');
    }
    text
}

fn run(name: &str, options: &Options) -> Result<Vec<Pair>, Box<dyn std::error::Error>> {
    let mut pairs: Vec<Pair> = Vec::new();
    let (mut missed, mut extra, mut seconds) = (0, 0, 0.0);
    for seed in options.first_seed..options.first_seed + options.seeds {
        let scenario = scenario(name, options)?;
        let simulated = simulate(&with_drawn_registration(&scenario, seed), seed)?;
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
        let mut truth = simulated.truth.clone();
        draw_densities(&mut truth, product.weight.density_u_rel, seed);
        let found = score(&records, &truth, 15.0)?;
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
                truth[pair.truth].clone(),
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
    let whole = || pairs.iter().filter(|pair| is_whole(pair));
    let spread = |of: &dyn Fn(&Pair) -> f64| Spread::of(whole().map(of));
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
    Ok(pairs)
}

/// The scenario with its colour frame displaced by what its registration is uncertain.
fn with_drawn_registration(scenario: &Scenario, seed: u64) -> Scenario {
    let mut drawn = scenario.clone();
    let mut rng = ChaCha8Rng::seed_from_u64(seed ^ 0x5eed);
    let scanner = &mut drawn.scanner;
    let pitch_mm = [scanner.pitch_across_mm, scanner.pitch_along_mm];
    if let Some(colour) = &mut scanner.colour {
        let [dx, dy] = pitch_mm.map(|pitch_mm| {
            let normal: f64 = StandardNormal.sample(&mut rng);
            REGISTRATION_U_CELLS * pitch_mm * normal
        });
        colour.registration.dx_mm += dx;
        colour.registration.dy_mm += dy;
    }
    drawn
}

/// Gives each true piece the mass of a density drawn from what the profile says of it.
fn draw_densities(truth: &mut [TruthPiece], density_u_rel: f64, seed: u64) {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    for piece in truth {
        let normal: f64 = StandardNormal.sample(&mut rng);
        piece.mass_g *= 1.0 + density_u_rel * normal;
    }
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
    if let Some(correlated_mm) = options.correlated_mm {
        scenario.scanner.correlated_noise_mm = correlated_mm;
    }
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
