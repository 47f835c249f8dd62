//! The target's surface as faces: which one a point of the plate lies on, far enough from every edge.

use crate::calibration::{Frustum, Sphere, Step, Target};

/// Side of a cell of the look-up table, mm.
const CELL_MM: f64 = 1.0;
/// Largest table, cells: a plate of 10 m × 10 m.
const MOST_CELLS: f64 = 1e8;
/// Of a sphere, what lies within this share of its radius counts: farther out the surface falls steeper than 1.6, where
/// line scanners see little.
const SPHERE_SHARE: f64 = 0.85;

/// A certified body on the plate.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Body {
    Frustum(Frustum),
    Step(Step),
    Sphere(Sphere),
}

/// Number of certified lengths of a body: place across and along, height, and two sizes.
pub(super) const LENGTHS: usize = 5;

/// The plane that touches the surface where a point of the plate lies.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Face {
    /// Height above the belt at the point, mm.
    pub z_mm: f64,
    /// Slope along the plate's x and y.
    pub slope: [f64; 2],
    /// 0 for the plate, else one more than the body's index.
    pub part: usize,
    /// Whether it is a flank or a sphere.
    pub slanted: bool,
}

/// All faces of a target, with a table that finds them.
#[derive(Debug, Clone)]
pub(super) struct Faces {
    pub bodies: Vec<Body>,
    pub size_mm: [f64; 2],
    pub thickness_mm: f64,
    margin_mm: f64,
    cells: [usize; 2],
    /// 0: the plate and nothing else; NEAR_SEVERAL: too near to more than one body; else one more than a body's index.
    table: Vec<u16>,
}

const NEAR_SEVERAL: u16 = u16::MAX;

impl Body {
    fn centre(&self) -> [f64; 2] {
        match self {
            Self::Frustum(f) => [f.x_mm, f.y_mm],
            Self::Step(s) => [s.x_mm, s.y_mm],
            Self::Sphere(s) => [s.x_mm, s.y_mm],
        }
    }

    fn half_size(&self) -> [f64; 2] {
        match self {
            Self::Frustum(f) => [0.5 * f.base_mm; 2],
            Self::Step(s) => [0.5 * s.across_mm, 0.5 * s.along_mm],
            Self::Sphere(s) => [s.seen_radius_mm(); 2],
        }
    }

    /// How it is called in findings.
    pub(super) fn name(&self) -> String {
        let [x, y] = self.centre();
        let kind = match self {
            Self::Frustum(_) => "frustum",
            Self::Step(_) => "step",
            Self::Sphere(_) => "sphere",
        };
        format!("the {kind} at ({x:.0}, {y:.0}) mm")
    }

    /// The face at an offset from the centre; `None` within `margin_mm` of an edge; part and plate height are the caller's.
    fn face(&self, d: [f64; 2], margin_mm: f64) -> Option<BodyFace> {
        match self {
            Self::Frustum(f) => frustum_face(f, d, margin_mm),
            Self::Step(s) => {
                let outside = (d[0].abs() - 0.5 * s.across_mm).max(d[1].abs() - 0.5 * s.along_mm);
                if outside < -margin_mm {
                    Some(BodyFace::Own(s.height_mm, [0.0, 0.0]))
                } else {
                    (margin_mm < outside).then_some(BodyFace::Plate)
                }
            }
            Self::Sphere(s) => {
                let away = d[0].hypot(d[1]);
                if s.seen_radius_mm() + margin_mm < away {
                    return Some(BodyFace::Plate);
                }
                let inside = (SPHERE_SHARE * s.radius_mm).min(s.seen_radius_mm() - margin_mm);
                if inside < away {
                    return None;
                }
                let depth = (s.radius_mm * s.radius_mm - away * away).sqrt();
                Some(BodyFace::Own(
                    s.centre_height_mm + depth,
                    [-d[0] / depth, -d[1] / depth],
                ))
            }
        }
    }

    /// How much the surface at an offset from the centre rises with each certified length: place across and along, height,
    /// then base and top of a frustum or the radius of a sphere.
    fn per_length(&self, d: [f64; 2], slope: [f64; 2], slanted: bool) -> [f64; LENGTHS] {
        let [x, y] = [-slope[0], -slope[1]];
        match self {
            Self::Step(_) => [0.0, 0.0, 1.0, 0.0, 0.0],
            Self::Sphere(s) => {
                let depth = (s.radius_mm * s.radius_mm - d[0] * d[0] - d[1] * d[1])
                    .max(f64::MIN_POSITIVE)
                    .sqrt();
                [x, y, 1.0, s.radius_mm / depth, 0.0]
            }
            Self::Frustum(_) if !slanted => [0.0, 0.0, 1.0, 0.0, 0.0],
            Self::Frustum(f) => {
                let run = 0.5 * (f.base_mm - f.top_mm);
                let up = (0.5 * f.base_mm - d[0].abs().max(d[1].abs())) / run;
                let per_base = f.height_mm * (1.0 - up) / (2.0 * run);
                let per_top = f.height_mm * up / (2.0 * run);
                [x, y, up, per_base, per_top]
            }
        }
    }
}

enum BodyFace {
    /// Height above the plate and slope.
    Own(f64, [f64; 2]),
    Plate,
}

fn frustum_face(f: &Frustum, d: [f64; 2], margin_mm: f64) -> Option<BodyFace> {
    let (ax, ay) = (d[0].abs(), d[1].abs());
    let away = ax.max(ay);
    let (top, base) = (0.5 * f.top_mm, 0.5 * f.base_mm);
    if away < top - margin_mm {
        return Some(BodyFace::Own(f.height_mm, [0.0, 0.0]));
    }
    if base + margin_mm < away {
        return Some(BodyFace::Plate);
    }
    let on_flank = top + margin_mm < away && away < base - margin_mm;
    // The ridge between two flanks runs along the diagonal.
    if !on_flank || (ax - ay).abs() < margin_mm * std::f64::consts::SQRT_2 {
        return None;
    }
    let fall = f.height_mm / (base - top);
    let slope = if ay < ax {
        [-fall * d[0].signum(), 0.0]
    } else {
        [0.0, -fall * d[1].signum()]
    };
    Some(BodyFace::Own((base - away) * fall, slope))
}

impl Faces {
    /// The faces of `target`; a point within `margin_mm` of an edge belongs to none.
    pub(super) fn new(target: &Target, margin_mm: f64) -> Self {
        let frustums = target.frustums.iter().copied().map(Body::Frustum);
        let steps = target.steps.iter().copied().map(Body::Step);
        let spheres = target.spheres.iter().copied().map(Body::Sphere);
        let bodies: Vec<Body> = frustums.chain(steps).chain(spheres).collect();
        let size_mm = [target.plate.across_mm, target.plate.along_mm];
        // Plates are at most 10 m long, so that the table stays small; the bound holds for any.
        let cells =
            size_mm.map(|size| (size / CELL_MM).ceil().clamp(1.0, MOST_CELLS.sqrt()) as usize);
        let mut table = vec![0_u16; cells[0] * cells[1]];
        for (index, body) in bodies.iter().enumerate() {
            let (centre, half) = (body.centre(), body.half_size());
            let range = |axis: usize| {
                let low = (centre[axis] - half[axis] - margin_mm) / CELL_MM;
                let high = (centre[axis] + half[axis] + margin_mm) / CELL_MM;
                low.floor().max(0.0) as usize..(high.ceil().max(0.0) as usize).min(cells[axis])
            };
            let label = u16::try_from(index + 1).unwrap_or(NEAR_SEVERAL);
            for row in range(1) {
                for column in range(0) {
                    let cell = &mut table[row * cells[0] + column];
                    *cell = if *cell == 0 { label } else { NEAR_SEVERAL };
                }
            }
        }
        Self {
            bodies,
            size_mm,
            thickness_mm: target.plate.thickness_mm,
            margin_mm,
            cells,
            table,
        }
    }

    /// The face at a point of the plate; `None` beside the plate and near edges.
    #[inline]
    pub(super) fn at(&self, u_mm: f64, v_mm: f64) -> Option<Face> {
        let m = self.margin_mm;
        if !(m < u_mm && u_mm < self.size_mm[0] - m && m < v_mm && v_mm < self.size_mm[1] - m) {
            return None;
        }
        let column = ((u_mm / CELL_MM) as usize).min(self.cells[0] - 1);
        let row = ((v_mm / CELL_MM) as usize).min(self.cells[1] - 1);
        let label = self.table[row * self.cells[0] + column];
        let plate = Face {
            z_mm: self.thickness_mm,
            slope: [0.0, 0.0],
            part: 0,
            slanted: false,
        };
        if label == 0 {
            return Some(plate);
        }
        // NEAR_SEVERAL is beyond the last body.
        let body = self.bodies.get(usize::from(label) - 1)?;
        let centre = body.centre();
        match body.face([u_mm - centre[0], v_mm - centre[1]], m)? {
            BodyFace::Plate => Some(plate),
            BodyFace::Own(rise_mm, slope) => Some(Face {
                z_mm: self.thickness_mm + rise_mm,
                slope,
                part: usize::from(label),
                slanted: slope != [0.0, 0.0] || matches!(body, Body::Sphere(_)),
            }),
        }
    }

    /// How much the surface rises with each certified length of the face's body; the plate's thickness lifts everything.
    pub(super) fn per_length(&self, face: &Face, u_mm: f64, v_mm: f64) -> [f64; LENGTHS] {
        match face.part.checked_sub(1).and_then(|i| self.bodies.get(i)) {
            None => [0.0; LENGTHS],
            Some(body) => {
                let centre = body.centre();
                let d = [u_mm - centre[0], v_mm - centre[1]];
                body.per_length(d, face.slope, face.slanted)
            }
        }
    }
}
