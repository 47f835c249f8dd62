//! The rigid motion between point sets against SciPy and scikit-image (tests/reference/registration).

use weighlight::drift::rigid_motion;

const POINTS: &str = include_str!("../reference/registration/points.csv");
const MOTIONS: &str = include_str!("../reference/registration/motions.csv");

#[test]
fn the_motion_is_that_of_scipy_and_scikit_image() {
    let numbers = |line: &str, from: usize| -> Vec<f64> {
        line.split(',')
            .skip(from)
            .map(|n| n.parse().expect("a number"))
            .collect()
    };
    let mut checked = 0;
    for line in MOTIONS.lines().skip(1) {
        let case = line.split(',').next().expect("a case");
        let (mut from, mut to) = (Vec::new(), Vec::new());
        for point in POINTS.lines().filter(|p| p.split(',').next() == Some(case)) {
            let p = numbers(point, 1);
            from.push([p[0], p[1]]);
            to.push([p[2], p[3]]);
        }
        let found = rigid_motion(&from, &to).expect("two points or more");
        let wanted = numbers(line, 2);
        let turn = 1e-3 * (found.yaw_mrad - wanted[0]);
        // The files hold six to nine decimals.
        assert!(
            turn.sin().abs() < 1e-9 && 0.0 < turn.cos(),
            "{line}: {found:?}"
        );
        assert!((found.x_mm - wanted[1]).abs() < 1e-6, "{line}: {found:?}");
        assert!((found.y_mm - wanted[2]).abs() < 1e-6, "{line}: {found:?}");
        checked += 1;
    }
    assert_eq!(checked, 24);
}

#[test]
fn points_without_a_direction_have_no_motion() {
    assert!(rigid_motion(&[[1.0, 2.0]], &[[3.0, 4.0]]).is_none());
    let same = [[1.0, 2.0], [1.0, 2.0]];
    assert!(rigid_motion(&same, &same).is_none());
}
