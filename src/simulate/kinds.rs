//! Kinds of food pieces: random forms and patterns of each.
//!
//! Patterns speak of materials by place: 0 is the ground (the base class), 1 the class laid over it.

use std::f64::consts::{FRAC_PI_2, PI, TAU};

use rand::Rng;
use rand_chacha::ChaCha8Rng;

use super::field::SmoothField;
use super::pattern::{Pattern, Region, direction};
use super::shape::Shape;
use super::star::{Bump, Star, Taper, Wave};

/// Feature size of the brightness texture, mm.
const TEXTURE_MM: f64 = 1.6;
/// Feature size of wet highlights, mm.
const GLOSS_MM: f64 = 1.1;

/// A kind of piece.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// A long bent strip of fat and lean in layers.
    BellyStrip,
    /// A fish-like fillet with a thin tail and skin at it.
    Fillet,
    /// A lobed, domed piece with steep rims, 50 to 400 cm³.
    Lobed,
    /// A steak-like slab with steep rounded rims and a cap of fat.
    Slab,
    /// A round roll with cross cuts.
    Roll,
    /// A loaf with slanting cuts.
    Loaf,
    /// A plain solid: box, frustum, cone, half ellipsoid, cap, half cylinder or paraboloid.
    Solid,
}

impl Kind {
    /// Its name in the truth table.
    pub fn name(self) -> &'static str {
        match self {
            Self::BellyStrip => "belly-strip",
            Self::Fillet => "fillet",
            Self::Lobed => "lobed",
            Self::Slab => "slab",
            Self::Roll => "roll",
            Self::Loaf => "loaf",
            Self::Solid => "solid",
        }
    }

    /// A random piece of this kind.
    pub fn draw(self, rng: &mut ChaCha8Rng) -> (Shape, Pattern) {
        let shape = match self {
            Self::BellyStrip => belly_strip(rng),
            Self::Fillet => fillet(rng),
            Self::Lobed => lobed(rng),
            Self::Slab => slab(rng),
            Self::Roll => roll(rng),
            Self::Loaf => loaf(rng),
            Self::Solid => solid(rng),
        };
        let regions = match (self, &shape) {
            (Self::BellyStrip, Shape::Star(star)) => belly_fat(star, rng),
            (Self::Fillet, Shape::Star(star)) => fillet_skin(star, rng),
            (Self::Lobed | Self::Slab, Shape::Star(star)) => fat_cap(star, rng),
            (Self::Roll, _) => vec![scores(PI / 4.0, 60.0, 5.0), scores(-PI / 4.0, 60.0, 5.0)],
            (Self::Loaf, _) => vec![scores(
                between(rng, 0.3, 0.8),
                between(rng, 30.0, 45.0),
                6.0,
            )],
            _ => Vec::new(),
        };
        let pattern = Pattern {
            ground: 0,
            regions: regions.into_iter().map(|region| (1, region)).collect(),
            texture: SmoothField::new(TEXTURE_MM, rng),
            gloss: SmoothField::new(GLOSS_MM, rng),
        };
        (shape, pattern)
    }
}

fn between(rng: &mut ChaCha8Rng, low: f64, high: f64) -> f64 {
    low + (high - low) * rng.random::<f64>()
}

/// Waves of falling amplitude on the outline.
fn lobes(orders: std::ops::RangeInclusive<u32>, size: f64, rng: &mut ChaCha8Rng) -> Vec<Wave> {
    orders
        .map(|order| {
            let amplitude = size * between(rng, 0.4, 1.0) / f64::from(order);
            Wave::new(order, amplitude, between(rng, 0.0, TAU))
        })
        .collect()
}

/// Hills and hollows spread over the dome.
fn bumps(star: &Star, count: usize, size: f64, rng: &mut ChaCha8Rng) -> Vec<Bump> {
    (0..count)
        .map(|_| Bump {
            u_mm: star.half_length_mm * between(rng, -0.7, 0.7),
            v_mm: star.half_width_mm * between(rng, -0.7, 0.7),
            reach_mm: star.half_width_mm * between(rng, 0.7, 1.6),
            amplitude: size * between(rng, -1.0, 1.0),
        })
        .collect()
}

fn belly_strip(rng: &mut ChaCha8Rng) -> Shape {
    let half_length = between(rng, 65.0, 85.0);
    let mut star = Star::dome(
        half_length,
        between(rng, 15.0, 20.0),
        between(rng, 22.0, 30.0),
    );
    star.corner = 6;
    star.rim = 8.0;
    star.edge = 2.5;
    star.waves = lobes(2..=5, 0.06, rng);
    star.bumps = bumps(&star, 4, 0.15, rng);
    star.bend_mm = between(rng, -12.0, 12.0);
    star.wave_mm = between(rng, -3.0, 3.0);
    Shape::Star(star).with_volume_mm3(1000.0 * between(rng, 110.0, 200.0))
}

fn belly_fat(star: &Star, rng: &mut ChaCha8Rng) -> Vec<Region> {
    let width = star.half_width_mm;
    let mut regions = vec![Region::Side {
        direction: direction(FRAC_PI_2),
        offset_mm: between(rng, 0.15, 0.5) * width,
        waver_mm: 0.08 * width,
        field: SmoothField::new(14.0, rng),
    }];
    // A second layer, kept inside the strip by its own line further down.
    regions.push(Region::Side {
        direction: direction(-FRAC_PI_2),
        offset_mm: between(rng, 0.55, 0.75) * width,
        waver_mm: 0.06 * width,
        field: SmoothField::new(12.0, rng),
    });
    regions.push(Region::Veins {
        field: SmoothField::new(between(rng, 12.0, 18.0), rng),
        width: 0.06,
    });
    regions
}

fn fillet(rng: &mut ChaCha8Rng) -> Shape {
    let mut star = Star::dome(
        between(rng, 80.0, 105.0),
        between(rng, 28.0, 36.0),
        between(rng, 20.0, 27.0),
    );
    star.rim = 2.5;
    star.edge = 1.5;
    // The third harmonic makes the tail, at negative u, slender and the head blunt.
    star.waves = vec![
        Wave::new(1, 0.06, 0.0),
        Wave::new(3, between(rng, 0.07, 0.13), PI + between(rng, -0.3, 0.3)),
        Wave::new(5, between(rng, 0.0, 0.02), between(rng, 0.0, TAU)),
    ];
    star.taper = Some(Taper {
        tail: between(rng, 0.12, 0.25),
        place: between(rng, -0.45, -0.2),
        softness: 0.13,
    });
    star.bumps = bumps(&star, 3, 0.12, rng);
    star.bend_mm = between(rng, -6.0, 6.0);
    Shape::Star(star).with_volume_mm3(1000.0 * between(rng, 90.0, 190.0))
}

fn fillet_skin(star: &Star, rng: &mut ChaCha8Rng) -> Vec<Region> {
    let mut regions = vec![Region::Side {
        direction: direction(PI + between(rng, -0.4, 0.4)),
        offset_mm: between(rng, 0.55, 0.75) * star.half_length_mm,
        waver_mm: 4.0,
        field: SmoothField::new(16.0, rng),
    }];
    if rng.random::<f64>() < 0.5 {
        regions.push(Region::Ellipse {
            centre_mm: [
                between(rng, -0.2, 0.4) * star.half_length_mm,
                0.75 * star.half_width_mm,
            ],
            half_axes_mm: [between(rng, 14.0, 28.0), between(rng, 5.0, 9.0)],
            direction: direction(between(rng, -0.2, 0.2)),
        });
    }
    regions
}

fn lobed(rng: &mut ChaCha8Rng) -> Shape {
    let stretch = between(rng, 1.0, 1.9).sqrt();
    let mut star = Star::dome(45.0 * stretch, 45.0 / stretch, between(rng, 20.0, 38.0));
    star.rim = f64::from(rng.random_range(2..5));
    star.edge = between(rng, 1.8, 3.0);
    star.waves = lobes(2..=6, 0.22, rng);
    star.bumps = bumps(&star, 5, 0.18, rng);
    star.bend_mm = between(rng, -6.0, 6.0);
    // Evenly spread on a logarithmic scale, so that small pieces are not rare.
    let volume_cm3 = 50.0 * 8.0_f64.powf(rng.random());
    Shape::Star(star).with_volume_mm3(1000.0 * volume_cm3)
}

fn slab(rng: &mut ChaCha8Rng) -> Shape {
    let stretch = between(rng, 1.2, 2.2).sqrt();
    let mut star = Star::dome(60.0 * stretch, 60.0 / stretch, between(rng, 18.0, 28.0));
    star.rim = f64::from(rng.random_range(8..15));
    star.edge = between(rng, 2.0, 2.6);
    star.waves = lobes(2..=5, 0.2, rng);
    star.bumps = bumps(&star, 4, 0.1, rng);
    Shape::Star(star).with_volume_mm3(1000.0 * between(rng, 140.0, 320.0))
}

fn fat_cap(star: &Star, rng: &mut ChaCha8Rng) -> Vec<Region> {
    vec![
        Region::Side {
            direction: direction(FRAC_PI_2 + between(rng, -0.4, 0.4)),
            offset_mm: between(rng, 0.35, 0.8) * star.half_width_mm,
            waver_mm: 2.5,
            field: SmoothField::new(18.0, rng),
        },
        Region::Veins {
            field: SmoothField::new(between(rng, 13.0, 20.0), rng),
            width: between(rng, 0.03, 0.08),
        },
    ]
}

fn roll(rng: &mut ChaCha8Rng) -> Shape {
    let radius = between(rng, 42.0, 52.0);
    let mut star = Star::dome(
        radius * between(rng, 1.0, 1.08),
        radius,
        between(rng, 40.0, 55.0),
    );
    star.rim = 2.5;
    star.edge = 2.0;
    star.waves = lobes(2..=4, 0.04, rng);
    star.bumps = bumps(&star, 3, 0.05, rng);
    Shape::Star(star).with_volume_mm3(1000.0 * between(rng, 190.0, 320.0))
}

fn loaf(rng: &mut ChaCha8Rng) -> Shape {
    let mut star = Star::dome(
        between(rng, 100.0, 125.0),
        between(rng, 48.0, 58.0),
        between(rng, 60.0, 80.0),
    );
    star.corner = 4;
    star.rim = 3.0;
    star.edge = 2.0;
    star.waves = lobes(2..=4, 0.03, rng);
    star.bumps = bumps(&star, 3, 0.06, rng);
    Shape::Star(star).with_volume_mm3(1000.0 * between(rng, 900.0, 1400.0))
}

fn scores(direction_rad: f64, pitch_mm: f64, width_mm: f64) -> Region {
    Region::Scores {
        direction: direction(direction_rad),
        pitch_mm,
        width_mm,
    }
}

fn solid(rng: &mut ChaCha8Rng) -> Shape {
    let height_mm = between(rng, 12.0, 40.0);
    let shape = match rng.random_range(0..7) {
        0 => Shape::Block {
            length_mm: between(rng, 50.0, 90.0),
            width_mm: between(rng, 35.0, 60.0),
            height_mm,
        },
        1 => {
            let base_mm = [between(rng, 50.0, 90.0), between(rng, 45.0, 70.0)];
            let share = between(rng, 0.35, 0.8);
            Shape::Frustum {
                base_mm,
                top_mm: base_mm.map(|b| share * b),
                height_mm,
            }
        }
        2 => {
            let base_radius_mm = between(rng, 28.0, 42.0);
            Shape::Cone {
                base_radius_mm,
                top_radius_mm: base_radius_mm * between(rng, 0.0, 0.8),
                height_mm,
            }
        }
        3 => Shape::HalfEllipsoid {
            half_axes_mm: [
                between(rng, 40.0, 60.0),
                between(rng, 28.0, 40.0),
                height_mm,
            ],
        },
        4 => Shape::SphericalCap {
            base_radius_mm: height_mm.max(between(rng, 30.0, 42.0)),
            height_mm,
        },
        5 => Shape::HalfCylinder {
            radius_mm: between(rng, 18.0, 28.0),
            length_mm: between(rng, 60.0, 100.0),
        },
        _ => Shape::Paraboloid {
            base_radius_mm: between(rng, 30.0, 42.0),
            height_mm,
        },
    };
    shape.with_volume_mm3(1000.0 * between(rng, 40.0, 130.0))
}
