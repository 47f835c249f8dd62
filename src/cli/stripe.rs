//! The triangulation of stripe scanners in `weighlight calibrate`.

use std::io::Write;
use std::path::PathBuf;

use clap::Args;
use weighlight::calibration::{Calibration, Target};
use weighlight::drift::{NominalCamera, TriangulationFit, calibrate_stripes};
use weighlight::scan::{HeightKind, Scan, read_scan};
use weighlight::{Error, ErrorKind, Result};

use super::output;

/// Where the triangulation's fit starts; without these, at the baseline's own triangulation.
#[derive(Debug, Args)]
#[command(next_help_heading = "Stripe scanners: the camera as it is drawn")]
pub(crate) struct StripeArguments {
    /// Focal length over pixel size, px
    #[arg(long, value_name = "PX", requires_all = ["centre_px", "camera_distance_mm", "camera_angle_deg", "camera_x_mm"], value_parser = positive)]
    focal_px: Option<f64>,
    /// Column and row where the optical axis meets the sensor, px
    #[arg(long, value_name = "COLUMN,ROW", value_parser = pair, requires = "focal_px")]
    centre_px: Option<[f64; 2]>,
    /// From the camera to the point of the belt on its axis, mm
    #[arg(long, value_name = "MM", requires = "focal_px", value_parser = positive)]
    camera_distance_mm: Option<f64>,
    /// Between the camera's axis and the upright laser plane, degrees
    #[arg(long, value_name = "DEG", requires = "focal_px", value_parser = positive)]
    camera_angle_deg: Option<f64>,
    /// Place across, from the frame's left edge, of the point of the belt on the camera's axis, mm
    #[arg(long, value_name = "MM", requires = "focal_px", allow_negative_numbers = true, value_parser = place)]
    camera_x_mm: Option<f64>,
    /// Sensor columns run against x
    #[arg(long, requires = "focal_px")]
    mirrored: bool,
    /// Sensor rows grow with height
    #[arg(long, requires = "focal_px")]
    upside_down: bool,
}

fn positive(text: &str) -> std::result::Result<f64, String> {
    output::number_in(text, 1e-3..=1e7, "a number above 0")
}

fn place(text: &str) -> std::result::Result<f64, String> {
    output::number_in(text, -1e5..=1e5, "-100000 to 100000 mm")
}

fn pair(text: &str) -> std::result::Result<[f64; 2], String> {
    let (column, row) = text.split_once(',').ok_or("expected COLUMN,ROW")?;
    let number = |text: &str| output::number_in(text.trim(), -1e6..=1e6, "COLUMN,ROW in pixels");
    Ok([number(column)?, number(row)?])
}

impl StripeArguments {
    /// The triangulation fitted to the scans; `None` for range scans.
    ///
    /// # Errors
    /// Scans of both kinds, no start, or as [`calibrate_stripes`].
    pub(crate) fn fit(
        &self,
        folders: &[PathBuf],
        target: &Target,
        baseline: Option<&Calibration>,
    ) -> Result<Option<TriangulationFit>> {
        let scans: Vec<Scan> = folders
            .iter()
            .map(|folder| read_scan(folder))
            .collect::<Result<_>>()?;
        let stripes = |scan: &&Scan| scan.description.height.kind == HeightKind::Stripe;
        match scans.iter().filter(stripes).count() {
            0 => return Ok(None),
            count if count < scans.len() => {
                return Err(Error::new(
                    ErrorKind::Mismatch,
                    format!("{count} of {} scans hold stripe rows", scans.len()),
                )
                .key("height.kind")
                .expected("expected scans of one kind"));
            }
            _ => {}
        }
        let drawn = self.camera().map(|camera| camera.triangulation());
        let start = match (drawn, baseline.and_then(|baseline| baseline.triangulation)) {
            (Some(drawn), _) => drawn?,
            (None, Some(known)) => known,
            (None, None) => {
                return Err(Error::new(
                    ErrorKind::Mismatch,
                    "stripe scans, and no triangulation to start from",
                )
                .key("--focal-px")
                .expected("expected the camera as it is drawn (--focal-px and so on), or --baseline with a [triangulation]"));
            }
        };
        calibrate_stripes(&scans, target, &start).map(Some)
    }

    fn camera(&self) -> Option<NominalCamera> {
        Some(NominalCamera {
            focal_px: self.focal_px?,
            centre_px: self.centre_px?,
            distance_mm: self.camera_distance_mm?,
            angle_deg: self.camera_angle_deg?,
            x_mm: self.camera_x_mm?,
            mirrored: self.mirrored,
            upside_down: self.upside_down,
        })
    }
}

/// The fit, for people.
pub(super) fn text(to: &mut dyn Write, fit: &TriangulationFit) -> std::io::Result<()> {
    writeln!(
        to,
        "  triangulation: k1 {:.4}, k2 {:.4}; {} stripe samples lie {:.3} mm (rms) from the target; x known to {:.3}, z to \
         {:.3} mm (k = 1)",
        fit.triangulation.k1,
        fit.triangulation.k2,
        fit.samples,
        fit.residual_rms_mm,
        fit.field_u_mm[0],
        fit.field_u_mm[1]
    )?;
    fit.findings
        .iter()
        .try_for_each(|finding| writeln!(to, "  - {finding}"))
}
