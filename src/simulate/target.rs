//! A reference target on the belt.

use std::f64::consts::PI;

use jiff::Timestamp;
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;

use super::field::SmoothField;
use super::layout::Placing;
use super::pattern::{Material, Pattern, Region};
use super::piece::{PlacedPiece, Pose};
use super::recording::Scene;
use super::scanner::ScannerModel;
use super::scenario::{Scenario, harbour_1};
use super::shape::Shape;
use crate::calibration::{Sphere, Target};
use crate::product::DepthRule;

/// Name of the scenario that lays a reference target on the belt.
pub const TARGET_SCENARIO: &str = "target";

/// Colour of the plate between the patches: a light grey, anodised aluminium (invented).
const PLATE_LAB: [f64; 3] = [66.0, 0.0, -1.0];
/// Spread of its brightness.
const PLATE_TEXTURE: f64 = 0.02;
/// Spread of a painted patch's brightness.
const PATCH_TEXTURE: f64 = 0.01;
/// Feature size of the brightness texture, mm.
const TEXTURE_MM: f64 = 1.6;
/// Free belt before and behind the target, mm.
const END_MARGIN_MM: f64 = 30.0;

/// A recording for one target: the scanner of the slicing line, over a belt that runs flat while the target passes.
///
/// A plate is stiff and does not follow the belt's ripple, and what it stands on would be told as roll, pitch and bow.
#[must_use]
pub fn target_scenario(target: &Target, yaw_mrad: f64) -> Scenario {
    let mut scanner: ScannerModel = harbour_1();
    scanner.belt.tilt_across_mrad = 0.0;
    scanner.belt.tilt_along_mrad = 0.0;
    scanner.belt.bow_mm = 0.0;
    scanner.belt.ripple_mm = 0.0;
    let (sin, cos) = (1e-3 * yaw_mrad).sin_cos();
    let reach_mm = sin.abs() * target.plate.across_mm + cos.abs() * target.plate.along_mm;
    // Whole steps of 10 mm, so that a turn by a little does not change the frame.
    let length_mm = 10.0 * ((reach_mm + 2.0 * END_MARGIN_MM) / 10.0).ceil();
    let material = |name: String, lab: [f64; 3], texture: f64| Material {
        name,
        lab,
        texture,
        glossy: false,
        density_kg_m3: 2700.0,
        depth: DepthRule::Through,
    };
    let patches = target.patches.iter().enumerate();
    let patches = patches.map(|(i, p)| material(format!("patch-{}", i + 1), p.lab, PATCH_TEXTURE));
    let mut materials = vec![material("plate".into(), PLATE_LAB, PLATE_TEXTURE)];
    materials.extend(patches);
    Scenario {
        name: TARGET_SCENARIO.into(),
        frame_rows: (length_mm / scanner.pitch_along_mm).round().max(1.0) as usize,
        scanner,
        length_mm,
        captured: Timestamp::constant(1_772_602_200, 0),
        belt_speed_mm_s: 450.0,
        product_temperature_c: 20.0,
        lanes: None,
        claims: vec![None; materials.len()],
        materials,
        kinds: Vec::new(),
        placing: Placing {
            lanes: 0,
            side_margin_mm: 0.0,
            end_margin_mm: END_MARGIN_MM,
            gap_mm: [0.0; 2],
            side_gap_mm: 0.0,
            touching_share: 0.0,
            yaw_spread_rad: 0.0,
            tries: 1,
        },
    }
}

/// The target, its middle at `middle_mm` on the belt, turned by `yaw_mrad` about it. Returned with it is the place of its
/// plate's corner, mm.
#[must_use]
pub fn target_scene(
    target: &Target,
    middle_mm: [f64; 2],
    yaw_mrad: f64,
    seed: u64,
) -> (Scene, [f64; 2]) {
    let half = [0.5 * target.plate.across_mm, 0.5 * target.plate.along_mm];
    let patch = |(index, patch): (usize, &crate::calibration::Patch)| {
        let region = Region::Rectangle {
            centre_mm: [patch.x_mm - half[0], patch.y_mm - half[1]],
            half_sides_mm: [0.5 * patch.size_mm; 2],
        };
        (index + 1, region)
    };
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let pattern = Pattern {
        ground: 0,
        regions: target.patches.iter().enumerate().map(patch).collect(),
        texture: SmoothField::new(TEXTURE_MM, &mut rng),
        gloss: SmoothField::new(TEXTURE_MM, &mut rng),
    };
    let yaw_rad = 1e-3 * yaw_mrad;
    let pose = Pose {
        x_mm: middle_mm[0],
        y_mm: middle_mm[1],
        yaw_rad,
        mirrored: false,
    };
    let (sin, cos) = yaw_rad.sin_cos();
    let corner = [
        middle_mm[0] - cos * half[0] + sin * half[1],
        middle_mm[1] - sin * half[0] - cos * half[1],
    ];
    let shape = Shape::Target(Box::new(target.clone()));
    let piece = PlacedPiece::new(TARGET_SCENARIO, shape, pattern, pose);
    (
        Scene {
            pieces: vec![piece],
        },
        corner,
    )
}

/// Volume of the target as seen from above, mm³.
pub(super) fn volume_mm3(target: &Target) -> f64 {
    let plate = &target.plate;
    let frustums = target.frustums.iter().map(|frustum| frustum.volume_mm3());
    let steps = target
        .steps
        .iter()
        .map(|step| step.across_mm * step.along_mm * step.height_mm);
    let bodies = frustums
        .chain(steps)
        .chain(target.spheres.iter().map(sphere_mm3));
    plate.across_mm * plate.along_mm * plate.thickness_mm + bodies.sum::<f64>()
}

/// What a sphere adds above the plate, all that is beneath it counted as solid.
fn sphere_mm3(sphere: &Sphere) -> f64 {
    let (r, c) = (sphere.radius_mm, sphere.centre_height_mm);
    if c >= 0.0 {
        PI * r * r * c + 2.0 / 3.0 * PI * r.powi(3)
    } else {
        let h = (r + c).max(0.0);
        PI * h * h * (3.0 * r - h) / 3.0
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::calibration::{Frustum, Patch, Plate, Step};

    fn target() -> Target {
        Target {
            name: "plate".into(),
            plate: Plate {
                across_mm: 200.0,
                along_mm: 100.0,
                thickness_mm: 12.0,
            },
            frustums: vec![Frustum {
                x_mm: 50.0,
                y_mm: 40.0,
                base_mm: 40.0,
                top_mm: 20.0,
                height_mm: 15.0,
            }],
            steps: vec![Step {
                x_mm: 120.0,
                y_mm: 40.0,
                across_mm: 30.0,
                along_mm: 20.0,
                height_mm: 6.0,
            }],
            spheres: vec![Sphere {
                x_mm: 170.0,
                y_mm: 60.0,
                radius_mm: 12.0,
                centre_height_mm: 2.0,
            }],
            patches: vec![Patch {
                x_mm: 100.0,
                y_mm: 80.0,
                size_mm: 20.0,
                lab: [50.0, 20.0, 10.0],
            }],
            u_mm: None,
            certificate: None,
            temperature_c: None,
            expansion_per_k: None,
        }
    }

    #[test]
    fn corner_and_turn_put_every_point_where_it_belongs() {
        let target = target();
        let yaw_mrad = 700.0;
        let (scene, corner) = target_scene(&target, [300.0, 150.0], yaw_mrad, 1);
        let piece = &scene.pieces[0];
        let (sin, cos) = (1e-3 * yaw_mrad).sin_cos();
        let on_belt =
            |u: f64, v: f64| [corner[0] + cos * u - sin * v, corner[1] + sin * u + cos * v];
        for (u, v, height) in [
            (50.0, 40.0, 27.0),
            (120.0, 40.0, 18.0),
            (170.0, 60.0, 26.0),
            (5.0, 5.0, 12.0),
        ] {
            let [x, y] = on_belt(u, v);
            let found = piece.height_mm(x, y).expect("on the plate");
            assert!((found - height).abs() < 1e-9, "{found} for {height}");
        }
        let [x, y] = on_belt(-1.0, 50.0);
        assert_eq!(piece.height_mm(x, y), None);
        let [u, v] = piece.to_piece(on_belt(100.0, 80.0)[0], on_belt(100.0, 80.0)[1]);
        assert_eq!(piece.pattern.material_at(u, v, 12.0), 1);
        assert_eq!(piece.pattern.material_at(u + 10.5, v, 12.0), 0);
    }

    #[test]
    fn the_volume_is_that_of_the_heights() {
        let target = target();
        let shape = Shape::Target(Box::new(target.clone()));
        let step = 0.25;
        let mut sum = 0.0;
        for i in 0..800 {
            for j in 0..400 {
                let place = [
                    (f64::from(i) + 0.5) * step - 100.0,
                    (f64::from(j) + 0.5) * step - 50.0,
                ];
                sum += shape.height_mm(place[0], place[1]).expect("on the plate") * step * step;
            }
        }
        let size = shape.size();
        assert!(
            (sum / size.volume_mm3 - 1.0).abs() < 2e-4,
            "{sum} {}",
            size.volume_mm3
        );
    }
}
