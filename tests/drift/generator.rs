//! Scans of a target made independently of the library: the scene is met by a ray for each sample, with the instrument's errors written
//! out anew from their definition in docs/formats.md and undone by fixed-point iteration.

use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};
use rayon::prelude::*;
use weighlight::calibration::{GeometricErrors, Target};
use weighlight::drift::{HeightField, TargetPose};

/// Something on the belt besides the target: a box.
#[derive(Debug, Clone, Copy)]
pub struct Block {
    pub x: [f64; 2],
    pub y: [f64; 2],
    pub height_mm: f64,
}

/// A scanner and what lies before it.
#[derive(Debug, Clone)]
pub struct Scene {
    pub columns: usize,
    pub rows: usize,
    pub pitch: [f64; 2],
    pub errors: GeometricErrors,
    /// Targets with their true sizes and places.
    pub targets: Vec<(Target, TargetPose)>,
    pub blocks: Vec<Block>,
    pub noise_mm: f64,
    pub dropout_fraction: f64,
    /// Camera at low y (1) or high y (-1) and its angle from upright, degrees; none casts no shadow.
    pub camera: Option<(f64, f64)>,
    /// Share of samples at upright steps that land in between.
    pub mixed_fraction: f64,
    /// How far the belt runs ahead and behind of its even pace, mm; the encoder record says so.
    pub uneven_mm: f64,
}

pub const COUNT_MM: f64 = 0.01;
pub const OFFSET_MM: f64 = -8.0;

impl Scene {
    pub fn width_mm(&self) -> f64 {
        self.columns as f64 * self.pitch[0]
    }

    pub fn length_mm(&self) -> f64 {
        self.rows as f64 * self.pitch[1]
    }

    /// Measured y of a row: what the encoder says.
    pub fn row_mm(&self, row: usize) -> f64 {
        (row as f64 + 0.5) * self.pitch[1] + self.uneven_mm * (0.05 * row as f64).sin()
    }

    /// The true surface.
    fn height(&self, x: f64, y: f64) -> f64 {
        let mut z: f64 = 0.0;
        for (target, pose) in &self.targets {
            let (s, c) = (pose.yaw_mrad / 1000.0).sin_cos();
            let (dx, dy) = (x - pose.x_mm, y - pose.y_mm);
            let (u, v) = (c * dx + s * dy, c * dy - s * dx);
            let plate = &target.plate;
            if u < 0.0 || v < 0.0 || plate.across_mm < u || plate.along_mm < v {
                continue;
            }
            let mut rise: f64 = 0.0;
            for f in &target.frustums {
                let away = f64::max((u - f.x_mm).abs(), (v - f.y_mm).abs());
                let run = (f.base_mm - f.top_mm) / 2.0;
                rise = rise.max((f.height_mm * (f.base_mm / 2.0 - away) / run).min(f.height_mm));
            }
            for t in &target.steps {
                if (u - t.x_mm).abs() * 2.0 < t.across_mm && (v - t.y_mm).abs() * 2.0 < t.along_mm {
                    rise = rise.max(t.height_mm);
                }
            }
            for b in &target.spheres {
                let under = b.radius_mm.powi(2) - (u - b.x_mm).powi(2) - (v - b.y_mm).powi(2);
                if 0.0 < under {
                    rise = rise.max(b.centre_height_mm + under.sqrt());
                }
            }
            z = z.max(plate.thickness_mm + rise);
        }
        for b in &self.blocks {
            if b.x[0] < x && x < b.x[1] && b.y[0] < y && y < b.y[1] {
                z = z.max(b.height_mm);
            }
        }
        z
    }

    fn tallest(&self) -> f64 {
        let targets = self.targets.iter().map(|(t, _)| t.top_mm());
        targets
            .chain(self.blocks.iter().map(|b| b.height_mm))
            .fold(0.0, f64::max)
    }

    /// The true point behind a sample: x follows at once; y and z by iteration from the highest thing downward, as light comes from above.
    fn point(&self, x_m: f64, y_m: f64) -> [f64; 3] {
        let e = &self.errors;
        let dx = (x_m - self.width_mm() / 2.0) / e.across_scale;
        let x = self.width_mm() / 2.0 + dx;
        let y_at =
            |z: f64| y_m / e.along_scale - e.skew_mrad / 1000.0 * dx - e.lean_mrad / 1000.0 * z;
        let mut z = self.tallest();
        for _ in 0..60 {
            let next = self.height(x, y_at(z));
            let change = next - z;
            z = next;
            if change.abs() < 1e-10 {
                break;
            }
        }
        [x, y_at(z), z]
    }

    fn hidden(&self, [x, y, z]: [f64; 3]) -> bool {
        let Some((side, angle)) = self.camera else {
            return false;
        };
        let tan = angle.to_radians().tan();
        let step = 0.25;
        let mut along = 0.05;
        while z + along / tan < self.tallest() {
            if z + along / tan < self.height(x, y - side * along) {
                return true;
            }
            along += step;
        }
        false
    }

    fn measured_z(&self, [x, y, z]: [f64; 3]) -> f64 {
        let e = &self.errors;
        let half = self.width_mm() / 2.0;
        let dx = x - half;
        e.height_scale * z
            + e.height_offset_mm
            + e.roll_mrad / 1000.0 * dx
            + e.pitch_mrad / 1000.0 * (y - self.length_mm() / 2.0)
            + e.bow_mm * (dx / half) * (dx / half)
    }

    /// Counts, 0 where there is no return.
    pub fn counts(&self, seed: u64) -> Vec<u16> {
        (0..self.rows)
            .into_par_iter()
            .flat_map_iter(|row| {
                let mut rng = ChaCha8Rng::seed_from_u64(seed);
                rng.set_stream(row as u64 + 1);
                let y_m = self.row_mm(row);
                let mut line = Vec::with_capacity(self.columns);
                for column in 0..self.columns {
                    let x_m = (column as f64 + 0.5) * self.pitch[0];
                    let point = self.point(x_m, y_m);
                    let noise: f64 = StandardNormal.sample(&mut rng);
                    let [lost, mixed, share]: [f64; 3] = rng.random();
                    if lost < self.dropout_fraction || self.hidden(point) {
                        line.push(0);
                        continue;
                    }
                    let mut z = self.measured_z(point) + self.noise_mm * noise;
                    if mixed < self.mixed_fraction {
                        // Half of the spot on the other side of an upright step.
                        let other =
                            self.point(x_m + 0.5 * self.pitch[0], y_m + 0.5 * self.pitch[1]);
                        if 2.0 < (other[2] - point[2]).abs() {
                            z += share * (other[2] - point[2]);
                        }
                    }
                    let count = ((z - OFFSET_MM) / COUNT_MM).round();
                    line.push(count.clamp(1.0, 65535.0) as u16);
                }
                line
            })
            .collect()
    }

    /// The frame as the library holds it.
    pub fn field(&self, seed: u64) -> HeightField {
        let z_mm = self
            .counts(seed)
            .into_iter()
            .map(|count| match count {
                0 => f32::NAN,
                _ => (OFFSET_MM + COUNT_MM * f64::from(count)) as f32,
            })
            .collect();
        HeightField {
            columns: self.columns,
            rows: self.rows,
            pitch_across_mm: self.pitch[0],
            pitch_along_mm: self.pitch[1],
            y_mm: (0..self.rows).map(|row| self.row_mm(row)).collect(),
            z_mm,
        }
    }
}

/// Errors drawn at random: scales ±0.5 %, angles ±5 mrad, offset and bow ±0.5 mm.
pub fn drawn_errors(rng: &mut ChaCha8Rng) -> GeometricErrors {
    let mut about = |centre: f64, half: f64| centre + half * (2.0 * rng.random::<f64>() - 1.0);
    GeometricErrors {
        across_scale: about(1.0, 0.005),
        along_scale: about(1.0, 0.005),
        height_scale: about(1.0, 0.005),
        height_offset_mm: about(0.0, 0.5),
        roll_mrad: about(0.0, 5.0),
        pitch_mrad: about(0.0, 5.0),
        bow_mm: about(0.0, 0.5),
        skew_mrad: about(0.0, 5.0),
        lean_mrad: about(0.0, 5.0),
    }
}

/// A pose that puts the plate's middle at a place, turned by `yaw`, rad.
pub fn pose_at(target: &Target, middle: [f64; 2], yaw: f64) -> TargetPose {
    let (s, c) = yaw.sin_cos();
    let (u, v) = (target.plate.across_mm / 2.0, target.plate.along_mm / 2.0);
    TargetPose {
        x_mm: middle[0] - c * u + s * v,
        y_mm: middle[1] - s * u - c * v,
        yaw_mrad: 1000.0 * yaw,
    }
}

/// A belt of 600 mm at 0.4 × 0.5 mm with one target at a random place and turn, errors drawn at random, 0.05 mm of noise, 1 % of the samples
/// lost, a camera at 15 to 30 degrees on either side.
pub fn drawn_scene(target: &Target, rng: &mut ChaCha8Rng) -> Scene {
    let (columns, rows) = (1500, 840);
    let yaw = std::f64::consts::PI * (2.0 * rng.random::<f64>() - 1.0);
    let (s, c) = (yaw.sin().abs(), yaw.cos().abs());
    let plate = &target.plate;
    let size = [
        c * plate.across_mm + s * plate.along_mm,
        s * plate.across_mm + c * plate.along_mm,
    ];
    // Where the plate has room it lies anywhere; where it has none it sticks out on both sides.
    let mut place = |frame: f64, size: f64| {
        let slack = (frame - size - 10.0).max(0.0);
        frame / 2.0 + slack * (rng.random::<f64>() - 0.5)
    };
    let middle = [place(600.0, size[0]), place(420.0, size[1])];
    let side = if rng.random::<bool>() { 1.0 } else { -1.0 };
    let angle = 15.0 + 15.0 * rng.random::<f64>();
    Scene {
        columns,
        rows,
        pitch: [0.4, 0.5],
        errors: drawn_errors(rng),
        targets: vec![(target.clone(), pose_at(target, middle, yaw))],
        blocks: Vec::new(),
        noise_mm: 0.05,
        dropout_fraction: 0.01,
        camera: Some((side, angle)),
        mixed_fraction: 0.3,
        uneven_mm: 0.0,
    }
}

/// The target with each certified length off by a normal deviate of `u_mm`.
pub fn as_made(target: &Target, u_mm: f64, rng: &mut ChaCha8Rng) -> Target {
    let mut made = target.clone();
    let mut off = |length: &mut f64| {
        let deviate: f64 = StandardNormal.sample(rng);
        *length += u_mm * deviate;
    };
    off(&mut made.plate.thickness_mm);
    for f in &mut made.frustums {
        off(&mut f.x_mm);
        off(&mut f.y_mm);
        off(&mut f.height_mm);
        off(&mut f.base_mm);
        off(&mut f.top_mm);
    }
    for t in &mut made.steps {
        off(&mut t.height_mm);
    }
    for b in &mut made.spheres {
        off(&mut b.x_mm);
        off(&mut b.y_mm);
        off(&mut b.centre_height_mm);
        off(&mut b.radius_mm);
    }
    made
}
