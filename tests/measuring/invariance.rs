//! What must not change a result, and by how little it may where rounding comes in.

use std::fs;

use weighlight::Error;
use weighlight::calibration::{Camera, CameraSide};
use weighlight::scan::Counts;
use weighlight::simulate::{
    PlacedPiece, Pose, Scenario, Scene, SimulatedFrame, simulate, simulate_scene,
};
use weighlight::tables::{Flag, PieceRecord};

use super::recordings::{csv, measured, quiet, records, rows, written};

/// A full recording with all that a scanner does wrong, small enough to be measured many times.
fn lively(frame_rows: usize) -> Scenario {
    let mut scenario = Scenario::named("crowd").unwrap();
    scenario.scanner.width_mm = 320.0;
    scenario.length_mm = 400.0;
    scenario.frame_rows = frame_rows;
    // Frames end within a row of colour.
    scenario.scanner.colour.as_mut().unwrap().pitch_along_mm = 0.3;
    scenario
}

#[test]
fn how_a_recording_is_cut_into_frames_changes_nothing() {
    let cut = |frame_rows: usize| {
        let scenario = lively(frame_rows);
        let frames = simulate(&scenario, 5).unwrap().frames;
        (frames.len(), csv(records(&frames, &scenario)))
    };
    let (frames, whole) = cut(usize::MAX);
    assert_eq!(frames, 1);
    assert!(whole.lines().count() > 5, "{whole}");
    for frame_rows in [97, 500] {
        let (frames, parts) = cut(frame_rows);
        assert!(frames > 1);
        assert_eq!(parts, whole, "frames of {frame_rows} rows");
    }
}

#[test]
fn the_number_of_threads_changes_nothing() {
    let scenario = lively(300);
    let frames = simulate(&scenario, 6).unwrap().frames;
    let with = |threads: usize| {
        let pool = rayon::ThreadPoolBuilder::new()
            .num_threads(threads)
            .build()
            .unwrap();
        pool.install(|| csv(records(&frames, &scenario)))
    };
    let one = with(1);
    assert!(one.lines().count() > 5, "{one}");
    assert_eq!(with(2), one);
    assert_eq!(with(5), one);
}

/// Three lobed pieces without noise on a grid of half millimetres, whose places are exact in binary: moved by whole pitches,
/// each sample falls on the same point of a piece.
fn still() -> (Scenario, Scene) {
    let scenario = quiet("lobes", [0.5, 0.5], 320.0, 300.0);
    let drawn = Scenario::named("lobes").unwrap().scene(3).pieces;
    let places = [
        [90.25, 90.5, 0.3],
        [220.5, 110.25, 1.1],
        [130.0, 210.75, -0.7],
    ];
    let lay = |(piece, [x_mm, y_mm, yaw_rad]): (PlacedPiece, [f64; 3])| {
        let pose = Pose {
            x_mm,
            y_mm,
            yaw_rad,
            mirrored: false,
        };
        PlacedPiece::new(
            piece.kind,
            piece.shape.with_volume_mm3(120e3),
            piece.pattern,
            pose,
        )
    };
    let pieces = drawn.into_iter().zip(places).map(lay).collect();
    (scenario, Scene { pieces })
}

fn seen(scenario: &Scenario, scene: &Scene) -> Vec<PieceRecord> {
    records(
        &simulate_scene(scenario, scene, 1).unwrap().frames,
        scenario,
    )
}

/// What does not depend on where a piece lies or which way it is turned, and names for messages.
fn own(record: &PieceRecord) -> [(&'static str, f64); 12] {
    [
        ("length", record.length_mm),
        ("width", record.width_mm),
        ("max height", record.max_height_mm),
        ("area", record.area_cm2),
        ("surface", record.surface_cm2),
        ("perimeter", record.perimeter_mm),
        ("volume", record.volume_cm3),
        ("fat", record.fat_fraction.unwrap()),
        ("fat volume", record.fat_volume_fraction.unwrap()),
        ("fat mass", record.fat_mass_fraction.unwrap()),
        ("mass", record.mass_g),
        ("filled", record.filled_fraction),
    ]
}

/// Where the cells around a border cell tie, the first in order of rows decides, and turning the frame turns that order:
/// a few cells in ten thousand.
const SHARES: f64 = 5e-4;

#[track_caller]
fn assert_alike(one: &PieceRecord, two: &PieceRecord, tolerance: f64) {
    assert_eq!(one.flags, two.flags);
    for ((name, one), (_, two)) in own(one).into_iter().zip(own(two)) {
        let tolerance = if name.starts_with("fat") || name == "mass" {
            tolerance.max(SHARES)
        } else {
            tolerance
        };
        let error = (two - one).abs();
        assert!(
            error <= tolerance * one.abs().max(1e-3),
            "{name}: {one} and {two}"
        );
    }
}

/// Rounding of heights to f32 and of sums to f64.
const ROUNDING: f64 = 1e-6;

#[test]
fn pieces_moved_by_whole_pitches_measure_the_same() {
    let (scenario, scene) = still();
    let before = seen(&scenario, &scene);
    assert_eq!(before.len(), 3);
    for (across, along) in [(5.0, 0.0), (0.0, 11.5), (-7.5, 3.0)] {
        let mut moved = scene.clone();
        for piece in &mut moved.pieces {
            let mut pose = piece.pose;
            pose.x_mm += across;
            pose.y_mm += along;
            *piece = PlacedPiece::new(
                piece.kind.clone(),
                piece.shape.clone(),
                piece.pattern.clone(),
                pose,
            );
        }
        let after = seen(&scenario, &moved);
        assert_eq!(after.len(), before.len());
        for (before, after) in before.iter().zip(&after) {
            assert_alike(before, after, ROUNDING);
            assert!((after.x_mm - before.x_mm - across).abs() < 1e-6);
            assert!((after.y_mm - before.y_mm - along).abs() < 1e-6);
        }
    }
}

#[test]
fn a_height_offset_changes_nothing() {
    let (scenario, scene) = still();
    let mut frames = simulate_scene(&scenario, &scene, 1).unwrap().frames;
    let before = records(&frames, &scenario);
    for frame in &mut frames {
        frame.description.height.offset += 4.0;
    }
    let after = records(&frames, &scenario);
    assert_eq!(after.len(), 3);
    for (before, after) in before.iter().zip(&after) {
        assert_alike(before, after, 10.0 * ROUNDING);
    }
}

/// A tilted belt is found from its own samples. They are counts of 0.001 mm: half a count over the footprint is the most
/// that rounding can do to a volume; a belt bent by the way it is smoothed would show as more.
#[test]
fn a_tilted_belt_changes_no_volume() {
    let (mut scenario, scene) = still();
    let before = seen(&scenario, &scene);
    scenario.scanner.belt.tilt_across_mrad = 4.0;
    scenario.scanner.belt.tilt_along_mrad = -2.0;
    let after = seen(&scenario, &scene);
    assert_eq!(after.len(), 3);
    for (before, after) in before.iter().zip(&after) {
        let half_a_count_cm3 = 0.0005 * before.area_cm2 / 10.0;
        let change = after.volume_cm3 - before.volume_cm3;
        assert!(change.abs() <= half_a_count_cm3, "{change} cm3");
    }
}

/// The frame with its columns and, if wanted, its rows the other way round.
fn flipped(frame: &SimulatedFrame, rows_too: bool) -> SimulatedFrame {
    let mut frame = frame.clone();
    let turn = |index: usize, count: usize| count - 1 - index;
    let columns = frame.height.columns;
    let Counts::U16(counts) = frame.height.counts.clone() else {
        panic!("simulated frames hold counts");
    };
    let rows = counts.len() / columns;
    let place = |row, column| {
        let row = if rows_too { turn(row, rows) } else { row };
        row * columns + turn(column, columns)
    };
    let cells = (0..rows).flat_map(|row| (0..columns).map(move |column| (row, column)));
    frame.height.counts = Counts::U16(
        cells
            .clone()
            .map(|(row, column)| counts[place(row, column)])
            .collect(),
    );
    let colour = frame.colour.as_mut().unwrap();
    assert_eq!(
        (colour.columns, colour.rgb.len()),
        (columns, 3 * counts.len())
    );
    colour.rgb = cells
        .flat_map(|(row, column)| {
            let at = 3 * place(row, column);
            colour.rgb[at..at + 3].to_vec()
        })
        .collect();
    frame
}

/// Pieces by place, so that turned and unturned ones can be put side by side.
fn beside(all: &[PieceRecord], [x_mm, y_mm]: [f64; 2], reach_mm: f64) -> &PieceRecord {
    let near: Vec<&PieceRecord> = all
        .iter()
        .filter(|r| (r.x_mm - x_mm).hypot(r.y_mm - y_mm) <= reach_mm)
        .collect();
    assert_eq!(near.len(), 1, "at {x_mm}, {y_mm}");
    near[0]
}

fn flip_and_compare(camera: Option<CameraSide>, rows_too: bool, tolerance: f64) {
    let (mut scenario, scene) = still();
    let at = |side| Camera {
        side,
        angle_deg: 25.0,
    };
    scenario.scanner.camera = camera.map(at);
    let frames = simulate_scene(&scenario, &scene, 1).unwrap().frames;
    let before = records(&frames, &scenario);
    assert_eq!(before.len(), 3);
    let other: Vec<SimulatedFrame> = frames.iter().map(|f| flipped(f, rows_too)).collect();
    if rows_too {
        scenario.scanner.camera = camera.map(|side| {
            at(match side {
                CameraSide::LowY => CameraSide::HighY,
                CameraSide::HighY => CameraSide::LowY,
            })
        });
    }
    let after = records(&other, &scenario);
    assert_eq!(after.len(), 3);
    for before in &before {
        let y_mm = if rows_too {
            300.0 - before.y_mm
        } else {
            before.y_mm
        };
        let after = beside(&after, [320.0 - before.x_mm, y_mm], 0.25);
        assert_alike(before, after, tolerance);
    }
}

#[test]
fn a_turned_frame_gives_the_same_pieces() {
    flip_and_compare(None, true, ROUNDING);
}

#[test]
fn a_mirrored_frame_gives_the_same_pieces() {
    flip_and_compare(None, false, ROUNDING);
}

/// What is hidden is reconstructed from both sides; the order in which it is done may show in the last digits that matter.
const RECONSTRUCTED: f64 = 1e-3;

#[test]
fn a_mirrored_frame_with_shadows_gives_the_same_pieces() {
    flip_and_compare(Some(CameraSide::LowY), false, RECONSTRUCTED);
}

#[test]
fn a_turned_frame_with_the_camera_on_the_other_side_gives_the_same_pieces() {
    flip_and_compare(Some(CameraSide::LowY), true, RECONSTRUCTED);
}

/// A recording of many short frames without the one from y = 80 to 100 mm. What reaches it may be one piece or two, as
/// far as anybody can tell: it is marked. What lies elsewhere does not change.
#[test]
fn pieces_beside_a_missing_frame_are_marked_as_cut_and_others_stay() {
    let (mut scenario, scene) = still();
    scenario.frame_rows = 40;
    let mut frames = simulate_scene(&scenario, &scene, 1).unwrap().frames;
    let before = records(&frames, &scenario);
    assert!(before.iter().all(|r| r.flags.is_empty()), "{before:?}");
    frames.retain(|frame| frame.description.height.first_profile != 160);
    let after = records(&frames, &scenario);
    let (cut, whole): (Vec<_>, Vec<_>) = after
        .iter()
        .partition(|piece| piece.flags.contains(&Flag::Cut));
    assert!(cut.len() >= 2, "{after:#?}");
    for piece in cut {
        // The farthest that a piece of this size reaches.
        let reach_mm = 0.5 * piece.length_mm.hypot(piece.width_mm) + 10.0;
        assert!((piece.y_mm - 90.0).abs() < reach_mm, "{piece:?}");
    }
    assert_eq!(whole.len(), 1, "{after:#?}");
    assert_alike(&before[2], whole[0], ROUNDING);
}

/// A frame whose file ends early is left out and named, and all else is as if it had never been there.
#[test]
fn a_frame_that_ends_early_is_the_same_as_a_missing_one() {
    let scenario = lively(250);
    let frames = simulate(&scenario, 7).unwrap().frames;
    assert_eq!(frames.len(), 4);
    let mut left = frames.clone();
    let gone = left.remove(1);
    let expected = csv(records(&left, &scenario));
    assert!(expected.lines().count() > 3);
    let product = scenario.product();
    let calibration = scenario.calibration();
    for file in ["height.png", "colour.png"] {
        let folder = written(&frames);
        let place = folder.path().join(&gone.description.id);
        let bytes = fs::read(place.join(file)).unwrap();
        fs::write(place.join(file), &bytes[..bytes.len() * 6 / 10]).unwrap();
        let (found, rejected) = measured(folder.path(), &product, Some(&calibration)).unwrap();
        assert_eq!(rejected.len(), 1, "{file}: {rejected:?}");
        assert_eq!(rejected[0].folder, place, "{file}");
        let Error { path, .. } = &rejected[0].error;
        assert_eq!(path.as_deref(), Some(place.join(file).as_path()));
        assert_eq!(csv(rows(found)), expected, "{file}");
    }
}
