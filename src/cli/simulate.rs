//! `weighlight simulate`.

use std::path::{Path, PathBuf};

use clap::Args;
use weighlight::calibration::{Camera, CameraSide, write_calibration};
use weighlight::product::write_product;
use weighlight::scan::write_scan_views;
use weighlight::simulate::{
    SCENARIOS, Scenario, SecondViewModel, SimulatedRecording, TARGET_SCENARIO, simulate_scene,
};
use weighlight::{Error, ErrorKind, Result};

use super::exit::Exit;
use super::output;
use super::simulate_day::{DAY_SCENARIO, DayArguments};
use super::simulate_target::{ErrorValue, TargetArguments, error_value};

/// Makes a recording of invented pieces whose volume, mass and fat are known, as a scanner would have seen it.
///
/// Below DIR it writes one folder for each frame, the truth as truth.csv, the product profile in products/ and the
/// scanner's calibration in calibration/. The same scenario and seed always give the same bytes. The scenario "target" lays a
/// reference target on the belt instead; its truth.csv holds the scanner's errors and where the target lies. The scenario "day" makes
/// no scans, but the piece table of a day, a checkweigher's log, and which row of the one is of which of the other.
#[derive(Debug, Args)]
#[command(after_help = "\
Examples:
  weighlight simulate --list
  weighlight simulate lobes --out demo --seed 7
  weighlight simulate fillets --out demo --seed 7 --pieces 3 --camera-deg 0
  weighlight simulate target --target plate-420x260.toml --out demo --seed 7 --yaw-deg 12 --error along_scale=1.0011
  weighlight simulate day --out demo --seed 7 --fault density=0.012")]
pub(crate) struct Arguments {
    /// What to simulate (see --list)
    #[arg(required_unless_present = "list", value_parser = names(), hide_possible_values = true)]
    scenario: Option<String>,
    /// List the scenarios
    #[arg(long, conflicts_with_all = ["out", "scenario"])]
    list: bool,
    /// Folder to write; new or empty
    #[arg(long, value_name = "DIR", required_unless_present = "list")]
    out: Option<PathBuf>,
    /// The number that decides all that is left to chance
    #[arg(
        long,
        value_name = "N",
        required_unless_present = "list",
        allow_negative_numbers = true
    )]
    seed: Option<u64>,
    /// Lay at most this many pieces
    #[arg(long, value_name = "N")]
    pieces: Option<usize>,
    /// Cut the recording into this many frames
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u32).range(1..))]
    frames: Option<u32>,
    /// Length of belt, mm
    #[arg(long, value_name = "MM", allow_negative_numbers = true, value_parser = length)]
    length_mm: Option<f64>,
    /// Angle between camera and laser plane, degrees, 0 to below 80; 0 throws no shadow
    #[arg(long, value_name = "DEG", allow_negative_numbers = true, value_parser = angle)]
    camera_deg: Option<f64>,
    /// Add a second camera on the other side of the laser, at the same angle
    #[arg(long)]
    two_views: bool,
    /// Height of the laser's apex above the middle of the belt, mm, 100 to 10000; without it light falls straight down
    #[arg(long, value_name = "MM", allow_negative_numbers = true, value_parser = apex)]
    apex_mm: Option<f64>,
    /// Noise of a height sample, mm, 0 to 10
    #[arg(long, value_name = "MM", allow_negative_numbers = true, value_parser = noise)]
    noise_mm: Option<f64>,
    /// Make the scanner err by this (a name of the calibration's [errors]); the calibration keeps saying what was before
    #[arg(long, value_name = "NAME=VALUE", value_parser = error_value)]
    error: Vec<ErrorValue>,
    /// Time of the first row, RFC 3339
    #[arg(long, value_name = "TIME")]
    captured: Option<jiff::Timestamp>,
    #[command(flatten)]
    target: TargetArguments,
    #[command(flatten)]
    day: DayArguments,
}

fn names() -> clap::builder::PossibleValuesParser {
    SCENARIOS
        .into_iter()
        .chain([TARGET_SCENARIO, DAY_SCENARIO])
        .into()
}

fn length(text: &str) -> std::result::Result<f64, String> {
    output::number_in(text, 10.0..=1e5, "10 to 100000 mm")
}

fn angle(text: &str) -> std::result::Result<f64, String> {
    output::number_in(text, 0.0..80.0, "0 to below 80 degrees")
}

fn apex(text: &str) -> std::result::Result<f64, String> {
    output::number_in(text, 100.0..=10_000.0, "100 to 10000 mm")
}

fn noise(text: &str) -> std::result::Result<f64, String> {
    output::number_in(text, 0.0..=10.0, "0 to 10 mm")
}

pub(crate) fn run(arguments: &Arguments) -> Result<Exit> {
    let (Some(name), Some(out), Some(seed)) = (&arguments.scenario, &arguments.out, arguments.seed)
    else {
        let mut all = SCENARIOS.into_iter().chain([TARGET_SCENARIO, DAY_SCENARIO]);
        output::to_stdout(|to| all.try_for_each(|name| writeln!(to, "{name}")))?;
        return Ok(Exit::Done);
    };
    if name == DAY_SCENARIO {
        return run_day(arguments, out, seed);
    }
    arguments.day.refuse()?;
    let target = match name == TARGET_SCENARIO {
        true => Some(arguments.target.read()?),
        false => arguments.target.refuse().map(|()| None)?,
    };
    let start = match &target {
        Some(target) => arguments.target.scenario(target),
        None => Scenario::named(name).ok_or_else(|| {
            Error::new(ErrorKind::Mismatch, format!("there is no scenario {name}"))
                .expected(format!("expected one of {}", SCENARIOS.join(", ")))
        })?,
    };
    let mut scenario = adapted(arguments, start)?;
    let calibration = scenario.calibration();
    for error in &arguments.error {
        error.set(&mut scenario.scanner.errors);
    }
    // Before pieces are laid: on a belt that is far too long that alone takes very long.
    scenario.scanner.check(scenario.length_mm)?;
    free_folder(out)?;
    let (mut scene, place) = match &target {
        Some(target) => {
            let (scene, place) = arguments.target.lay(target, &scenario, seed);
            (scene, Some(place))
        }
        None => (scenario.scene(seed), None),
    };
    if let Some(most) = arguments.pieces {
        scene.pieces.truncate(most);
    }
    let recording = simulate_scene(&scenario, &scene, seed)?;
    for frame in &recording.frames {
        let folder = out.join(&frame.description.id);
        write_scan_views(
            &folder,
            &frame.description,
            &frame.height,
            &frame.views,
            frame.colour.as_ref(),
            None,
        )?;
    }
    let truth = out.join("truth.csv");
    match place {
        Some(place) => place.write(&truth, &scenario.scanner.errors)?,
        None => {
            write_truth(&truth, &recording)?;
            let products = out.join("products");
            output::make_folder(&products)?;
            let path = products.join(format!("{}.toml", scenario.name));
            write_product(&path, &scenario.product())?;
        }
    }
    let folder = out
        .join("calibration")
        .join("scanners")
        .join(&calibration.scanner);
    output::make_folder(&folder)?;
    let day = calibration.valid_from.strftime("%Y-%m-%d").to_string();
    write_calibration(&folder.join(format!("{day}.toml")), &calibration)?;
    output::to_stdout(|to| {
        let what = match &target {
            Some(target) => target.name.clone(),
            None => output::counted(recording.truth.len(), "piece"),
        };
        writeln!(
            to,
            "{}: {what} in {} of {}, seed {seed}",
            out.display(),
            output::counted(recording.frames.len(), "frame"),
            scenario.name,
        )
    })?;
    Ok(Exit::Done)
}

fn run_day(arguments: &Arguments, out: &Path, seed: u64) -> Result<Exit> {
    arguments.target.refuse()?;
    let given = [
        ("--frames", arguments.frames.is_some()),
        ("--length-mm", arguments.length_mm.is_some()),
        ("--camera-deg", arguments.camera_deg.is_some()),
        ("--two-views", arguments.two_views),
        ("--apex-mm", arguments.apex_mm.is_some()),
        ("--noise-mm", arguments.noise_mm.is_some()),
        ("--error", !arguments.error.is_empty()),
    ];
    if let Some((name, _)) = given.iter().find(|(_, given)| *given) {
        return Err(
            Error::new(ErrorKind::Mismatch, "the scenario day makes no scans")
                .key(*name)
                .expected("expected it left out"),
        );
    }
    free_folder(out)?;
    let (pieces, weighings) =
        arguments
            .day
            .write(out, seed, arguments.pieces, arguments.captured)?;
    output::to_stdout(|to| {
        writeln!(
            to,
            "{}: {} in pieces.csv, {} in weighings.csv, what belongs together in truth.csv, the profile in products, seed {seed}",
            out.display(),
            output::counted(pieces, "piece"),
            output::counted(weighings, "weighing"),
        )
    })?;
    Ok(Exit::Done)
}

/// Makes the folder, or sees that it is empty: frames left from before would join what is written now.
fn free_folder(folder: &Path) -> Result<()> {
    output::make_folder(folder)?;
    let mut entries = std::fs::read_dir(folder).map_err(|source| Error::io(folder, &source))?;
    match entries.next() {
        None => Ok(()),
        Some(_) => Err(Error::new(ErrorKind::Io, "the folder is not empty")
            .at(folder)
            .expected("expected a new or an empty folder")),
    }
}

/// The scenario as the options change it.
fn adapted(arguments: &Arguments, mut scenario: Scenario) -> Result<Scenario> {
    scenario.captured = arguments.captured.unwrap_or(scenario.captured);
    if let Some(length_mm) = arguments.length_mm {
        scenario.length_mm = length_mm;
        if scenario.name == TARGET_SCENARIO {
            scenario.frame_rows = scenario.rows().max(1);
        }
    }
    if let Some(frames) = arguments.frames {
        let rows = scenario.rows();
        if frames as usize > rows {
            return Err(Error::new(ErrorKind::Mismatch, frames.to_string())
                .key("--frames")
                .expected(format!("expected at most one for each of {rows} rows")));
        }
        scenario.frame_rows = rows.div_ceil(frames as usize).max(1);
    }
    if let Some(angle_deg) = arguments.camera_deg {
        let side = scenario
            .scanner
            .camera
            .map_or(CameraSide::LowY, |camera| camera.side);
        scenario.scanner.camera = Some(Camera { side, angle_deg });
    }
    if arguments.two_views {
        scenario.scanner.second_view = Some(SecondViewModel { offset_mm: 0.0 });
    }
    scenario.scanner.laser_apex_mm = arguments.apex_mm.or(scenario.scanner.laser_apex_mm);
    if let Some(noise_mm) = arguments.noise_mm {
        scenario.scanner.noise_mm = noise_mm;
    }
    Ok(scenario)
}

fn write_truth(path: &Path, recording: &SimulatedRecording) -> Result<()> {
    output::to_file(path, |to| {
        let mut writer = csv::Writer::from_writer(to);
        for piece in &recording.truth {
            writer.serialize(piece).map_err(std::io::Error::other)?;
        }
        writer.flush()
    })
}
