//! Convex hulls, and how far they reach in a direction.

use std::f64::consts::FRAC_PI_2;
use std::ops::{Mul, Sub};

/// A rectangle around a hull, one side of it along a side of the hull.
#[derive(Debug, Clone, Copy)]
pub(super) struct Around {
    /// Its two sides, mm.
    pub sides_mm: [f64; 2],
    /// Direction of its first side, rad in [0, π/2).
    pub angle_rad: f64,
}

impl Around {
    pub fn area_mm2(&self) -> f64 {
        self.sides_mm[0] * self.sides_mm[1]
    }
}

/// A rectangle for each side of a hull: the smallest around it is one of them (H. Freeman and R. Shapira, Communications of the ACM 18 (1975)
/// 409–413).
pub(super) fn rectangles(hull: &[[f64; 2]]) -> impl Iterator<Item = Around> {
    hull.iter().enumerate().map(|(index, point)| {
        let next = hull[(index + 1) % hull.len()];
        let angle = (next[1] - point[1]).atan2(next[0] - point[0]);
        let (sin, cos) = angle.sin_cos();
        let length = |direction| {
            let (low, high) = extent(hull, direction);
            high - low
        };
        Around {
            sides_mm: [length([cos, sin]), length([-sin, cos])],
            angle_rad: angle.rem_euclid(FRAC_PI_2),
        }
    })
}

/// Convex hull of points sorted by their first coordinate, then by their second; counter-clockwise, and empty for a single point.
///
/// Andrew's monotone chain (A. M. Andrew, Information Processing Letters 9 (1979) 216–219).
pub(super) fn hull_of_sorted<T>(points: &[[T; 2]]) -> Vec<[T; 2]>
where
    T: Copy + PartialOrd + Default + Sub<Output = T> + Mul<Output = T>,
{
    let turns_left = |a: [T; 2], b: [T; 2], c: [T; 2]| {
        (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0]) > T::default()
    };
    let chain = |points: &mut dyn Iterator<Item = [T; 2]>| {
        let mut chain: Vec<[T; 2]> = Vec::new();
        for point in points {
            while let [.., a, b] = chain[..] {
                if turns_left(a, b, point) {
                    break;
                }
                chain.pop();
            }
            chain.push(point);
        }
        chain.pop();
        chain
    };
    let mut corners = chain(&mut points.iter().copied());
    corners.extend(chain(&mut points.iter().rev().copied()));
    corners
}

/// Least and greatest place of points along a direction.
pub(super) fn extent(points: &[[f64; 2]], direction: [f64; 2]) -> (f64, f64) {
    let places = points
        .iter()
        .map(|p| p[0] * direction[0] + p[1] * direction[1]);
    places.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), p| {
        (low.min(p), high.max(p))
    })
}
