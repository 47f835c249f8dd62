//! Convex hulls, and how far they reach in a direction.

use std::ops::{Mul, Sub};

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
