//! Pictures of made-up frames, from a few cells to a long belt. They are left in `target/tmp` to be looked at.

use std::path::{Path, PathBuf};

use ndarray::Array2;
use weighlight::pipeline::{FrameView, MeasuredPiece};
use weighlight::report::{
    budget_picture, height_picture, piece_picture, save_picture, write_pictures,
};
use weighlight::tables::{BudgetPart, ClassShare, PieceRecord};

/// A frame as it is made up: its cells, pitches, and how many pieces lie across and along.
struct Made {
    scan: &'static str,
    rows: usize,
    columns: usize,
    pitch_across_mm: f64,
    pitch_along_mm: f64,
    across: usize,
    along: usize,
    colour: bool,
}

/// Numbers without pattern, always the same ones (a linear congruence; Knuth's constants for 64 bits).
struct Noise(u64);

impl Noise {
    fn next(&mut self) -> f64 {
        self.0 = self
            .0
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 11) as f64 / (1_u64 << 53) as f64 - 0.5
    }
}

fn record(number: u32) -> PieceRecord {
    PieceRecord {
        recording: "made-up".to_owned(),
        scan: "made-up".to_owned(),
        piece: number,
        lane: None,
        time: None,
        x_mm: 0.0,
        y_mm: 0.0,
        yaw_mrad: 0.0,
        length_mm: 1.0,
        width_mm: 1.0,
        max_height_mm: 1.0,
        mean_height_mm: 1.0,
        area_cm2: 1.0,
        surface_cm2: 1.0,
        perimeter_mm: 1.0,
        volume_cm3: 1.0,
        volume_u_cm3: 0.1,
        fat_fraction: None,
        fat_volume_fraction: None,
        fat_mass_fraction: None,
        mass_g: 1.0,
        mass_u_g: 0.1,
        filled_fraction: 0.0,
        fat_u_fraction: None,
        area_u_cm2: None,
        length_u_mm: None,
        width_u_mm: None,
        flags: Vec::new(),
        classes: ["fat", "lean"]
            .into_iter()
            .map(|class| ClassShare {
                class: class.to_owned(),
                area_cm2: None,
                volume_cm3: None,
            })
            .collect(),
        budget: Vec::new(),
    }
}

fn make(made: &Made) -> (FrameView, Vec<MeasuredPiece>) {
    let mut noise = Noise(7);
    let (rows, columns) = (made.rows, made.columns);
    let mut height_mm = Array2::from_shape_fn((rows, columns), |_| (0.1 * noise.next()) as f32);
    let mut colour = Array2::from_shape_fn((rows, columns), |_| {
        let shade = 6.0 * noise.next();
        [38.0, 66.0, 120.0].map(|value: f64| (value + shade) as u8)
    });
    let mut pieces = Vec::new();
    let (cell_rows, cell_columns) = (rows / made.along, columns / made.across);
    for place in 0..made.across * made.along {
        let (row0, column0) = (
            (place / made.across) * cell_rows,
            (place % made.across) * cell_columns,
        );
        let mut footprint = Array2::zeros((cell_rows, cell_columns));
        let mut class = Array2::from_elem((cell_rows, cell_columns), u8::MAX);
        let turn = 0.5 * noise.next();
        for ((row, column), mark) in footprint.indexed_iter_mut() {
            let u = 2.2 * ((column as f64 + 0.5) / cell_columns as f64 - 0.5);
            let v = 2.2 * ((row as f64 + 0.5) / cell_rows as f64 - 0.5);
            let (a, b) = (u + turn * v, v - turn * u);
            let reach = (a.abs().powf(2.6) + (1.35 * b).abs().powf(2.6)).powf(1.0 / 2.6);
            let here = (row0 + row, column0 + column);
            if reach < 0.92 {
                let z =
                    34.0 * (1.0 - reach.powi(4)).max(0.0).sqrt() * (0.8 + 0.2 * (5.0 * u).cos());
                let seen = !(v > 0.55 && u.abs() < 0.3);
                *mark = if seen { 1 } else { 2 };
                height_mm[here] = if seen {
                    (z + 0.1 * noise.next()) as f32
                } else {
                    f32::NAN
                };
                let fat = (7.0 * u + 2.0 * (4.0 * v).sin()).sin() > 0.35;
                class[(row, column)] = u8::from(!fat);
                let base = if fat {
                    [226.0, 204.0, 190.0]
                } else {
                    [150.0, 42.0, 44.0]
                };
                colour[here] = base.map(|value: f64| (value + 18.0 * noise.next()) as u8);
            } else if v > 0.6 && reach < 1.05 {
                // The shadow behind the piece.
                height_mm[here] = f32::NAN;
            }
        }
        let number = u32::try_from(place + 1).unwrap();
        pieces.push(MeasuredPiece {
            record: record(number),
            fat_budget: None,
            first_row: 1000 + row0,
            first_column: column0,
            height_mm: Array2::from_elem(footprint.dim(), f32::NAN),
            footprint,
            class: if made.colour {
                class
            } else {
                Array2::from_elem((cell_rows, cell_columns), u8::MAX)
            },
            shared: Vec::new(),
        });
    }
    let view = FrameView {
        scan: made.scan.to_owned(),
        first_row: 1000,
        pitch_across_mm: made.pitch_across_mm,
        pitch_along_mm: made.pitch_along_mm,
        height_mm,
        colour: made.colour.then_some(colour),
    };
    (view, pieces)
}

const SMALL: Made = Made {
    scan: "small",
    rows: 80,
    columns: 100,
    pitch_across_mm: 0.4,
    pitch_along_mm: 0.4,
    across: 1,
    along: 1,
    colour: true,
};
const MIDDLE: Made = Made {
    scan: "2026-03-04T09-12-33_0007",
    rows: 900,
    columns: 1000,
    pitch_across_mm: 0.4,
    pitch_along_mm: 0.5,
    across: 3,
    along: 3,
    colour: true,
};
const LONG: Made = Made {
    scan: "long",
    rows: 5000,
    columns: 1500,
    pitch_across_mm: 0.4,
    pitch_along_mm: 0.5,
    across: 4,
    along: 12,
    colour: true,
};
const GREY: Made = Made {
    scan: "a-scan-with-a-very-long-name-that-goes-on-and-on-and-would-not-fit-in-any-heading_0001",
    rows: 300,
    columns: 640,
    pitch_across_mm: 0.6,
    pitch_along_mm: 1.2,
    across: 5,
    along: 2,
    colour: false,
};

fn folder() -> PathBuf {
    PathBuf::from(env!("CARGO_TARGET_TMPDIR"))
}

#[test]
fn pictures_of_every_size_of_frame_are_wide_enough_to_read_and_no_wider_than_a_screen() {
    for made in [SMALL, MIDDLE, LONG, GREY] {
        let (view, pieces) = make(&made);
        let paths = write_pictures(&folder(), &view, &pieces).unwrap();
        // Bars are as many as pieces.
        let budget = image::open(paths.budget.as_ref().unwrap()).unwrap();
        assert!((600..=2400).contains(&budget.width()) && budget.height() > 150);
        for path in [&paths.height, &paths.pieces] {
            let picture = image::open(path).unwrap();
            assert!(
                (600..=2400).contains(&picture.width()),
                "{}",
                path.display()
            );
            assert!(
                (500..=5000).contains(&picture.height()),
                "{}",
                path.display()
            );
        }
    }
}

#[test]
fn a_millimetre_is_as_long_across_as_along() {
    // A square plate of 60 × 60 mm on a grid of 0.3 × 1.2 mm.
    let height_mm = Array2::from_shape_fn((100, 400), |(row, column)| {
        let inside = (25..75).contains(&row) && (100..300).contains(&column);
        if inside { 20.0_f32 } else { 0.0 }
    });
    let view = FrameView {
        scan: "plate".to_owned(),
        first_row: 0,
        pitch_across_mm: 0.3,
        pitch_along_mm: 1.2,
        height_mm,
        colour: None,
    };
    let picture = height_picture(&view, &[]).unwrap();
    save_picture(&folder().join("plate.png"), &picture).unwrap();
    let rim = picture.width().min(picture.height());
    assert!(rim > 400);
    // The plate is at the scale's top: its colour is that of the middle of the map.
    let (mut left, mut right, mut top, mut bottom) = (u32::MAX, 0, u32::MAX, 0);
    let plate = (0..picture.height())
        .flat_map(|y| (0..picture.width()).map(move |x| (x, y)))
        .filter(|(x, y)| {
            let [r, g, b] = picture.get_pixel(*x, *y).0;
            // Pale yellow: neither paper (nearly grey) nor ink.
            r > 230
                && g > 230
                && b < 225
                && i32::from(g) - i32::from(b) > 20
                && *x < picture.width() * 7 / 10
        });
    for (x, y) in plate {
        (left, right) = (left.min(x), right.max(x));
        (top, bottom) = (top.min(y), bottom.max(y));
    }
    let (across, along) = (f64::from(right - left), f64::from(bottom - top));
    assert!(across > 300.0);
    assert!((across / along - 1.0).abs() < 0.01, "{across} × {along}");
}

#[test]
fn the_first_row_scanned_is_at_the_bottom_and_column_0_at_the_left() {
    let mut height_mm = Array2::from_elem((50, 50), 0.0_f32);
    height_mm[(0, 0)] = f32::NAN;
    let mut view = FrameView {
        scan: "corner".to_owned(),
        first_row: 0,
        pitch_across_mm: 1.0,
        pitch_along_mm: 1.0,
        height_mm,
        colour: None,
    };
    let marked = height_picture(&view, &[]).unwrap();
    view.height_mm[(0, 0)] = 0.0;
    let plain = height_picture(&view, &[]).unwrap();
    let changed: Vec<(u32, u32)> = marked
        .enumerate_pixels()
        .zip(plain.pixels())
        .filter(|((_, _, a), b)| a != b)
        .map(|((x, y, _), _)| (x, y))
        .collect();
    assert!(!changed.is_empty());
    // A cell is 16 px wide; the map of 800 px starts within 60 px of the left and ends within 120 px of the bottom.
    for (x, y) in changed {
        assert!(x < 60, "{x}");
        assert!(y > marked.height() - 140, "{y} of {}", marked.height());
    }
}

#[test]
fn the_same_frame_makes_the_same_file() {
    let (view, pieces) = make(&SMALL);
    let bytes = |path: &Path| std::fs::read(path).unwrap();
    let [first, second] = ["once", "twice"].map(|name| {
        let folder = folder().join(name);
        std::fs::create_dir_all(&folder).unwrap();
        write_pictures(&folder, &view, &pieces).unwrap()
    });
    assert!(bytes(&first.height) == bytes(&second.height));
    assert!(bytes(&first.pieces) == bytes(&second.pieces));
    assert!(bytes(first.budget.as_ref().unwrap()) == bytes(second.budget.as_ref().unwrap()));
}

#[test]
fn an_empty_frame_is_an_error_and_a_frame_of_one_unseen_cell_is_a_picture() {
    let mut view = FrameView {
        scan: "nothing".to_owned(),
        first_row: 0,
        pitch_across_mm: 0.4,
        pitch_along_mm: 0.5,
        height_mm: Array2::zeros((0, 100)),
        colour: None,
    };
    let message = height_picture(&view, &[]).unwrap_err().to_string();
    assert!(
        message.contains("scan nothing has nothing to draw: 0 rows"),
        "{message}"
    );
    view.height_mm = Array2::from_elem((1, 1), f32::NAN);
    height_picture(&view, &[]).unwrap();
    piece_picture(&view, &[]).unwrap();
    view.pitch_along_mm = f64::NAN;
    piece_picture(&view, &[]).unwrap_err();
}

#[test]
fn pieces_that_lie_half_outside_the_frame_are_cut_at_its_rim() {
    let (mut view, pieces) = make(&SMALL);
    for first_row in [0, 960, 1040, 5000] {
        view.first_row = first_row;
        height_picture(&view, &pieces).unwrap();
        piece_picture(&view, &pieces).unwrap();
    }
}

/// A piece whose volume's uncertainty has these parts, cm³.
fn with_budget(number: u32, parts: &[(&str, f64)]) -> MeasuredPiece {
    let (_, mut pieces) = make(&SMALL);
    let mut piece = pieces.remove(0);
    piece.record = record(number);
    piece.record.volume_cm3 = 100.0;
    piece.record.budget = parts
        .iter()
        .map(|&(source, volume_u_cm3)| BudgetPart {
            source: source.to_owned(),
            volume_u_cm3,
            ..BudgetPart::default()
        })
        .collect();
    piece
}

#[test]
fn a_budget_s_bar_is_parted_as_the_variances_are() {
    let count = |parts: &[(&str, f64)], colour: [u8; 3]| {
        let picture = budget_picture("made-up", &[with_budget(1, parts)]).unwrap();
        picture.pixels().filter(|pixel| pixel.0 == colour).count()
    };
    // The second and the fifth tint are those of belt and hidden; 3² : 4² = 9 : 16 of 25.
    let drawn = |colour: [u8; 3]| {
        let with = count(&[("belt", 0.3), ("hidden", 0.4)], colour);
        (with - count(&[], colour)) as f64
    };
    let (belt, hidden) = (drawn([230, 159, 0]), drawn([0, 114, 178]));
    assert!(
        (belt / (belt + hidden) - 0.36).abs() < 0.01,
        "{belt} {hidden}"
    );
}

#[test]
fn many_pieces_do_not_make_an_endless_budget_picture() {
    let pieces: Vec<MeasuredPiece> = (1..=300)
        .map(|number| with_budget(number, &[("belt", 0.1)]))
        .collect();
    let picture = budget_picture("made-up", &pieces).unwrap();
    assert!(picture.height() < 2600, "{}", picture.height());
    assert!(budget_picture("made-up", &[]).unwrap().height() > 100);
}
