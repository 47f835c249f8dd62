//! Solids resting on the belt, with volumes that do not come from sampling.

use std::f64::consts::{PI, TAU};

use super::mesh::MeshShape;
use super::star::Star;
use super::target;
use crate::calibration::Target;

/// Points on a curved outline.
const OUTLINE_POINTS: usize = 720;

/// A solid resting on the belt, as a height over its own plane (u along, v across), standing on z = 0.
#[derive(Debug, Clone, PartialEq)]
pub enum Shape {
    /// A box.
    Block {
        /// Side along u, mm.
        length_mm: f64,
        /// Side along v, mm.
        width_mm: f64,
        /// Height, mm.
        height_mm: f64,
    },
    /// A rectangular frustum; top as large as base makes a box, top of 0 a pyramid.
    Frustum {
        /// Base, along u and v, mm.
        base_mm: [f64; 2],
        /// Top, along u and v, mm.
        top_mm: [f64; 2],
        /// Height, mm.
        height_mm: f64,
    },
    /// A cone, or a conical frustum.
    Cone {
        /// Radius of the base, mm.
        base_radius_mm: f64,
        /// Radius of the top, mm; 0 for a full cone.
        top_radius_mm: f64,
        /// Height, mm.
        height_mm: f64,
    },
    /// The upper half of an ellipsoid.
    HalfEllipsoid {
        /// Half axes along u, v, z, mm.
        half_axes_mm: [f64; 3],
    },
    /// A cap of a sphere, no higher than a hemisphere.
    SphericalCap {
        /// Radius of its base circle, mm.
        base_radius_mm: f64,
        /// Height, mm.
        height_mm: f64,
    },
    /// Half a cylinder lying along u.
    HalfCylinder {
        /// Radius, mm.
        radius_mm: f64,
        /// Length, mm.
        length_mm: f64,
    },
    /// A paraboloid of revolution.
    Paraboloid {
        /// Radius of its base circle, mm.
        base_radius_mm: f64,
        /// Height, mm.
        height_mm: f64,
    },
    /// A dome over a star-shaped footprint.
    Star(Star),
    /// A triangle mesh seen from above.
    Mesh(MeshShape),
    /// A reference target, its plate's middle over the origin.
    Target(Box<Target>),
}

/// Exact size of a shape.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Size {
    /// Volume, mm³.
    pub volume_mm3: f64,
    /// Footprint area, mm².
    pub area_mm2: f64,
    /// Footprint centroid (u, v), mm.
    pub centroid_mm: [f64; 2],
    /// Largest height, mm.
    pub max_height_mm: f64,
}

impl Shape {
    /// Height at (u, v), mm; `None` outside the footprint.
    pub fn height_mm(&self, u_mm: f64, v_mm: f64) -> Option<f64> {
        match self {
            Self::Block {
                length_mm,
                width_mm,
                height_mm,
            } => (2.0 * u_mm.abs() <= *length_mm && 2.0 * v_mm.abs() <= *width_mm)
                .then_some(*height_mm),
            Self::Frustum {
                base_mm,
                top_mm,
                height_mm,
            } => {
                let mut share = 1.0_f64;
                for (place, k) in [(u_mm, 0), (v_mm, 1)] {
                    let rest = 0.5 * base_mm[k] - place.abs();
                    if rest < 0.0 {
                        return None;
                    }
                    let slope = 0.5 * (base_mm[k] - top_mm[k]);
                    if slope > 0.0 {
                        share = share.min(rest / slope);
                    }
                }
                Some(height_mm * share)
            }
            Self::Cone {
                base_radius_mm,
                top_radius_mm,
                height_mm,
            } => {
                let rest = base_radius_mm - u_mm.hypot(v_mm);
                let slope = base_radius_mm - top_radius_mm;
                if rest < 0.0 {
                    None
                } else if rest >= slope {
                    Some(*height_mm)
                } else {
                    Some(height_mm * rest / slope)
                }
            }
            Self::HalfEllipsoid {
                half_axes_mm: [a, b, c],
            } => {
                let depth = 1.0 - (u_mm / a).powi(2) - (v_mm / b).powi(2);
                (depth >= 0.0).then(|| c * depth.sqrt())
            }
            Self::SphericalCap {
                base_radius_mm,
                height_mm,
            } => {
                let d2 = u_mm * u_mm + v_mm * v_mm;
                let radius = sphere_radius(*base_radius_mm, *height_mm);
                (d2 <= base_radius_mm * base_radius_mm).then(|| {
                    ((radius * radius - d2).max(0.0).sqrt() - (radius - height_mm)).max(0.0)
                })
            }
            Self::HalfCylinder {
                radius_mm,
                length_mm,
            } => (2.0 * u_mm.abs() <= *length_mm && v_mm.abs() <= *radius_mm)
                .then(|| (radius_mm * radius_mm - v_mm * v_mm).max(0.0).sqrt()),
            Self::Paraboloid {
                base_radius_mm,
                height_mm,
            } => {
                let rest = 1.0 - (u_mm * u_mm + v_mm * v_mm) / (base_radius_mm * base_radius_mm);
                (rest >= 0.0).then_some(height_mm * rest)
            }
            Self::Star(star) => star.height_mm(u_mm, v_mm),
            Self::Mesh(mesh) => mesh.height_mm(u_mm, v_mm),
            Self::Target(target) => target.height_mm(
                u_mm + 0.5 * target.plate.across_mm,
                v_mm + 0.5 * target.plate.along_mm,
            ),
        }
    }

    /// Volume, area, centroid and largest height: closed forms for the solids, quadrature of the unsampled shape for
    /// domes, a fine raster for meshes.
    pub fn size(&self) -> Size {
        let centred = |volume_mm3, area_mm2, max_height_mm| Size {
            volume_mm3,
            area_mm2,
            centroid_mm: [0.0, 0.0],
            max_height_mm,
        };
        match self {
            Self::Block {
                length_mm: l,
                width_mm: w,
                height_mm: h,
            } => centred(l * w * h, l * w, *h),
            Self::Frustum {
                base_mm: b,
                top_mm: t,
                height_mm: h,
            } => {
                // The prismatoid formula, h/6·(base + 4·middle + top).
                let middle = 0.25 * (b[0] + t[0]) * (b[1] + t[1]);
                let volume = h / 6.0 * (b[0] * b[1] + 4.0 * middle + t[0] * t[1]);
                centred(volume, b[0] * b[1], *h)
            }
            Self::Cone {
                base_radius_mm: r,
                top_radius_mm: t,
                height_mm: h,
            } => centred(PI * h / 3.0 * (r * r + r * t + t * t), PI * r * r, *h),
            Self::HalfEllipsoid {
                half_axes_mm: [a, b, c],
            } => centred(2.0 / 3.0 * PI * a * b * c, PI * a * b, *c),
            Self::SphericalCap {
                base_radius_mm: a,
                height_mm: h,
            } => centred(PI * h * (3.0 * a * a + h * h) / 6.0, PI * a * a, *h),
            Self::HalfCylinder {
                radius_mm: r,
                length_mm: l,
            } => centred(PI * r * r * l / 2.0, 2.0 * r * l, *r),
            Self::Paraboloid {
                base_radius_mm: r,
                height_mm: h,
            } => centred(PI * r * r * h / 2.0, PI * r * r, *h),
            Self::Star(star) => {
                let moments = star.moments();
                Size {
                    volume_mm3: moments.volume_mm3,
                    area_mm2: moments.area_mm2,
                    centroid_mm: moments.centroid_mm,
                    max_height_mm: moments.max_height_mm,
                }
            }
            Self::Mesh(mesh) => mesh.size(),
            Self::Target(target) => centred(
                target::volume_mm3(target),
                target.plate.across_mm * target.plate.along_mm,
                target.top_mm(),
            ),
        }
    }

    /// The footprint's outline as a polygon, mm (for a mesh its convex hull).
    pub(super) fn outline_mm(&self) -> Vec<[f64; 2]> {
        let rectangle = |a: f64, b: f64| {
            let (a, b) = (0.5 * a, 0.5 * b);
            vec![[a, -b], [a, b], [-a, b], [-a, -b]]
        };
        let ellipse = |a: f64, b: f64| {
            (0..OUTLINE_POINTS)
                .map(|i| {
                    let (s, c) = (TAU * i as f64 / OUTLINE_POINTS as f64).sin_cos();
                    [a * c, b * s]
                })
                .collect()
        };
        match self {
            Self::Block {
                length_mm,
                width_mm,
                ..
            } => rectangle(*length_mm, *width_mm),
            Self::Frustum { base_mm, .. } => rectangle(base_mm[0], base_mm[1]),
            Self::HalfCylinder {
                radius_mm,
                length_mm,
            } => rectangle(*length_mm, 2.0 * radius_mm),
            Self::Cone { base_radius_mm, .. }
            | Self::SphericalCap { base_radius_mm, .. }
            | Self::Paraboloid { base_radius_mm, .. } => ellipse(*base_radius_mm, *base_radius_mm),
            Self::HalfEllipsoid { half_axes_mm } => ellipse(half_axes_mm[0], half_axes_mm[1]),
            Self::Star(star) => star.outline_mm(OUTLINE_POINTS),
            Self::Mesh(mesh) => mesh.outline_mm(),
            Self::Target(target) => rectangle(target.plate.across_mm, target.plate.along_mm),
        }
    }

    /// The same form with all lengths times `factor`.
    #[must_use]
    pub fn scaled(&self, factor: f64) -> Self {
        let k = factor;
        match self {
            Self::Block {
                length_mm,
                width_mm,
                height_mm,
            } => Self::Block {
                length_mm: k * length_mm,
                width_mm: k * width_mm,
                height_mm: k * height_mm,
            },
            Self::Frustum {
                base_mm,
                top_mm,
                height_mm,
            } => Self::Frustum {
                base_mm: base_mm.map(|x| k * x),
                top_mm: top_mm.map(|x| k * x),
                height_mm: k * height_mm,
            },
            Self::Cone {
                base_radius_mm,
                top_radius_mm,
                height_mm,
            } => Self::Cone {
                base_radius_mm: k * base_radius_mm,
                top_radius_mm: k * top_radius_mm,
                height_mm: k * height_mm,
            },
            Self::HalfEllipsoid { half_axes_mm } => Self::HalfEllipsoid {
                half_axes_mm: half_axes_mm.map(|x| k * x),
            },
            Self::SphericalCap {
                base_radius_mm,
                height_mm,
            } => Self::SphericalCap {
                base_radius_mm: k * base_radius_mm,
                height_mm: k * height_mm,
            },
            Self::HalfCylinder {
                radius_mm,
                length_mm,
            } => Self::HalfCylinder {
                radius_mm: k * radius_mm,
                length_mm: k * length_mm,
            },
            Self::Paraboloid {
                base_radius_mm,
                height_mm,
            } => Self::Paraboloid {
                base_radius_mm: k * base_radius_mm,
                height_mm: k * height_mm,
            },
            Self::Star(star) => Self::Star(star.scaled(k)),
            Self::Mesh(mesh) => Self::Mesh(mesh.scaled(k)),
            Self::Target(target) => Self::Target(Box::new(target.grown(k))),
        }
    }

    /// The same form, scaled to hold `volume_mm3`.
    #[must_use]
    pub fn with_volume_mm3(&self, volume_mm3: f64) -> Self {
        self.scaled((volume_mm3 / self.size().volume_mm3).cbrt())
    }
}

/// Radius of the sphere a cap belongs to.
fn sphere_radius(base_radius_mm: f64, height_mm: f64) -> f64 {
    (base_radius_mm * base_radius_mm + height_mm * height_mm) / (2.0 * height_mm)
}
