//! The triangulation fitted to stripes that OpenCV projected. Origin of the numbers: `tests/reference/stripes/README.md`.

use weighlight::calibration::{FrameGeometry, Triangulation};
use weighlight::drift::{
    NominalCamera, StripeSample, StripeScan, TargetPose, TriangulationFit, fit_triangulation,
};

use super::written::plate;

const STRIPES: &str = include_str!("../reference/stripes/stripes.csv");
const FIELD: &str = include_str!("../reference/stripes/field.csv");

const FRAME: FrameGeometry = FrameGeometry {
    cx_mm: 300.0,
    cy_mm: 200.0,
    half_width_mm: 300.0,
};

fn rows(text: &str) -> impl Iterator<Item = [f64; 4]> {
    text.lines().skip(1).map(|line| {
        let numbers: Vec<f64> = line.split(',').map(|n| n.parse().unwrap()).collect();
        numbers.try_into().unwrap()
    })
}

/// The two scans, with poses as a finder gives them: to some millimetres and milliradians.
fn scans() -> Vec<StripeScan> {
    let pose = |x_mm: f64, y_mm: f64, yaw_mrad: f64| TargetPose {
        x_mm,
        y_mm,
        yaw_mrad,
    };
    let poses = [pose(72.0, 58.5, 104.0), pose(418.5, 22.0, 1344.0)];
    let scan = |number: usize| StripeScan {
        samples: rows(STRIPES)
            .filter(|[scan, ..]| *scan as usize == number)
            .map(|[_, y_mm, column, row_px]| StripeSample {
                column,
                row_px,
                y_mm,
            })
            .collect(),
        pose: poses[number],
    };
    vec![scan(0), scan(1)]
}

/// The drawing: no distortion, and a camera a little elsewhere than it truly stands.
fn drawing() -> Triangulation {
    let camera = NominalCamera {
        focal_px: 2910.0,
        centre_px: [1012.5, 530.25],
        distance_mm: 908.0,
        angle_deg: 29.7,
        x_mm: 300.0,
        mirrored: false,
        upside_down: false,
    };
    let drawn = camera.triangulation().unwrap();
    Triangulation {
        // As the maker of the camera states it.
        camera_matrix: [
            [2910.0, 0.0, 1012.5],
            [0.0, 2905.0, 530.25],
            [0.0, 0.0, 1.0],
        ],
        ..drawn
    }
}

/// Root mean square error of x and z over the field, x about its mean (where x = 0 lies is not told).
fn field_error_mm(fit: &TriangulationFit) -> [f64; 2] {
    let errors: Vec<[f64; 2]> = rows(FIELD)
        .map(|[column, row, x_mm, z_mm]| {
            let place = fit.triangulation.to_plane(column, row).unwrap();
            [place.x_mm - x_mm, place.z_mm - z_mm]
        })
        .collect();
    let n = errors.len() as f64;
    let mean_x = errors.iter().map(|e| e[0]).sum::<f64>() / n;
    let square = |of: &dyn Fn(&[f64; 2]) -> f64| (errors.iter().map(of).sum::<f64>() / n).sqrt();
    [
        square(&|e| (e[0] - mean_x).powi(2)),
        square(&|e| e[1].powi(2)),
    ]
}

#[test]
fn stripes_of_two_scans_give_the_plane_to_two_hundredths_of_a_millimetre() {
    let fit = fit_triangulation(&scans(), &plate(), &FRAME, &drawing()).unwrap();
    let [x, z] = field_error_mm(&fit);
    println!("{fit:#?}\nx {x} z {z}");
    assert!(x < 0.02 && z < 0.02, "x {x} mm, z {z} mm");
    assert!(fit.residual_rms_mm < 0.06, "{}", fit.residual_rms_mm);
    // As stated.
    assert!(x < 3.0 * fit.field_u_mm[0] && z < 3.0 * fit.field_u_mm[1]);
    // Transport, as in generate.py.
    assert!((fit.errors.along_scale - 1.0021).abs() < 1e-4);
    assert!((fit.errors.skew_mrad - 1.3).abs() < 0.1);
    assert!((fit.errors.lean_mrad + 2.4).abs() < 0.3);
    assert!(fit.errors.pitch_mrad.abs() < 0.1);
    assert!((fit.poses[1].yaw_mrad - 1350.0).abs() < 0.3);
}

#[test]
fn one_scan_alone_does_for_most_of_the_field() {
    let fit = fit_triangulation(&scans()[..1], &plate(), &FRAME, &drawing()).unwrap();
    let [x, z] = field_error_mm(&fit);
    println!("{fit:#?}\nx {x} z {z}");
    assert!(x < 0.06 && z < 0.06, "x {x} mm, z {z} mm");
}

#[test]
fn what_is_no_target_is_refused() {
    // A bare belt.
    let mut belt = scans();
    for sample in belt.iter_mut().flat_map(|scan| &mut scan.samples) {
        sample.row_px = 555.0;
    }
    let error = fit_triangulation(&belt, &plate(), &FRAME, &drawing()).unwrap_err();
    println!("{error}");
    let few = vec![StripeScan {
        samples: scans()[0].samples[..100].to_vec(),
        pose: scans()[0].pose,
    }];
    let error = fit_triangulation(&few, &plate(), &FRAME, &drawing()).unwrap_err();
    assert!(error.to_string().contains("100 stripe samples"), "{error}");
    // Another plate than the one that was scanned.
    let mut other = plate();
    for frustum in &mut other.frustums {
        frustum.x_mm = 420.0 - frustum.x_mm;
    }
    assert!(fit_triangulation(&scans(), &other, &FRAME, &drawing()).is_err());
}
