//! Checks of the simulator against closed forms and against itself.

use std::f64::consts::{FRAC_PI_2, PI};

use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;

use super::*;
use crate::calibration::{Camera, CameraSide, GeometricErrors};
use crate::product::DepthRule;
use crate::scan::Counts;

/// A plain pattern of material 0.
fn plain() -> Pattern {
    let mut rng = ChaCha8Rng::seed_from_u64(1);
    Pattern {
        ground: 0,
        regions: Vec::new(),
        texture: SmoothField::new(2.0, &mut rng),
        gloss: SmoothField::new(2.0, &mut rng),
    }
}

fn place(shape: Shape, x_mm: f64, y_mm: f64, yaw_rad: f64) -> PlacedPiece {
    let pose = Pose {
        x_mm,
        y_mm,
        yaw_rad,
        mirrored: false,
    };
    PlacedPiece::new("test", shape, plain(), pose)
}

/// A scanner without any fault, without colour, and looking from straight above.
fn faultless(pitch_mm: f64) -> Scenario {
    let mut scenario = Scenario::named("lobes").unwrap();
    let scanner = &mut scenario.scanner;
    scanner.width_mm = 300.0;
    scanner.pitch_across_mm = pitch_mm;
    scanner.pitch_along_mm = pitch_mm;
    scanner.scale_mm = 0.001;
    scanner.offset_mm = -5.0;
    scanner.noise_mm = 0.0;
    scanner.dropout_fraction = 0.0;
    scanner.camera = None;
    scanner.colour = None;
    scanner.belt.tilt_across_mrad = 0.0;
    scanner.belt.tilt_along_mrad = 0.0;
    scanner.belt.bow_mm = 0.0;
    scanner.belt.ripple_mm = 0.0;
    scenario.length_mm = 300.0;
    scenario.frame_rows = 10_000;
    scenario
}

/// Heights in mm of all frames joined, row by row, `None` where there was no return.
fn heights(recording: &SimulatedRecording) -> Vec<Option<f64>> {
    let mut all = Vec::new();
    for frame in &recording.frames {
        let part = &frame.description.height;
        let Counts::U16(counts) = &frame.height.counts else {
            panic!("range frames hold counts");
        };
        all.extend(
            counts
                .iter()
                .map(|c| (*c != 0).then(|| part.offset + part.scale * f64::from(*c))),
        );
    }
    all
}

fn scan(scenario: &Scenario, pieces: Vec<PlacedPiece>) -> Vec<Option<f64>> {
    heights(&simulate_scene(scenario, &Scene { pieces }, 3).unwrap())
}

/// One of each closed form, with its volume by formulas from the textbook (Bronshtein and Semendyayev, Handbook of
/// Mathematics, 3.3), worked out in Python for these dimensions.
fn textbook() -> Vec<(Shape, f64)> {
    vec![
        (
            Shape::SphericalCap {
                base_radius_mm: 40.0,
                height_mm: 20.0,
            },
            54_454.272_662_223_084,
        ),
        (
            Shape::HalfEllipsoid {
                half_axes_mm: [60.0, 40.0, 25.0],
            },
            125_663.706_143_591_71,
        ),
        (
            Shape::Cone {
                base_radius_mm: 40.0,
                top_radius_mm: 25.0,
                height_mm: 30.0,
            },
            101_316.363_078_270_82,
        ),
        (
            Shape::Cone {
                base_radius_mm: 30.0,
                top_radius_mm: 0.0,
                height_mm: 50.0,
            },
            47_123.889_803_846_9,
        ),
        (
            Shape::Paraboloid {
                base_radius_mm: 30.0,
                height_mm: 20.0,
            },
            28_274.333_882_308_136,
        ),
        (
            Shape::HalfCylinder {
                radius_mm: 20.0,
                length_mm: 100.0,
            },
            62_831.853_071_795_864,
        ),
        (
            Shape::Block {
                length_mm: 100.0,
                width_mm: 60.0,
                height_mm: 20.0,
            },
            120_000.0,
        ),
        // Square frustum: h/3·(a² + ab + b²).
        (
            Shape::Frustum {
                base_mm: [50.0, 50.0],
                top_mm: [26.0, 26.0],
                height_mm: 15.0,
            },
            22_380.0,
        ),
    ]
}

#[test]
fn closed_volumes_are_those_of_the_textbook() {
    for (shape, volume_mm3) in textbook() {
        let found = shape.size().volume_mm3;
        assert!(
            (found / volume_mm3 - 1.0).abs() < 1e-12,
            "{shape:?}: {found}"
        );
        let scaled = shape.with_volume_mm3(50_000.0).size().volume_mm3;
        assert!((scaled / 50_000.0 - 1.0).abs() < 1e-12);
    }
}

#[test]
fn quadrature_of_a_dome_is_the_half_ellipsoid() {
    let size = Shape::Star(Star::dome(60.0, 40.0, 25.0)).size();
    assert!(
        (size.volume_mm3 / 125_663.706_143_591_71 - 1.0).abs() < 1e-10,
        "{size:?}"
    );
    assert!((size.area_mm2 / (PI * 2400.0) - 1.0).abs() < 1e-12);
    assert!((size.max_height_mm - 25.0).abs() < 1e-9);
}

#[test]
fn quadrature_of_a_steep_dome_follows_the_beta_function() {
    // 2πab·h·∫ρ(1 − ρ^p)^(1/q)dρ = 2πab·h·B(2/p, 1 + 1/q)/p; values of B from SciPy 1.17.1, `scipy.special.beta`.
    for (rim, edge, beta) in [
        (8.0, 2.0, 3.496_076_739_056_159),
        (3.0, 2.5, 1.166_418_696_059_919_9),
        (4.5, 3.0, 1.922_506_981_486_245_2),
        (2.5, 1.5, 0.809_148_061_296_625_6),
    ] {
        let mut star = Star::dome(50.0, 30.0, 20.0);
        star.rim = rim;
        star.edge = edge;
        let exact = 2.0 * PI * 1500.0 * 20.0 * beta / rim;
        let found = Shape::Star(star).size().volume_mm3;
        assert!(
            (found / exact - 1.0).abs() < 1e-6,
            "{rim} {edge}: {found} {exact}"
        );
    }
}

#[test]
fn quadrature_of_lobes_agrees_with_a_fine_raster() {
    // The raster knows nothing of polar coordinates, bends or grading: only of the height.
    for (kind, seed) in [
        (Kind::Lobed, 1),
        (Kind::Lobed, 2),
        (Kind::Slab, 3),
        (Kind::BellyStrip, 4),
        (Kind::Fillet, 5),
        (Kind::Roll, 6),
        (Kind::Loaf, 7),
    ] {
        let (shape, _) = kind.draw(&mut ChaCha8Rng::seed_from_u64(seed));
        let size = shape.size();
        let step = 0.1;
        let (mut volume, mut area, mut top) = (0.0, 0.0, 0.0_f64);
        let mut moment = [0.0, 0.0];
        for j in -900..900 {
            for i in -1600..1600 {
                let (u, v) = (step * (f64::from(i) + 0.5), step * (f64::from(j) + 0.5));
                if let Some(z) = shape.height_mm(u, v) {
                    volume += z * step * step;
                    area += step * step;
                    moment[0] += u * step * step;
                    moment[1] += v * step * step;
                    top = top.max(z);
                }
            }
        }
        assert!(
            (volume / size.volume_mm3 - 1.0).abs() < 5e-5,
            "{kind:?} {volume} {size:?}"
        );
        assert!(
            (area / size.area_mm2 - 1.0).abs() < 2e-4,
            "{kind:?} {area} {size:?}"
        );
        assert!(
            (top - size.max_height_mm).abs() < 0.02,
            "{kind:?} {top} {size:?}"
        );
        for (moment, centroid_mm) in moment.iter().zip(size.centroid_mm) {
            assert!((moment / area - centroid_mm).abs() < 0.02, "{kind:?}");
        }
    }
}

#[test]
fn a_faultless_scan_sums_to_the_true_volume() {
    // The sampling floor of a half ellipsoid at 0.5 mm is 1e-4 (computed with NumPy over nine grid offsets); solids
    // with upright walls in one line with the grid do worse, so all are turned.
    let scenario = faultless(0.5);
    let mut errors = Vec::new();
    for (shape, volume_mm3) in textbook() {
        for yaw in [0.3, 1.1] {
            let upright = matches!(shape, Shape::Block { .. } | Shape::HalfCylinder { .. });
            let sum: f64 = scan(&scenario, vec![place(shape.clone(), 150.3, 149.8, yaw)])
                .iter()
                .flatten()
                .sum();
            let error = sum * 0.25 / volume_mm3 - 1.0;
            // A count of 0.001 mm and its rounding are far below; an upright wall's footprint is counted in cells.
            let floor = if upright { 1e-3 } else { 3e-4 };
            assert!(error.abs() < floor, "{shape:?} {yaw}: {error}");
            errors.push(error);
        }
    }
    let mean = errors.iter().sum::<f64>() / errors.len() as f64;
    assert!(mean.abs() < 1e-4, "{mean}");
}

#[test]
fn turning_and_mirroring_keep_the_volume() {
    let scenario = faultless(0.5);
    let (shape, _) = Kind::Lobed.draw(&mut ChaCha8Rng::seed_from_u64(9));
    let volume_mm3 = shape.size().volume_mm3;
    for step in 0..6 {
        for mirrored in [false, true] {
            let pose = Pose {
                x_mm: 150.0 + 0.07 * f64::from(step),
                y_mm: 150.0,
                yaw_rad: 0.9 * f64::from(step),
                mirrored,
            };
            let piece = PlacedPiece::new("test", shape.clone(), plain(), pose);
            let sum: f64 = scan(&scenario, vec![piece]).iter().flatten().sum();
            assert!((sum * 0.25 / volume_mm3 - 1.0).abs() < 3e-4);
        }
    }
}

/// Rows without a return in the column through a box's middle, before and behind the box.
fn shadow_rows(side: CameraSide, angle_deg: f64) -> (usize, usize) {
    let mut scenario = faultless(0.5);
    scenario.scanner.camera = Some(Camera { side, angle_deg });
    let block = Shape::Block {
        length_mm: 60.0,
        width_mm: 40.0,
        height_mm: 30.0,
    };
    let seen = scan(&scenario, vec![place(block, 150.0, 150.0, 0.0)]);
    let columns = scenario.scanner.columns();
    let lost: Vec<usize> = (0..scenario.rows())
        .filter(|row| seen[row * columns + columns / 2].is_none())
        .collect();
    let before = lost.iter().filter(|r| **r < 300).count();
    (before, lost.len() - before)
}

#[test]
fn the_shadow_of_a_box_is_its_height_times_the_tangent() {
    // Behind an edge of height h the camera loses h·tan(angle) of belt: 30 mm at 30° lose 17.3205 mm.
    for (angle_deg, length_mm) in [(30.0, 17.3205), (25.0, 13.9892), (45.0, 30.0)] {
        let (before, behind) = shadow_rows(CameraSide::LowY, angle_deg);
        assert_eq!(before, 0);
        assert!((0.5 * behind as f64 - length_mm).abs() <= 0.51, "{behind}");
        let (before, behind) = shadow_rows(CameraSide::HighY, angle_deg);
        assert_eq!(behind, 0);
        assert!((0.5 * before as f64 - length_mm).abs() <= 0.51, "{before}");
    }
    assert_eq!(shadow_rows(CameraSide::LowY, 0.0), (0, 0));
}

#[test]
fn a_fan_of_light_shades_outwards() {
    // Apex 400 mm over the middle at x = 150, a box's top edge at x = 230 and 30 mm: the ray there meets the belt at
    // 150 + 80·400/370 = 236.486 mm.
    let mut scenario = faultless(0.5);
    scenario.scanner.laser_apex_mm = Some(400.0);
    let block = Shape::Block {
        length_mm: 40.0,
        width_mm: 40.0,
        height_mm: 30.0,
    };
    let seen = scan(&scenario, vec![place(block, 210.0, 150.0, 0.0)]);
    let columns = scenario.scanner.columns();
    let lost: Vec<usize> = (0..columns)
        .filter(|c| seen[300 * columns + c].is_none())
        .collect();
    assert!(lost.iter().all(|c| *c >= 460), "{lost:?}");
    assert!((0.5 * lost.len() as f64 - 6.486).abs() <= 0.51, "{lost:?}");
}

#[test]
fn geometric_errors_move_a_box_as_the_model_says() {
    let mut scenario = faultless(0.5);
    scenario.scanner.errors = GeometricErrors {
        across_scale: 1.02,
        along_scale: 0.98,
        height_scale: 0.99,
        height_offset_mm: 0.4,
        roll_mrad: 2.0,
        pitch_mrad: -1.5,
        bow_mm: 0.3,
        skew_mrad: 8.0,
        lean_mrad: 5.0,
    };
    let (x, y, z) = (200.0, 100.0, 30.0);
    let block = Shape::Block {
        length_mm: 40.0,
        width_mm: 40.0,
        height_mm: z,
    };
    // Turned, so that the grid's cells count its footprint evenly.
    let seen = scan(&scenario, vec![place(block, x, y, 0.3)]);
    let columns = scenario.scanner.columns();
    // The model of docs/simulation.md, forwards; (cx, cy) = (150, 150), half width 150.
    let x_m = 150.0 + 1.02 * (x - 150.0);
    let y_m = 0.98 * (y + 0.008 * (x - 150.0) + 0.005 * z);
    let z_m = 0.99 * z + 0.4 + 0.002 * (x - 150.0) - 0.0015 * (y - 150.0)
        + 0.3 * ((x - 150.0) / 150.0_f64).powi(2);
    let on_top: Vec<(f64, f64, f64)> = seen
        .iter()
        .enumerate()
        .filter_map(|(i, z)| {
            let place = ((i % columns) as f64 + 0.5, (i / columns) as f64 + 0.5);
            z.filter(|z| *z > 20.0)
                .map(|z| (0.5 * place.0, 0.5 * place.1, z))
        })
        .collect();
    let n = on_top.len() as f64;
    let mean = |pick: fn(&(f64, f64, f64)) -> f64| on_top.iter().map(pick).sum::<f64>() / n;
    assert!((mean(|p| p.0) - x_m).abs() < 0.05, "{}", mean(|p| p.0));
    assert!(
        (mean(|p| p.1) - y_m).abs() < 0.05,
        "{} {y_m}",
        mean(|p| p.1)
    );
    // The mean of s² over the box adds its own spread: bow·(20²/3)/150².
    let spread = 0.3 * 400.0 / 3.0 / 22_500.0;
    assert!(
        (mean(|p| p.2) - z_m - spread).abs() < 0.01,
        "{}",
        mean(|p| p.2)
    );
    // Its footprint is stretched across and pressed along.
    assert!((n * 0.25 / (1600.0 * 1.02 * 0.98) - 1.0).abs() < 0.02);
}

/// A small belly scenario with all effects on.
fn busy() -> Scenario {
    let mut scenario = Scenario::named("belly-strips").unwrap();
    scenario.scanner.width_mm = 200.0;
    scenario.scanner.spike_fraction = 0.001;
    scenario.scanner.mixed_fraction = 0.3;
    scenario.scanner.correlated_noise_mm = 0.02;
    scenario.length_mm = 300.0;
    scenario.placing.lanes = 2;
    scenario.placing.end_margin_mm = 10.0;
    scenario
}

fn joined(recording: &SimulatedRecording) -> (Vec<Option<f64>>, Vec<u8>) {
    let colour = recording
        .frames
        .iter()
        .flat_map(|f| f.colour.as_ref().unwrap().rgb.clone())
        .collect();
    (heights(recording), colour)
}

#[test]
fn cutting_into_other_frames_changes_no_row() {
    let mut scenario = busy();
    let whole = simulate(&scenario, 5).unwrap();
    assert_eq!(whole.frames.len(), 1);
    for frame_rows in [37, 200] {
        scenario.frame_rows = frame_rows;
        let cut = simulate(&scenario, 5).unwrap();
        assert_eq!(cut.frames.len(), 600_usize.div_ceil(frame_rows));
        assert_eq!(joined(&cut), joined(&whole));
        // Every colour row keeps its place on the belt.
        let mut next_mm = 0.0;
        for frame in &cut.frames {
            let part = frame.description.colour.as_ref().unwrap();
            let start_mm = 0.5 * frame.description.height.first_profile as f64;
            assert!((start_mm + part.origin_along_mm - next_mm).abs() < 1e-5);
            let rows = frame.colour.as_ref().unwrap().rgb.len() / 3 / 500;
            next_mm += 0.4 * rows as f64;
        }
    }
}

#[test]
fn a_seed_gives_the_same_bytes_whatever_the_threads() {
    let scenario = busy();
    let pool = |threads| {
        rayon::ThreadPoolBuilder::new()
            .num_threads(threads)
            .build()
            .unwrap()
    };
    let one = pool(1).install(|| simulate(&scenario, 11).unwrap());
    let three = pool(3).install(|| simulate(&scenario, 11).unwrap());
    assert_eq!(one, three);
    assert_ne!(one, simulate(&scenario, 12).unwrap());
}

#[test]
fn the_true_fat_share_is_what_a_count_of_its_pixels_gives() {
    let mut scenario = Scenario::named("belly-strips").unwrap();
    scenario.scanner.errors = GeometricErrors::NONE;
    let colour = scenario.scanner.colour.as_mut().unwrap();
    colour.registration = Default::default();
    colour.response = [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]];
    colour.vignetting = 0.0;
    colour.shading = 0.0;
    colour.gloss_fraction = 0.0;
    colour.blur_px = 0.0;
    colour.noise_counts = 0.0;
    scenario.frame_rows = 10_000;
    let scene = scenario.scene(4);
    let recording = simulate_scene(&scenario, &scene, 4).unwrap();
    let colour = recording.frames[0].colour.as_ref().unwrap();
    let mut pieces = scene.pieces.clone();
    pieces.sort_by(|a, b| {
        let place = |p: &PlacedPiece| {
            recording
                .truth
                .iter()
                .position(|t| (t.volume_cm3 - p.size().volume_mm3 / 1000.0).abs() < 1e-9)
        };
        place(a).cmp(&place(b))
    });
    assert!(pieces.len() > 10);
    for (piece, truth) in pieces.iter().zip(&recording.truth) {
        let (mut fat, mut all) = (0.0, 0.0);
        let (low, high) = piece.bounds_mm();
        let row = colour.columns * 3;
        let from = (low[1] / 0.4) as usize * row;
        let to = (high[1] / 0.4).ceil() as usize * row;
        for (i, rgb) in colour.rgb[from..to].chunks(3).enumerate() {
            let x = 0.4 * ((i % colour.columns) as f64 + 0.5);
            let y = 0.4 * (((from / 3 + i) / colour.columns) as f64 + 0.5);
            if piece.height_mm(x, y).is_some() {
                all += 1.0;
                // Green tells pale fat from red lean: far apart, with nothing between.
                fat += f64::from(u8::from(rgb[1] > 135));
            }
        }
        assert!(
            (fat / all - truth.fat_fraction).abs() < 3e-3,
            "{} {truth:?}",
            fat / all
        );
        assert!((0.02..0.98).contains(&truth.fat_fraction));
    }
}

#[test]
fn a_layer_of_fat_weighs_what_its_depth_says() {
    // A box of 20 mm, all fat on top to a depth of 5 mm over lean: a quarter fat by volume.
    let mut scenario = faultless(0.5);
    scenario.materials[0].density_kg_m3 = 1050.0;
    scenario.materials[1].density_kg_m3 = 950.0;
    scenario.materials[1].depth = DepthRule::Layer { depth_mm: 5.0 };
    let block = Shape::Block {
        length_mm: 100.0,
        width_mm: 50.0,
        height_mm: 20.0,
    };
    let mut piece = place(block, 150.0, 150.0, 0.4);
    piece.pattern.ground = 1;
    let scene = Scene {
        pieces: vec![piece],
    };
    let truth = &simulate_scene(&scenario, &scene, 1).unwrap().truth[0];
    assert!((truth.fat_fraction - 1.0).abs() < 1e-12);
    assert!((truth.fat_volume_fraction - 0.25).abs() < 1e-12);
    assert!((truth.mass_g - (75.0 * 1.05 + 25.0 * 0.95)).abs() < 1e-9);
    assert!((truth.length_mm - 100.0).abs() < 1e-9 && (truth.width_mm - 50.0).abs() < 1e-9);
    assert!((truth.yaw_mrad - 400.0).abs() < 1e-6);
    assert!((truth.x_mm - 150.0).abs() < 1e-9 && (truth.area_cm2 - 50.0).abs() < 1e-9);
}

#[test]
fn every_scenario_lays_pieces_apart_and_on_the_belt() {
    for name in SCENARIOS {
        let scenario = Scenario::named(name).unwrap();
        let scene = scenario.scene(7);
        assert!(scene.pieces.len() >= 8, "{name}: {}", scene.pieces.len());
        let step = 0.5;
        let columns = (scenario.scanner.width_mm / step) as usize;
        let rows = (scenario.length_mm / step) as usize;
        let mut owner = vec![usize::MAX; rows * columns];
        let mut covered = 0;
        for (number, piece) in scene.pieces.iter().enumerate() {
            let (low, high) = piece.bounds_mm();
            assert!(
                low[0] > 0.0 && high[0] < scenario.scanner.width_mm,
                "{name}"
            );
            assert!(low[1] > 0.0 && high[1] < scenario.length_mm, "{name}");
            for row in (low[1] / step) as usize..=((high[1] / step) as usize).min(rows - 1) {
                for column in
                    (low[0] / step) as usize..=((high[0] / step) as usize).min(columns - 1)
                {
                    let (x, y) = (step * (column as f64 + 0.5), step * (row as f64 + 0.5));
                    if piece.height_mm(x, y).is_some() {
                        let before = owner[row * columns + column];
                        if before == usize::MAX {
                            covered += 1;
                        } else {
                            // Only pieces laid against each other share a cell.
                            assert!(piece.touching && scene.pieces[before].touching, "{name}");
                        }
                        owner[row * columns + column] = number;
                    }
                }
            }
        }
        let share = f64::from(covered) / (rows * columns) as f64;
        if name == "crowd" {
            assert!(share >= 0.6, "{share}");
            assert!(scene.pieces.iter().filter(|p| p.touching).count() >= 4);
        } else {
            assert!((0.08..0.7).contains(&share), "{name}: {share}");
            assert!(scene.pieces.iter().all(|p| !p.touching));
        }
    }
}

#[test]
fn pieces_laid_against_each_other_touch() {
    let scenario = faultless(0.4);
    let (shape, _) = Kind::Lobed.draw(&mut ChaCha8Rng::seed_from_u64(21));
    let shape = shape.with_volume_mm3(80_000.0);
    for contact in [
        Contact::SideBySide,
        Contact::EndToEnd,
        Contact::Lap { overlap_mm: 12.0 },
    ] {
        let mut first = place(shape.clone(), 100.0, 100.0, 0.2);
        let second = lay_against(
            &mut first,
            place(shape.clone(), 0.0, 0.0, FRAC_PI_2),
            contact,
        );
        assert!(first.touching && second.touching);
        let volume_mm3 = 2.0 * first.size().volume_mm3;
        // Both boundaries are crossed: some cell belongs to both, and the volumes still add up.
        let step = 0.1;
        let (low, high) = first.bounds_mm();
        let columns = ((high[0] - low[0]) / step) as usize;
        let rows = ((high[1] - low[1]) / step) as usize;
        let both = (0..rows * columns).any(|i| {
            let x = low[0] + step * (i % columns) as f64;
            let y = low[1] + step * (i / columns) as f64;
            first.height_mm(x, y).is_some() && second.height_mm(x, y).is_some()
        });
        assert!(both, "{contact:?}");
        let sum: f64 = scan(&scenario, vec![first, second]).iter().flatten().sum();
        assert!((sum * 0.16 / volume_mm3 - 1.0).abs() < 3e-4, "{contact:?}");
    }
}

#[test]
fn noise_dropouts_and_ripple_are_as_large_as_asked() {
    let mut scenario = faultless(0.5);
    scenario.scanner.noise_mm = 0.05;
    scenario.scanner.dropout_fraction = 0.02;
    let seen = scan(&scenario, Vec::new());
    let lost = seen.iter().filter(|z| z.is_none()).count() as f64 / seen.len() as f64;
    // 360 000 samples: a share of 2 % is known to 2.3e-4.
    assert!((lost - 0.02).abs() < 1e-3, "{lost}");
    let errors = Spread::of(seen.iter().flatten().copied());
    assert!(errors.mean.abs() < 5e-4, "{errors:?}");
    assert!((errors.sd - 0.05).abs() < 5e-4, "{errors:?}");
    scenario.scanner.noise_mm = 0.0;
    scenario.scanner.belt.ripple_mm = 0.08;
    let top = scan(&scenario, Vec::new())
        .iter()
        .flatten()
        .fold(0.0_f64, |top, z| top.max(*z));
    assert!((top - 0.08).abs() < 2e-3, "{top}");
}

#[test]
fn scenarios_that_make_no_sense_are_errors() {
    let good = faultless(0.5);
    type Breaks = fn(&mut Scenario);
    let broken: [(&str, Breaks); 7] = [
        ("pitch_across_mm", |s| s.scanner.pitch_across_mm = 0.0),
        ("length_mm", |s| s.length_mm = f64::NAN),
        ("4e8", |s| s.length_mm = 1e9),
        ("dropout_fraction", |s| s.scanner.dropout_fraction = 1.5),
        ("kinds", |s| s.kinds.clear()),
        ("frame_rows", |s| s.frame_rows = 0),
        ("materials", |s| s.materials.clear()),
    ];
    for (says, breaks) in broken {
        let mut scenario = good.clone();
        breaks(&mut scenario);
        let error = simulate(&scenario, 1).unwrap_err();
        assert!(error.to_string().contains(says), "{error}");
    }
}

#[test]
fn the_calibration_takes_vignetting_and_response_back() {
    let scenario = Scenario::named("belly-strips").unwrap();
    let calibration = scenario.calibration();
    let colour = calibration.colour.unwrap();
    let response = scenario.scanner.colour.as_ref().unwrap().response;
    let matrix = |rows: [[f64; 3]; 3]| nalgebra::Matrix3::from_fn(|r, c| rows[r][c]);
    let product = matrix(colour.matrix) * matrix(response);
    assert!((product - nalgebra::Matrix3::identity()).norm() < 1e-12);
    assert!((matrix(response) - nalgebra::Matrix3::identity()).norm() > 0.05);
    let green = &colour.flat_field[1];
    assert!((green[0] - 0.85).abs() < 1e-12 && (green[32] - 1.0).abs() < 1e-12);
    assert_eq!(calibration.errors, scenario.scanner.errors);
}

#[test]
fn a_truth_table_survives_csv() {
    let mut scenario = busy();
    scenario.scanner.colour = None;
    let truth = simulate(&scenario, 2).unwrap().truth;
    let mut writer = csv::Writer::from_writer(Vec::new());
    for piece in &truth {
        writer.serialize(piece).unwrap();
    }
    let bytes = writer.into_inner().unwrap();
    let read: Vec<TruthPiece> = csv::Reader::from_reader(&bytes[..])
        .deserialize()
        .collect::<Result<_, _>>()
        .unwrap();
    assert_eq!(read, truth);
    assert!(!truth.is_empty());
}
