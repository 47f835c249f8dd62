//! What the simulated scanner and its belt are like.

use crate::calibration::{Camera, ColourCamera, GeometricErrors, Registration};
use crate::error::{Error, ErrorKind, Result};

/// The belt's own form and look.
#[derive(Debug, Clone, PartialEq)]
pub struct BeltModel {
    /// Slope across, mrad.
    pub tilt_across_mrad: f64,
    /// Slope along about the recording's middle, mrad.
    pub tilt_along_mrad: f64,
    /// Height at the sides relative to the middle, mm.
    pub bow_mm: f64,
    /// Amplitude of the ripple along the belt, mm.
    pub ripple_mm: f64,
    /// Its wavelength, mm.
    pub ripple_wavelength_mm: f64,
    /// Its phase at y = 0, radians.
    pub ripple_phase_rad: f64,
    /// How much the phase turns from the left side to the right, radians.
    pub ripple_skew_rad: f64,
    /// Open mesh: no return from the holes.
    pub mesh: Option<BeltMesh>,
    /// Colour, CIELAB.
    pub lab: [f64; 3],
    /// Relative spread of its brightness, in linear light.
    pub texture: f64,
}

/// Square holes in a belt.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct BeltMesh {
    /// Distance between holes, mm.
    pub pitch_mm: f64,
    /// Side of a hole, mm.
    pub hole_mm: f64,
}

impl BeltModel {
    /// Height of the bare belt at (x, y) with the frame's middle at `centre` and half its width, mm.
    ///
    /// The ripple's amplitude varies by a fifth across the belt.
    pub fn height_mm(&self, x_mm: f64, y_mm: f64, centre: [f64; 2], half_width_mm: f64) -> f64 {
        let s = (x_mm - centre[0]) / half_width_mm;
        let mut z = 1e-3 * self.tilt_across_mrad * (x_mm - centre[0])
            + 1e-3 * self.tilt_along_mrad * (y_mm - centre[1])
            + self.bow_mm * s * s;
        if self.ripple_mm != 0.0 {
            let phase = std::f64::consts::TAU * y_mm / self.ripple_wavelength_mm
                + self.ripple_phase_rad
                + 0.5 * self.ripple_skew_rad * s;
            z += self.ripple_mm * (1.0 + 0.2 * s) / 1.2 * phase.sin();
        }
        z
    }

    /// Whether (x, y) is over a hole.
    pub(super) fn is_hole(&self, x_mm: f64, y_mm: f64) -> bool {
        self.mesh.is_some_and(|mesh| {
            x_mm.rem_euclid(mesh.pitch_mm) < mesh.hole_mm
                && y_mm.rem_euclid(mesh.pitch_mm) < mesh.hole_mm
        })
    }
}

/// The colour camera.
#[derive(Debug, Clone, PartialEq)]
pub struct ColourModel {
    /// Pixel pitch across, mm.
    pub pitch_across_mm: f64,
    /// Pixel pitch along, mm.
    pub pitch_along_mm: f64,
    /// Outer corner of the first pixel relative to the height frame's, mm.
    pub origin_across_mm: f64,
    /// As above, along, mm.
    pub origin_along_mm: f64,
    /// How far the colour frame lies beside its nominal place.
    pub registration: Registration,
    /// Loss of light at the belt's sides, in linear light; grows with the square of the distance from the middle.
    pub vignetting: f64,
    /// What the camera makes of linear RGB, before vignetting.
    pub response: [[f64; 3]; 3],
    /// Spread of the blur, pixels.
    pub blur_px: f64,
    /// White noise on the encoded values, counts of 255.
    pub noise_counts: f64,
    /// Darkening of slopes: the light is `1 − shading·(1 − n_z)`.
    pub shading: f64,
    /// Share of the glossy surface under wet highlights, about.
    pub gloss_fraction: f64,
    /// Where it stands; `None`: it sees every height from straight above.
    pub camera: Option<ColourCamera>,
}

/// A second camera, on the other side of the laser at the same angle.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SecondViewModel {
    /// How much higher it sees everything, mm.
    pub offset_mm: f64,
}

/// A simulated scanner.
#[derive(Debug, Clone, PartialEq)]
pub struct ScannerModel {
    /// Its name.
    pub name: String,
    /// Scanned width, mm.
    pub width_mm: f64,
    /// Column pitch, mm.
    pub pitch_across_mm: f64,
    /// Row pitch, mm.
    pub pitch_along_mm: f64,
    /// mm per count.
    pub scale_mm: f64,
    /// mm at count 0.
    pub offset_mm: f64,
    /// White noise of a sample, mm.
    pub noise_mm: f64,
    /// Noise shared by neighbours across, mm.
    pub correlated_noise_mm: f64,
    /// Distance over which it falls to 1/e, mm.
    pub correlation_mm: f64,
    /// Share of samples lost at random.
    pub dropout_fraction: f64,
    /// Share of samples that fly off anywhere up to `spike_height_mm` above the belt.
    pub spike_fraction: f64,
    /// Highest spike, mm.
    pub spike_height_mm: f64,
    /// Share of the samples at edges of more than 2 mm that land between top and bottom.
    pub mixed_fraction: f64,
    /// The camera: where shadows fall. `None` or 0°: none.
    pub camera: Option<Camera>,
    /// A second camera on the other side of the laser; `None`: there is none.
    pub second_view: Option<SecondViewModel>,
    /// Height of the laser's apex over the middle of the belt, mm; `None`: light from straight above.
    pub laser_apex_mm: Option<f64>,
    /// What the instrument does to the truth.
    pub errors: GeometricErrors,
    /// The belt.
    pub belt: BeltModel,
    /// The colour camera.
    pub colour: Option<ColourModel>,
}

/// Most samples of one simulated recording.
const MOST_SAMPLES: f64 = 4e8;

impl ScannerModel {
    /// Number of columns.
    pub fn columns(&self) -> usize {
        (self.width_mm / self.pitch_across_mm).round() as usize
    }

    /// Width of the height frame, mm.
    pub(super) fn frame_width_mm(&self) -> f64 {
        self.columns() as f64 * self.pitch_across_mm
    }

    /// Whether the numbers make sense, and `length_mm` of belt can be held in memory.
    ///
    /// # Errors
    /// [`ErrorKind::Mismatch`] naming the value at fault.
    pub fn check(&self, length_mm: f64) -> Result<()> {
        let mut positive = vec![
            ("width_mm", self.width_mm),
            ("pitch_across_mm", self.pitch_across_mm),
            ("pitch_along_mm", self.pitch_along_mm),
            ("scale_mm", self.scale_mm),
            ("length_mm", length_mm),
        ];
        let mut shares = vec![
            ("dropout_fraction", self.dropout_fraction),
            ("spike_fraction", self.spike_fraction),
            ("mixed_fraction", self.mixed_fraction),
        ];
        let mut spreads = vec![
            ("noise_mm", self.noise_mm),
            ("correlated_noise_mm", self.correlated_noise_mm),
            ("spike_height_mm", self.spike_height_mm),
        ];
        if self.correlated_noise_mm > 0.0 {
            positive.push(("correlation_mm", self.correlation_mm));
        }
        if self.belt.ripple_mm != 0.0 {
            positive.push(("ripple_wavelength_mm", self.belt.ripple_wavelength_mm));
        }
        if let Some(mesh) = self.belt.mesh {
            positive.extend([
                ("mesh.pitch_mm", mesh.pitch_mm),
                ("mesh.hole_mm", mesh.hole_mm),
            ]);
        }
        if let Some(apex) = self.laser_apex_mm {
            positive.push(("laser_apex_mm", apex));
        }
        for (key, value) in [
            ("across_scale", self.errors.across_scale),
            ("along_scale", self.errors.along_scale),
            ("height_scale", self.errors.height_scale),
        ] {
            positive.push((key, value));
        }
        let mut samples = self.width_mm / self.pitch_across_mm * length_mm / self.pitch_along_mm;
        if let Some(colour) = &self.colour {
            positive.extend([
                ("colour.pitch_across_mm", colour.pitch_across_mm),
                ("colour.pitch_along_mm", colour.pitch_along_mm),
            ]);
            shares.extend([
                ("colour.vignetting", colour.vignetting),
                ("colour.shading", colour.shading),
                ("colour.gloss_fraction", colour.gloss_fraction),
            ]);
            spreads.extend([
                ("colour.blur_px", colour.blur_px),
                ("colour.noise_counts", colour.noise_counts),
            ]);
            if let Some(camera) = colour.camera {
                positive.push(("colour.camera.height_mm", camera.height_mm));
            }
            samples +=
                3.0 * self.width_mm / colour.pitch_across_mm * length_mm / colour.pitch_along_mm;
        }
        let wrong = |key: &str, value: f64, expected: &str| {
            Err(Error::new(ErrorKind::Mismatch, format!("{value}"))
                .key(key)
                .expected(expected))
        };
        for (key, value) in positive {
            if !(value > 0.0 && value.is_finite()) {
                return wrong(key, value, "a number above 0");
            }
        }
        for (key, value) in shares {
            if !(0.0..1.0).contains(&value) {
                return wrong(key, value, "a share from 0 to below 1");
            }
        }
        for (key, value) in spreads {
            if !(value >= 0.0 && value.is_finite()) {
                return wrong(key, value, "0 or more");
            }
        }
        if let Some(camera) = self.camera
            && !(0.0..80.0).contains(&camera.angle_deg)
        {
            return wrong("angle_deg", camera.angle_deg, "0 to 80 degrees");
        }
        if self.columns() < 2 || length_mm < self.pitch_along_mm {
            return wrong(
                "width_mm",
                self.width_mm,
                "at least two columns and one row",
            );
        }
        if samples > MOST_SAMPLES {
            return wrong("length_mm", length_mm, "a recording of at most 4e8 samples");
        }
        Ok(())
    }
}
