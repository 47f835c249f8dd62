//! A shape placed on the belt, and what is true of it.

use super::outline;
use super::pattern::{Material, Pattern};
use super::shape::{Shape, Size};
use super::truth::TruthPiece;
use crate::product::DepthRule;

/// Slope from which a surface counts as steep: 60°.
const STEEP_SLOPE: f64 = 1.732;
/// Share of the footprint that must be steep for a piece to be called so.
const STEEP_SHARE: f64 = 0.12;
/// Height over width under which a piece is called flat.
const FLAT_RATIO: f64 = 0.22;
/// Volume under which a piece is called small, cm³.
const SMALL_CM3: f64 = 100.0;

/// Where and how a shape lies.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Pose {
    /// Place of the shape's own origin across, mm.
    pub x_mm: f64,
    /// Place of the shape's own origin along, mm.
    pub y_mm: f64,
    /// Turn about z, radians.
    pub yaw_rad: f64,
    /// Whether v runs the other way.
    pub mirrored: bool,
}

/// A shape placed on the belt.
#[derive(Debug, Clone, PartialEq)]
pub struct PlacedPiece {
    /// What it is.
    pub kind: String,
    /// Its form.
    pub shape: Shape,
    /// Its classes.
    pub pattern: Pattern,
    /// Where it lies.
    pub pose: Pose,
    /// Whether it was laid against a neighbour.
    pub touching: bool,
    size: Size,
    outline_mm: Vec<[f64; 2]>,
    low_mm: [f64; 2],
    high_mm: [f64; 2],
    turn: [f64; 2],
}

impl PlacedPiece {
    /// Lays `shape` down at `pose`.
    pub fn new(kind: impl Into<String>, shape: Shape, pattern: Pattern, pose: Pose) -> Self {
        let size = shape.size();
        let piece = Self {
            kind: kind.into(),
            shape,
            pattern,
            pose,
            touching: false,
            size,
            outline_mm: Vec::new(),
            low_mm: [0.0; 2],
            high_mm: [0.0; 2],
            turn: [1.0, 0.0],
        };
        piece.turned_to(pose.yaw_rad)
    }

    /// The same piece turned about its own origin, to `yaw_rad`.
    #[must_use]
    pub fn turned_to(&self, yaw_rad: f64) -> Self {
        let mut piece = self.clone();
        piece.pose.yaw_rad = yaw_rad;
        piece.turn = [yaw_rad.cos(), yaw_rad.sin()];
        piece.outline_mm = piece
            .shape
            .outline_mm()
            .iter()
            .map(|p| piece.to_belt(*p))
            .collect();
        (piece.low_mm, piece.high_mm) = outline::bounds(&piece.outline_mm);
        piece
    }

    /// The same piece moved on the belt.
    #[must_use]
    pub fn moved(mut self, dx_mm: f64, dy_mm: f64) -> Self {
        self.pose.x_mm += dx_mm;
        self.pose.y_mm += dy_mm;
        for corner in self
            .outline_mm
            .iter_mut()
            .chain([&mut self.low_mm, &mut self.high_mm])
        {
            corner[0] += dx_mm;
            corner[1] += dy_mm;
        }
        self
    }

    /// Exact size of the shape.
    pub fn size(&self) -> Size {
        self.size
    }

    /// Corners of its bounds on the belt, low and high, mm.
    pub fn bounds_mm(&self) -> ([f64; 2], [f64; 2]) {
        (self.low_mm, self.high_mm)
    }

    /// Its footprint's outline on the belt, mm.
    pub fn outline_mm(&self) -> &[[f64; 2]] {
        &self.outline_mm
    }

    /// From the piece's plane to the belt.
    fn to_belt(&self, [u, v]: [f64; 2]) -> [f64; 2] {
        let v = if self.pose.mirrored { -v } else { v };
        let [c, s] = self.turn;
        [
            self.pose.x_mm + c * u - s * v,
            self.pose.y_mm + s * u + c * v,
        ]
    }

    /// From the belt to the piece's plane.
    pub(super) fn to_piece(&self, x_mm: f64, y_mm: f64) -> [f64; 2] {
        let (dx, dy) = (x_mm - self.pose.x_mm, y_mm - self.pose.y_mm);
        let [c, s] = self.turn;
        let v = c * dy - s * dx;
        [c * dx + s * dy, if self.pose.mirrored { -v } else { v }]
    }

    /// Height above the belt at (x, y), mm; `None` off the piece.
    pub fn height_mm(&self, x_mm: f64, y_mm: f64) -> Option<f64> {
        let [u, v] = self.to_piece(x_mm, y_mm);
        self.shape.height_mm(u, v)
    }

    /// What is true of this piece. Class shares are counted at the middles of cells of `step_mm`; volume and area are
    /// those of the unsampled shape. Number, frame ends and cuts are for the caller to fill in.
    pub(super) fn truth(&self, materials: &[Material], step_mm: f64) -> TruthPiece {
        let rectangle = outline::smallest_rectangle(&self.outline_mm);
        let counted = self.count(materials, step_mm);
        let volume_cm3 = self.size.volume_mm3 / 1000.0;
        let share = |part: f64, whole: f64| if whole > 0.0 { part / whole } else { 0.0 };
        let volume_counted: f64 = counted.volumes.iter().sum();
        let mass_g = materials
            .iter()
            .zip(&counted.volumes)
            .map(|(m, v)| volume_cm3 * share(*v, volume_counted) * m.density_kg_m3 / 1000.0)
            .sum();
        let fat = materials.iter().position(|m| m.name == "fat");
        let mut form = Vec::new();
        if counted.steep_share > STEEP_SHARE {
            form.push("steep");
        }
        if self.size.max_height_mm < FLAT_RATIO * rectangle.width_mm {
            form.push("flat");
        }
        if volume_cm3 < SMALL_CM3 {
            form.push("small");
        }
        let [x_mm, y_mm] = self.to_belt(self.size.centroid_mm);
        TruthPiece {
            piece: 0,
            kind: self.kind.clone(),
            x_mm,
            y_mm,
            yaw_mrad: 1000.0 * rectangle.yaw_rad,
            length_mm: rectangle.length_mm,
            width_mm: rectangle.width_mm,
            max_height_mm: self.size.max_height_mm,
            area_cm2: self.size.area_mm2 / 100.0,
            volume_cm3,
            fat_fraction: fat.map_or(0.0, |k| share(counted.areas[k], counted.areas.iter().sum())),
            fat_volume_fraction: fat.map_or(0.0, |k| share(counted.volumes[k], volume_counted)),
            mass_g,
            form: form.join(" "),
            touching: self.touching,
            frame_end: false,
            cut: false,
        }
    }

    fn count(&self, materials: &[Material], step_mm: f64) -> Counted {
        let local: Vec<[f64; 2]> = self.shape.outline_mm();
        let (low, high) = outline::bounds(&local);
        // The height, smooth but dear, is taken once for a block of two by two cells; the classes in each cell.
        let block = 2.0 * step_mm;
        let blocks = [0, 1].map(|k| ((high[k] - low[k]) / block).ceil().max(1.0) as usize);
        let mut counted = Counted {
            areas: vec![0.0; materials.len()],
            volumes: vec![0.0; materials.len()],
            steep_share: 0.0,
        };
        let (mut steep, mut looked) = (0_u32, 0_u32);
        for j in 0..blocks[1] {
            let v = low[1] + (j as f64 + 0.5) * block;
            for i in 0..blocks[0] {
                let u = low[0] + (i as f64 + 0.5) * block;
                let Some(z) = self.shape.height_mm(u, v) else {
                    continue;
                };
                for (du, dv) in [(-0.5, -0.5), (0.5, -0.5), (-0.5, 0.5), (0.5, 0.5)] {
                    let (cell_u, cell_v) = (u + du * step_mm, v + dv * step_mm);
                    let top = self.pattern.material_at(cell_u, cell_v, z);
                    counted.areas[top] += 1.0;
                    let layer = match materials[top].depth {
                        DepthRule::Through => z,
                        DepthRule::Layer { depth_mm } => z.min(depth_mm),
                    };
                    counted.volumes[top] += layer;
                    // Beneath a layer lies the base class, which is the first material.
                    counted.volumes[0] += z - layer;
                }
                if i % 4 == 0 && j % 4 == 0 {
                    looked += 1;
                    steep += u32::from(self.slope(u, v, z, step_mm) > STEEP_SLOPE);
                }
            }
        }
        counted.steep_share = f64::from(steep) / f64::from(looked.max(1));
        counted
    }

    fn slope(&self, u: f64, v: f64, z: f64, step: f64) -> f64 {
        let beside = |du: f64, dv: f64| self.shape.height_mm(u + du, v + dv).unwrap_or(0.0);
        let du = (beside(step, 0.0) - z)
            .abs()
            .max((z - beside(-step, 0.0)).abs());
        let dv = (beside(0.0, step) - z)
            .abs()
            .max((z - beside(0.0, -step)).abs());
        du.hypot(dv) / step
    }
}

/// Cells counted on a piece's top, and the volumes beneath by the depth rule, one each for every material.
struct Counted {
    areas: Vec<f64>,
    volumes: Vec<f64>,
    steep_share: f64,
}
