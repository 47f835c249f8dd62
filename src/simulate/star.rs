//! Star-shaped pieces: a lobed or rounded-rectangular footprint under a dome, as most portions of food are.

use std::f64::consts::TAU;

use super::quadrature::gauss_legendre;

/// Nodes of the quadrature along the radius and around.
const RADIAL_NODES: usize = 48;
const ANGULAR_NODES: usize = 512;

/// One wave on the outline, relative to the radius: `cosine·cos(order·θ) + sine·sin(order·θ)`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Wave {
    /// Lobes around.
    pub order: u32,
    /// Share of the cosine.
    pub cosine: f64,
    /// Share of the sine.
    pub sine: f64,
}

impl Wave {
    /// The wave `amplitude·cos(order·θ + phase)`.
    pub fn new(order: u32, amplitude: f64, phase_rad: f64) -> Self {
        Self {
            order,
            cosine: amplitude * phase_rad.cos(),
            sine: -amplitude * phase_rad.sin(),
        }
    }
}

/// A smooth hill or hollow on the dome: within `reach` the height is multiplied by `1 + amplitude·(1 − d²/reach²)³`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Bump {
    /// Along the piece, mm.
    pub u_mm: f64,
    /// Across the piece, mm.
    pub v_mm: f64,
    /// How far it reaches, mm.
    pub reach_mm: f64,
    /// Relative height.
    pub amplitude: f64,
}

/// Thinning towards the tail (negative u): the height is multiplied by
/// `tail + (1 − tail)/(1 + exp(−(u/half_length − place)/softness))`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Taper {
    /// Relative thickness at the tail.
    pub tail: f64,
    /// Where it thins, as a share of the half length.
    pub place: f64,
    /// How gently, as a share of the half length.
    pub softness: f64,
}

/// A solid over a star-shaped footprint.
///
/// With `(p, q) = (u/half_length, (v − bend(u))/half_width)` in polar form `(d, θ)` and the outline
/// `R(θ) = (|cos θ|^n + |sin θ|^n)^(−1/n)·(1 + Σ aₖ cos(kθ + φₖ))`, the height where `ρ = d/R < 1` is
/// `z = height·(1 − ρ^rim)^(1/edge)·taper(u)·Π bumps`. The bend shears the piece along v, which changes neither
/// area nor volume.
#[derive(Debug, Clone, PartialEq)]
pub struct Star {
    /// Half length along u, mm.
    pub half_length_mm: f64,
    /// Half width along v, mm.
    pub half_width_mm: f64,
    /// Exponent n of the superellipse: 2 an ellipse, 4 and more a rounded rectangle.
    pub corner: i32,
    /// Lobes.
    pub waves: Vec<Wave>,
    /// Height of the dome, mm.
    pub height_mm: f64,
    /// Exponent on the radius: 2 a dome, 8 a flat top.
    pub rim: f64,
    /// Root of the rim: 1 a sloping edge, 2 and more an upright one.
    pub edge: f64,
    /// Thin tail.
    pub taper: Option<Taper>,
    /// Hills and hollows.
    pub bumps: Vec<Bump>,
    /// Bow of the spine at its ends, mm.
    pub bend_mm: f64,
    /// S-shape of the spine, mm.
    pub wave_mm: f64,
}

/// What the quadrature finds.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Moments {
    pub volume_mm3: f64,
    pub area_mm2: f64,
    pub centroid_mm: [f64; 2],
    pub max_height_mm: f64,
}

impl Star {
    /// A plain dome: an ellipse with `z = height·(1 − ρ^rim)^(1/edge)`.
    pub fn dome(half_length_mm: f64, half_width_mm: f64, height_mm: f64) -> Self {
        Self {
            half_length_mm,
            half_width_mm,
            corner: 2,
            waves: Vec::new(),
            height_mm,
            rim: 2.0,
            edge: 2.0,
            taper: None,
            bumps: Vec::new(),
            bend_mm: 0.0,
            wave_mm: 0.0,
        }
    }

    /// Height at (u, v), mm; `None` outside the footprint.
    pub fn height_mm(&self, u_mm: f64, v_mm: f64) -> Option<f64> {
        let v_straight = v_mm - self.spine_mm(u_mm);
        let p = u_mm / self.half_length_mm;
        let q = v_straight / self.half_width_mm;
        let d = (p * p + q * q).sqrt();
        if d < 1e-12 {
            return Some(self.height_mm * self.relief(u_mm, v_straight));
        }
        let rho = d / self.outline_radius(p / d, q / d);
        if rho >= 1.0 {
            return None;
        }
        Some(self.dome_at(rho) * self.relief(u_mm, v_straight))
    }

    fn dome_at(&self, rho: f64) -> f64 {
        let depth = 1.0 - power(rho, self.rim);
        let rise = if self.edge == 2.0 {
            depth.sqrt()
        } else {
            depth.powf(1.0 / self.edge)
        };
        self.height_mm * rise
    }

    fn spine_mm(&self, u_mm: f64) -> f64 {
        if self.bend_mm == 0.0 && self.wave_mm == 0.0 {
            return 0.0;
        }
        let s = u_mm / self.half_length_mm;
        self.bend_mm * s * s + self.wave_mm * (0.5 * TAU * s).sin()
    }

    /// R(θ) from the direction's cosine and sine; the multiples of θ by complex multiplication.
    fn outline_radius(&self, cos: f64, sin: f64) -> f64 {
        let base = if self.corner == 2 {
            1.0
        } else {
            let n = self.corner;
            let sum = cos.abs().powi(n) + sin.abs().powi(n);
            if n == 4 {
                1.0 / sum.sqrt().sqrt()
            } else {
                sum.powf(-1.0 / f64::from(n))
            }
        };
        let mut lobes = 1.0;
        let (mut order, mut c, mut s) = (0, 1.0, 0.0);
        for wave in &self.waves {
            if wave.order < order {
                (order, c, s) = (0, 1.0, 0.0);
            }
            while order < wave.order {
                (order, c, s) = (order + 1, c * cos - s * sin, s * cos + c * sin);
            }
            lobes += wave.cosine * c + wave.sine * s;
        }
        base * lobes
    }

    fn relief(&self, u_mm: f64, v_mm: f64) -> f64 {
        let mut relief = 1.0;
        if let Some(taper) = self.taper {
            let s = u_mm / self.half_length_mm - taper.place;
            relief *= taper.tail + (1.0 - taper.tail) / (1.0 + (-s / taper.softness).exp());
        }
        for bump in &self.bumps {
            let d2 = (u_mm - bump.u_mm).powi(2) + (v_mm - bump.v_mm).powi(2);
            let rest = 1.0 - d2 / (bump.reach_mm * bump.reach_mm);
            if rest > 0.0 {
                relief *= 1.0 + bump.amplitude * rest * rest * rest;
            }
        }
        relief
    }

    /// The footprint's outline, counter-clockwise, mm.
    pub(super) fn outline_mm(&self, points: usize) -> Vec<[f64; 2]> {
        (0..points)
            .map(|i| {
                let theta = TAU * i as f64 / points as f64;
                let (sin, cos) = theta.sin_cos();
                let r = self.outline_radius(cos, sin);
                let u = self.half_length_mm * r * cos;
                [u, self.half_width_mm * r * sin + self.spine_mm(u)]
            })
            .collect()
    }

    /// Volume, area and centroid by Gauss–Legendre along the radius and the trapezium rule around.
    ///
    /// The radius is graded by `ρ = 1 − (1 − t)⁴`, which takes the root at the rim out of the integrand.
    pub(super) fn moments(&self) -> Moments {
        self.moments_with(RADIAL_NODES, ANGULAR_NODES)
    }

    fn moments_with(&self, radial_nodes: usize, angular_nodes: usize) -> Moments {
        let radial = gauss_legendre(radial_nodes);
        let scale = self.half_length_mm * self.half_width_mm * TAU / angular_nodes as f64;
        let (mut volume, mut area, mut area_u, mut area_v) = (0.0, 0.0, 0.0, 0.0);
        let mut peak = [0.0, 0.0, self.height_mm * self.relief(0.0, 0.0)];
        for i in 0..angular_nodes {
            let (sin, cos) = (TAU * i as f64 / angular_nodes as f64).sin_cos();
            let r = self.outline_radius(cos, sin);
            for (t, weight) in &radial {
                let rest = 1.0 - t;
                let rho = 1.0 - rest.powi(4);
                let cell = scale * weight * 4.0 * rest.powi(3) * rho * r * r;
                let u = self.half_length_mm * r * rho * cos;
                let v = self.half_width_mm * r * rho * sin;
                let z = self.dome_at(rho) * self.relief(u, v);
                volume += cell * z;
                area += cell;
                area_u += cell * u;
                area_v += cell * (v + self.spine_mm(u));
                if z > peak[2] {
                    peak = [u, v, z];
                }
            }
        }
        Moments {
            volume_mm3: volume,
            area_mm2: area,
            centroid_mm: [area_u / area, area_v / area],
            max_height_mm: self.climb(peak),
        }
    }

    /// Climbs from the highest node (u, v without bend, z) to the top in ever smaller steps.
    fn climb(&self, [mut u, mut v, mut z]: [f64; 3]) -> f64 {
        let mut step_mm = 0.05 * self.half_width_mm;
        // Some thirty rounds do; the bound is for shapes of no sensible size.
        for _ in 0..1000 {
            if step_mm < 1e-4 {
                break;
            }
            let mut risen = false;
            for (du, dv) in [(1.0, 0.0), (-1.0, 0.0), (0.0, 1.0), (0.0, -1.0)] {
                let (at_u, at_v) = (u + du * step_mm, v + dv * step_mm);
                if let Some(height) = self.height_mm(at_u, at_v + self.spine_mm(at_u))
                    && height > z
                {
                    (u, v, z, risen) = (at_u, at_v, height, true);
                }
            }
            if !risen {
                step_mm *= 0.5;
            }
        }
        z
    }

    /// All lengths times `factor`.
    pub(super) fn scaled(&self, factor: f64) -> Self {
        let mut star = self.clone();
        star.half_length_mm *= factor;
        star.half_width_mm *= factor;
        star.height_mm *= factor;
        star.bend_mm *= factor;
        star.wave_mm *= factor;
        for bump in &mut star.bumps {
            bump.u_mm *= factor;
            bump.v_mm *= factor;
            bump.reach_mm *= factor;
        }
        star
    }
}

/// `x^p`, without the general power for small whole exponents.
fn power(x: f64, p: f64) -> f64 {
    if p == 2.0 {
        x * x
    } else if p.fract() == 0.0 && p < 32.0 {
        x.powi(p as i32)
    } else {
        x.powf(p)
    }
}

#[cfg(test)]
mod tests {
    use rand::SeedableRng;
    use rand_chacha::ChaCha8Rng;

    use crate::simulate::{Kind, Shape};

    #[test]
    fn four_times_the_nodes_change_the_volume_by_less_than_a_millionth() {
        for kind in [
            Kind::Lobed,
            Kind::Slab,
            Kind::BellyStrip,
            Kind::Fillet,
            Kind::Roll,
            Kind::Loaf,
        ] {
            for seed in 0..8 {
                let (shape, _) = kind.draw(&mut ChaCha8Rng::seed_from_u64(seed));
                let Shape::Star(star) = shape else {
                    panic!("{kind:?} is a dome");
                };
                let (used, fine) = (star.moments(), star.moments_with(200, 2048));
                assert!(
                    (used.volume_mm3 / fine.volume_mm3 - 1.0).abs() < 1e-6,
                    "{kind:?} {seed}"
                );
                assert!(
                    (used.area_mm2 / fine.area_mm2 - 1.0).abs() < 1e-9,
                    "{kind:?} {seed}"
                );
            }
        }
    }
}
