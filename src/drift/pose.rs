//! From places on the target's plate to places on the belt, and back.

use super::report::TargetPose;

impl TargetPose {
    /// Where a point of the plate truly lies on the belt.
    ///
    /// Units: mm. Frame: plate in, belt out. The turn by `yaw_mrad` comes first, then the move.
    #[must_use]
    pub fn to_belt(&self, [u_mm, v_mm]: [f64; 2]) -> [f64; 2] {
        let (sin, cos) = (1e-3 * self.yaw_mrad).sin_cos();
        [
            self.x_mm + cos * u_mm - sin * v_mm,
            self.y_mm + sin * u_mm + cos * v_mm,
        ]
    }

    /// Which point of the plate truly lies there on the belt.
    ///
    /// Units: mm. Frame: belt in, plate out.
    #[must_use]
    pub fn to_plate(&self, [x_mm, y_mm]: [f64; 2]) -> [f64; 2] {
        let (sin, cos) = (1e-3 * self.yaw_mrad).sin_cos();
        let (dx, dy) = (x_mm - self.x_mm, y_mm - self.y_mm);
        [cos * dx + sin * dy, cos * dy - sin * dx]
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_quarter_turn_moves_x_to_y_and_back() {
        let pose = TargetPose {
            x_mm: 100.0,
            y_mm: 50.0,
            yaw_mrad: 500.0 * std::f64::consts::PI,
        };
        let [x, y] = pose.to_belt([10.0, 2.0]);
        assert!((x - 98.0).abs() < 1e-9 && (y - 60.0).abs() < 1e-9);
        let [u, v] = pose.to_plate([x, y]);
        assert!((u - 10.0).abs() < 1e-9 && (v - 2.0).abs() < 1e-9);
    }
}
