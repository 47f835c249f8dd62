//! The options of `weighlight simulate target`: which target, and where it lies.

use std::path::{Path, PathBuf};

use clap::Args;
use weighlight::calibration::{GeometricErrors, Target, read_target};
use weighlight::simulate::{Scenario, Scene, target_scenario, target_scene};
use weighlight::{Error, ErrorKind, Result};

use super::output;

/// Where a reference target lies.
#[derive(Debug, Args)]
#[command(next_help_heading = "Scenario \"target\"")]
pub(crate) struct TargetArguments {
    /// The target's file
    #[arg(long, value_name = "FILE")]
    target: Option<PathBuf>,
    /// Turn of the target, degrees
    #[arg(long, value_name = "DEG", allow_negative_numbers = true, value_parser = turn)]
    yaw_deg: Option<f64>,
    /// Place of the target's middle across the belt, mm [default: the belt's middle]
    #[arg(long, value_name = "MM", allow_negative_numbers = true, value_parser = place)]
    x_mm: Option<f64>,
    /// Place of the target's middle along the belt, mm [default: the recording's middle]
    #[arg(long, value_name = "MM", allow_negative_numbers = true, value_parser = place)]
    y_mm: Option<f64>,
}

fn turn(text: &str) -> std::result::Result<f64, String> {
    output::number_in(text, -360.0..=360.0, "-360 to 360 degrees")
}

fn place(text: &str) -> std::result::Result<f64, String> {
    output::number_in(text, -1e4..=1e5, "-10000 to 100000 mm")
}

impl TargetArguments {
    /// The target.
    pub(crate) fn read(&self) -> Result<Target> {
        match &self.target {
            Some(path) => read_target(path),
            None => Err(Error::new(ErrorKind::Mismatch, "no target is given")
                .key("--target")
                .expected(
                    "expected a target's file, such as calibration/targets/plate-420x260.toml",
                )),
        }
    }

    /// Other scenarios know no target.
    pub(crate) fn refuse(&self) -> Result<()> {
        let given = [
            ("--target", self.target.is_some()),
            ("--yaw-deg", self.yaw_deg.is_some()),
            ("--x-mm", self.x_mm.is_some()),
            ("--y-mm", self.y_mm.is_some()),
        ];
        match given.iter().find(|(_, given)| *given) {
            None => Ok(()),
            Some((name, _)) => Err(Error::new(
                ErrorKind::Mismatch,
                "only the scenario target takes this option",
            )
            .key(*name)
            .expected("expected it left out, or the scenario target")),
        }
    }

    fn yaw_mrad(&self) -> f64 {
        1e3 * self.yaw_deg.unwrap_or(0.0).to_radians()
    }

    pub(crate) fn scenario(&self, target: &Target) -> Scenario {
        target_scenario(target, self.yaw_mrad())
    }

    /// The target on the scenario's belt.
    pub(crate) fn lay(&self, target: &Target, scenario: &Scenario, seed: u64) -> (Scene, Place) {
        let middle_mm = [
            self.x_mm.unwrap_or(0.5 * scenario.scanner.width_mm),
            self.y_mm.unwrap_or(0.5 * scenario.length_mm),
        ];
        let yaw_mrad = self.yaw_mrad();
        let (scene, corner_mm) = target_scene(target, middle_mm, yaw_mrad, seed);
        (
            scene,
            Place {
                corner_mm,
                yaw_mrad,
            },
        )
    }
}

/// Where the target truly lies.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Place {
    corner_mm: [f64; 2],
    yaw_mrad: f64,
}

impl Place {
    /// Writes what is true of the scanner and the target's place.
    pub(crate) fn write(&self, path: &Path, errors: &GeometricErrors) -> Result<()> {
        let rows = [
            ("across_scale", errors.across_scale),
            ("along_scale", errors.along_scale),
            ("height_scale", errors.height_scale),
            ("height_offset_mm", errors.height_offset_mm),
            ("roll_mrad", errors.roll_mrad),
            ("pitch_mrad", errors.pitch_mrad),
            ("bow_mm", errors.bow_mm),
            ("skew_mrad", errors.skew_mrad),
            ("lean_mrad", errors.lean_mrad),
            ("corner_x_mm", self.corner_mm[0]),
            ("corner_y_mm", self.corner_mm[1]),
            ("yaw_mrad", self.yaw_mrad),
        ];
        output::to_file(path, |to| {
            writeln!(to, "name,value")?;
            rows.iter()
                .try_for_each(|(name, value)| writeln!(to, "{name},{value}"))
        })
    }
}

/// One of the scanner's errors and the value it takes.
#[derive(Debug, Clone)]
pub(crate) struct ErrorValue {
    name: String,
    value: f64,
}

pub(crate) fn error_value(text: &str) -> std::result::Result<ErrorValue, String> {
    let (name, value) = text.split_once('=').ok_or("expected NAME=VALUE")?;
    let scale = name.ends_with("_scale");
    let value = match scale {
        true => output::number_in(value, 0.9..=1.1, "a scale from 0.9 to 1.1")?,
        false => output::number_in(value, -50.0..=50.0, "a number from -50 to 50")?,
    };
    let given = ErrorValue {
        name: name.to_owned(),
        value,
    };
    match given.slot(&mut GeometricErrors::NONE.clone()) {
        Some(_) => Ok(given),
        None => Err(format!(
            "there is no error {name}; expected one of across_scale, along_scale, height_scale, height_offset_mm, \
             roll_mrad, pitch_mrad, bow_mm, skew_mrad, lean_mrad"
        )),
    }
}

impl ErrorValue {
    pub(crate) fn set(&self, errors: &mut GeometricErrors) {
        if let Some(slot) = self.slot(errors) {
            *slot = self.value;
        }
    }

    fn slot<'a>(&self, errors: &'a mut GeometricErrors) -> Option<&'a mut f64> {
        Some(match self.name.as_str() {
            "across_scale" => &mut errors.across_scale,
            "along_scale" => &mut errors.along_scale,
            "height_scale" => &mut errors.height_scale,
            "height_offset_mm" => &mut errors.height_offset_mm,
            "roll_mrad" => &mut errors.roll_mrad,
            "pitch_mrad" => &mut errors.pitch_mrad,
            "bow_mm" => &mut errors.bow_mm,
            "skew_mrad" => &mut errors.skew_mrad,
            "lean_mrad" => &mut errors.lean_mrad,
            _ => return None,
        })
    }
}
