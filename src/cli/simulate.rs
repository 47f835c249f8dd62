//! `weighlight simulate`.

use std::path::PathBuf;

use clap::Args;
use weighlight::calibration::{Camera, CameraSide, write_calibration};
use weighlight::product::write_product;
use weighlight::scan::write_scan;
use weighlight::simulate::{SCENARIOS, Scenario, SimulatedRecording, simulate_scene};
use weighlight::{Error, ErrorKind, Result};

use super::exit::Exit;
use super::output;

/// Makes a recording of invented pieces whose volume, mass and fat are known, as a scanner would have seen it.
///
/// Below DIR it writes one folder for each frame, the truth as truth.csv, the product profile in products/ and the
/// scanner's calibration in calibration/. The same scenario and seed always give the same bytes.
#[derive(Debug, Args)]
#[command(after_help = "\
Examples:
  weighlight simulate --list
  weighlight simulate lobes --out demo --seed 7
  weighlight simulate fillets --out demo --seed 7 --pieces 3 --camera-deg 0")]
pub(crate) struct Arguments {
    /// What to simulate (see --list)
    #[arg(required_unless_present = "list")]
    scenario: Option<String>,
    /// List the scenarios
    #[arg(long, conflicts_with_all = ["out", "scenario"])]
    list: bool,
    /// Folder to write
    #[arg(long, value_name = "DIR", required_unless_present = "list")]
    out: Option<PathBuf>,
    /// The number that decides all that is left to chance
    #[arg(long, value_name = "N", required_unless_present = "list")]
    seed: Option<u64>,
    /// Lay at most this many pieces
    #[arg(long, value_name = "N")]
    pieces: Option<usize>,
    /// Cut the recording into this many frames
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u32).range(1..))]
    frames: Option<u32>,
    /// Length of belt, mm
    #[arg(long, value_name = "MM")]
    length_mm: Option<f64>,
    /// Angle between camera and laser plane, degrees; 0 throws no shadow
    #[arg(long, value_name = "DEG")]
    camera_deg: Option<f64>,
    /// Noise of a height sample, mm
    #[arg(long, value_name = "MM")]
    noise_mm: Option<f64>,
}

pub(crate) fn run(arguments: &Arguments) -> Result<Exit> {
    let (Some(name), Some(out), Some(seed)) = (&arguments.scenario, &arguments.out, arguments.seed)
    else {
        output::to_stdout(|to| SCENARIOS.iter().try_for_each(|name| writeln!(to, "{name}")))?;
        return Ok(Exit::Done);
    };
    let scenario = scenario(arguments, name)?;
    let mut scene = scenario.scene(seed);
    if let Some(most) = arguments.pieces {
        scene.pieces.truncate(most);
    }
    let recording = simulate_scene(&scenario, &scene, seed)?;
    output::make_folder(out)?;
    for frame in &recording.frames {
        let folder = out.join(&frame.description.id);
        write_scan(
            &folder,
            &frame.description,
            &frame.height,
            frame.colour.as_ref(),
            None,
        )?;
    }
    write_truth(&out.join("truth.csv"), &recording)?;
    let products = out.join("products");
    output::make_folder(&products)?;
    write_product(
        &products.join(format!("{}.toml", scenario.name)),
        &scenario.product(),
    )?;
    let calibration = scenario.calibration();
    let folder = out
        .join("calibration")
        .join("scanners")
        .join(&calibration.scanner);
    output::make_folder(&folder)?;
    let day = calibration.valid_from.strftime("%Y-%m-%d").to_string();
    write_calibration(&folder.join(format!("{day}.toml")), &calibration)?;
    output::to_stdout(|to| {
        writeln!(
            to,
            "{}: {} pieces in {} frames of {}, seed {seed}",
            out.display(),
            recording.truth.len(),
            recording.frames.len(),
            scenario.name,
        )
    })?;
    Ok(Exit::Done)
}

fn scenario(arguments: &Arguments, name: &str) -> Result<Scenario> {
    let mut scenario = Scenario::named(name).ok_or_else(|| {
        Error::new(ErrorKind::Mismatch, format!("there is no scenario {name}"))
            .expected(format!("expected one of {}", SCENARIOS.join(", ")))
    })?;
    if let Some(length_mm) = arguments.length_mm {
        if !(10.0..=1e6).contains(&length_mm) {
            return Err(Error::new(ErrorKind::Mismatch, format!("{length_mm} mm"))
                .key("--length-mm")
                .expected("expected 10 to 1000000"));
        }
        scenario.length_mm = length_mm;
    }
    if let Some(frames) = arguments.frames {
        scenario.frame_rows = scenario.rows().div_ceil(frames as usize).max(1);
    }
    if let Some(angle_deg) = arguments.camera_deg {
        let side = scenario
            .scanner
            .camera
            .map_or(CameraSide::LowY, |camera| camera.side);
        scenario.scanner.camera = Some(Camera { side, angle_deg });
    }
    if let Some(noise_mm) = arguments.noise_mm {
        scenario.scanner.noise_mm = noise_mm;
    }
    Ok(scenario)
}

fn write_truth(path: &std::path::Path, recording: &SimulatedRecording) -> Result<()> {
    output::to_file(path, |to| {
        let mut writer = csv::Writer::from_writer(to);
        for piece in &recording.truth {
            writer.serialize(piece).map_err(std::io::Error::other)?;
        }
        writer.flush()
    })
}
