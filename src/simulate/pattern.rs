//! Which class of material lies where on top of a piece, and what it looks like.

use super::field::SmoothField;
use crate::product::DepthRule;

/// One class of material.
#[derive(Debug, Clone, PartialEq)]
pub struct Material {
    /// The class's name in the product profile.
    pub name: String,
    /// Its colour, CIELAB, D65, 2°.
    pub lab: [f64; 3],
    /// Relative spread of its brightness, in linear light.
    pub texture: f64,
    /// Whether wet highlights appear on it.
    pub glossy: bool,
    /// Density, kg/m³.
    pub density_kg_m3: f64,
    /// How deep it goes.
    pub depth: DepthRule,
}

/// A part of a piece's top surface, in the piece's own plane.
#[derive(Debug, Clone, PartialEq)]
pub enum Region {
    /// Beyond a wavering line: `cos·u + sin·v > offset + waver·field`.
    Side {
        /// Direction it lies in, see [`direction`].
        direction: [f64; 2],
        /// Distance of the line from the middle, mm.
        offset_mm: f64,
        /// How far the line wavers, mm.
        waver_mm: f64,
        /// What makes it waver.
        field: SmoothField,
    },
    /// Where a field exceeds a level: blotches.
    Blotches {
        /// The field.
        field: SmoothField,
        /// The level.
        level: f64,
    },
    /// Along the zero line of a field: veins, `|field| < width`.
    Veins {
        /// The field.
        field: SmoothField,
        /// Half width in units of the field.
        width: f64,
    },
    /// An ellipse.
    Ellipse {
        /// Its centre, mm.
        centre_mm: [f64; 2],
        /// Its half axes, mm.
        half_axes_mm: [f64; 2],
        /// Direction of the first, see [`direction`].
        direction: [f64; 2],
    },
    /// A rectangle along the piece's own axes.
    Rectangle {
        /// Its centre, mm.
        centre_mm: [f64; 2],
        /// Half its sides, mm.
        half_sides_mm: [f64; 2],
    },
    /// Parallel cuts.
    Scores {
        /// Direction across them, see [`direction`].
        direction: [f64; 2],
        /// Distance between them, mm.
        pitch_mm: f64,
        /// Width of each, mm.
        width_mm: f64,
    },
    /// Where the piece is thinner than this, mm.
    Thin {
        /// Thickness, mm.
        below_mm: f64,
    },
}

/// The unit vector at an angle from u, radians.
pub fn direction(angle_rad: f64) -> [f64; 2] {
    [angle_rad.cos(), angle_rad.sin()]
}

impl Region {
    fn holds(&self, u: f64, v: f64, z: f64) -> bool {
        match self {
            Self::Side {
                direction,
                offset_mm,
                waver_mm,
                field,
            } => {
                let [c, s] = direction;
                let beyond = c * u + s * v - offset_mm;
                // Far from the line the field need not be asked.
                if beyond.abs() > waver_mm.abs() * field.most() {
                    beyond > 0.0
                } else {
                    beyond > waver_mm * field.at(u, v)
                }
            }
            Self::Blotches { field, level } => field.at(u, v) > *level,
            Self::Veins { field, width } => field.at(u, v).abs() < *width,
            Self::Ellipse {
                centre_mm,
                half_axes_mm,
                direction,
            } => {
                let [c, s] = direction;
                let (du, dv) = (u - centre_mm[0], v - centre_mm[1]);
                let a = (c * du + s * dv) / half_axes_mm[0];
                let b = (c * dv - s * du) / half_axes_mm[1];
                a * a + b * b < 1.0
            }
            Self::Rectangle {
                centre_mm,
                half_sides_mm,
            } => {
                (u - centre_mm[0]).abs() < half_sides_mm[0]
                    && (v - centre_mm[1]).abs() < half_sides_mm[1]
            }
            Self::Scores {
                direction,
                pitch_mm,
                width_mm,
            } => {
                let [c, s] = direction;
                (c * u + s * v).rem_euclid(*pitch_mm) < *width_mm
            }
            Self::Thin { below_mm } => z < *below_mm,
        }
    }
}

/// The classes on top of one piece: a ground, and regions laid over it in order, the last on top.
#[derive(Debug, Clone, PartialEq)]
pub struct Pattern {
    /// Index of the material of the ground.
    pub ground: usize,
    /// Regions and the index of their material.
    pub regions: Vec<(usize, Region)>,
    /// What varies the brightness.
    pub texture: SmoothField,
    /// Where wet highlights sit.
    pub gloss: SmoothField,
}

impl Pattern {
    /// Index of the material at (u, v) where the piece is `z_mm` high.
    pub fn material_at(&self, u_mm: f64, v_mm: f64, z_mm: f64) -> usize {
        self.regions
            .iter()
            .rev()
            .find(|(_, region)| region.holds(u_mm, v_mm, z_mm))
            .map_or(self.ground, |(material, _)| *material)
    }
}
