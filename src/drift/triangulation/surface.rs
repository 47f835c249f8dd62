//! The target's surface under one sample: height and slope, where both are sure.

use crate::calibration::Target;

/// Height and slopes at a point of the plate's frame; beside the plate the belt, at 0.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Spot {
    pub z_mm: f64,
    pub slope: [f64; 2],
}

/// Nearer to an upright wall than this a stripe sample may lie on either side of it, or between, mm.
const WALL_MM: f64 = 2.5;
/// Step of the differences, mm.
const STEP_MM: f64 = 0.3;
/// Second difference above which a crease lies within the step, mm.
const CREASE_MM: f64 = 0.02;

/// The surface at a point of the plate's frame, `None` near walls and creases.
pub(super) fn spot(target: &Target, u: f64, v: f64) -> Option<Spot> {
    let plate = &target.plate;
    let rim = rectangle_mm(
        [u, v],
        [0.5 * plate.across_mm, 0.5 * plate.along_mm],
        [0.5 * plate.across_mm, 0.5 * plate.along_mm],
    );
    if rim.abs() < WALL_MM {
        return None;
    }
    if rim > 0.0 {
        return Some(Spot {
            z_mm: 0.0,
            slope: [0.0; 2],
        });
    }
    let near_step = target.steps.iter().any(|s| {
        rectangle_mm(
            [u, v],
            [s.x_mm, s.y_mm],
            [0.5 * s.across_mm, 0.5 * s.along_mm],
        )
        .abs()
            < WALL_MM
    });
    // The rim of a sphere is upright where the plate meets it at or below its middle.
    let near_sphere = target.spheres.iter().any(|s| {
        let away = (u - s.x_mm).hypot(v - s.y_mm) - s.seen_radius_mm();
        away.abs() < WALL_MM
    });
    if near_step || near_sphere {
        return None;
    }
    let z_mm = target.height_mm(u, v)?;
    let mut slope = [0.0; 2];
    for (axis, slope) in slope.iter_mut().enumerate() {
        let [du, dv] = if axis == 0 {
            [STEP_MM, 0.0]
        } else {
            [0.0, STEP_MM]
        };
        let after = target.height_mm(u + du, v + dv)?;
        let before = target.height_mm(u - du, v - dv)?;
        if (after - 2.0 * z_mm + before).abs() > CREASE_MM {
            return None;
        }
        *slope = (after - before) / (2.0 * STEP_MM);
    }
    Some(Spot { z_mm, slope })
}

/// Distance from a rectangle's border, negative inside, mm.
fn rectangle_mm([u, v]: [f64; 2], middle: [f64; 2], half: [f64; 2]) -> f64 {
    let across = (u - middle[0]).abs() - half[0];
    let along = (v - middle[1]).abs() - half[1];
    if across > 0.0 && along > 0.0 {
        across.hypot(along)
    } else {
        across.max(along)
    }
}
