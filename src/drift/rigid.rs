//! The turn and move that bring one set of points in the plane nearest to another.

use super::report::TargetPose;

/// The rigid motion (no scale, no mirror) that brings `from` nearest to `to` in the sense of least squares, point by point.
///
/// Units: mm. `None` for fewer than two points, or when all of one set coincide.
///
/// References: Kabsch 1976 and Umeyama 1991 (doi:10.1109/34.88573); in the plane the turn has the closed form
/// `atan2(Σ p×q, Σ p·q)` over points about their means.
#[must_use]
pub fn rigid_motion(from: &[[f64; 2]], to: &[[f64; 2]]) -> Option<TargetPose> {
    let count = from.len().min(to.len());
    if count < 2 {
        return None;
    }
    let mean = |points: &[[f64; 2]]| {
        let sum = points[..count]
            .iter()
            .fold([0.0, 0.0], |sum, p| [sum[0] + p[0], sum[1] + p[1]]);
        sum.map(|s| s / count as f64)
    };
    let (from_mean, to_mean) = (mean(from), mean(to));
    let (mut dot, mut cross) = (0.0, 0.0);
    for (p, q) in from.iter().zip(to) {
        let p = [p[0] - from_mean[0], p[1] - from_mean[1]];
        let q = [q[0] - to_mean[0], q[1] - to_mean[1]];
        dot += p[0] * q[0] + p[1] * q[1];
        cross += p[0] * q[1] - p[1] * q[0];
    }
    if dot == 0.0 && cross == 0.0 {
        return None;
    }
    let yaw = cross.atan2(dot);
    let turned = TargetPose {
        x_mm: 0.0,
        y_mm: 0.0,
        yaw_mrad: 1e3 * yaw,
    };
    let [x, y] = turned.to_belt(from_mean);
    Some(TargetPose {
        x_mm: to_mean[0] - x,
        y_mm: to_mean[1] - y,
        ..turned
    })
}
