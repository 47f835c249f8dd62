//! Labelling, outlines, rectangles and fits against scikit-image, OpenCV, numpy and SciPy.

use std::path::{Path, PathBuf};

use ndarray::Array2;
use weighlight::measure::{perimeter_mm, smallest_rectangle};
use weighlight::pieces::{Components, label};
use weighlight::stats::weighted_least_squares;
use weighlight::surface::SurfaceGrid;

fn folder(source: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("tests/reference")
        .join(source)
}

fn text(source: &str, file: &str) -> String {
    std::fs::read_to_string(folder(source).join(file)).unwrap()
}

/// Rows of a CSV without its head: words and numbers (NaN for words).
fn rows(source: &str, file: &str) -> Vec<(Vec<String>, Vec<f64>)> {
    let row = |line: &str| {
        let words: Vec<String> = line.split(',').map(str::to_owned).collect();
        let numbers = words.iter().map(|w| w.parse().unwrap_or(f64::NAN));
        (words.clone(), numbers.collect())
    };
    text(source, file).lines().skip(1).map(row).collect()
}

fn mask(source: &str, name: &str) -> Array2<bool> {
    let text = text(source, &format!("{name}.txt"));
    let columns = text.lines().next().unwrap().len();
    let cells: Vec<bool> = text
        .lines()
        .flat_map(|line| line.bytes().map(|b| b == b'#'))
        .collect();
    Array2::from_shape_vec((cells.len() / columns, columns), cells).unwrap()
}

fn square_grid(columns: usize, pitch_mm: f64) -> SurfaceGrid {
    SurfaceGrid {
        columns,
        x_origin_mm: 0.0,
        y_origin_mm: 0.0,
        pitch_across_mm: pitch_mm,
        pitch_along_mm: pitch_mm,
    }
}

/// Area, first cell, bounds and centroid of each component, in the layout of `regions.csv`.
fn regions(found: &Components) -> Vec<[f64; 9]> {
    let of = |(index, component): (usize, &weighlight::pieces::Component)| {
        let runs: Vec<_> = found
            .runs
            .iter()
            .filter(|run| run.component as usize == index)
            .collect();
        let first = runs[0];
        let area = component.cells as f64;
        let row_sum: f64 = runs
            .iter()
            .map(|r| f64::from(r.row) * f64::from(r.end - r.first))
            .sum();
        let column_sum: f64 = runs
            .iter()
            .flat_map(|r| r.first..r.end)
            .map(f64::from)
            .sum();
        [
            area,
            f64::from(first.row),
            f64::from(first.first),
            component.rows.start as f64,
            component.columns.start as f64,
            component.rows.end as f64 - 1.0,
            component.columns.end as f64 - 1.0,
            row_sum / area,
            column_sum / area,
        ]
    };
    found.components.iter().enumerate().map(of).collect()
}

/// `skimage.measure.label(mask, connectivity=2)`: cells joined over edges or corners, numbered by their first cell.
#[test]
fn components_are_those_of_scikit_image() {
    let expected = rows("scikit-image", "regions.csv");
    let mut checked = 0;
    for name in [
        "noise_sparse",
        "noise_critical",
        "blobs",
        "stripes",
        "checkerboard",
        "spiral",
    ] {
        let mask = mask("scikit-image", name);
        let cells: Vec<u8> = mask.iter().map(|&inside| u8::from(inside)).collect();
        let found = regions(&label(&cells, mask.ncols()));
        let expected: Vec<&[f64]> = expected
            .iter()
            .filter(|(words, _)| words[0] == name && words[1] == "2")
            .map(|(_, numbers)| &numbers[3..12])
            .collect();
        assert_eq!(found.len(), expected.len(), "{name}");
        for (found, expected) in found.iter().zip(expected) {
            for (ours, theirs) in found.iter().zip(expected) {
                // The file gives centroids to six decimals.
                assert!((ours - theirs).abs() < 1e-6, "{name}: {found:?}");
            }
            checked += 1;
        }
    }
    assert!(checked > 20, "{checked}");
}

/// `skimage.measure.perimeter_crofton(mask, directions=4)`; on square cells both count the same lines.
#[test]
fn outlines_are_as_long_as_scikit_image_says() {
    for (words, numbers) in rows("outlines", "outlines.csv") {
        let mask = mask("outlines", &words[0]);
        for pitch_mm in [1.0, 0.4] {
            let ours = perimeter_mm(&mask, &square_grid(mask.ncols(), pitch_mm));
            let error = ours / (pitch_mm * numbers[2]) - 1.0;
            assert!(error.abs() < 1e-9, "{} {pitch_mm}: {error}", words[0]);
        }
    }
}

/// `cv2.minAreaRect` around the corners of all cells. Ours runs half way between covered and uncovered centres, where the
/// corners overstate an edge that runs at an angle: never larger, and smaller by at most two cells.
#[test]
fn smallest_rectangles_lie_inside_those_of_opencv_around_the_corners_by_no_more_than_two_cells() {
    for (words, numbers) in rows("outlines", "outlines.csv") {
        let mask = mask("outlines", &words[0]);
        let grid = square_grid(mask.ncols(), 1.0);
        let found = smallest_rectangle(&mask, &grid).unwrap();
        // Corners reach at most a cell's diagonal beyond centres, and of two rectangles that are nearly equally small either
        // may be found: two cells. The edge between centres is never outside the corners, so neither is the area larger, nor, in the
        // same direction, a side.
        let diagonal = 2.0;
        let (long, short) = (found.length_mm - numbers[3], found.width_mm - numbers[4]);
        let longer_than_wide = numbers[3] > 1.2 * numbers[4];
        let most = if longer_than_wide { 0.01 } else { diagonal };
        assert!(
            -diagonal <= long && long <= most && -diagonal <= short && short <= most,
            "{}: {long} {short}",
            words[0]
        );
        let areas_mm2 = [found.length_mm * found.width_mm, numbers[3] * numbers[4]];
        assert!(
            areas_mm2[0] <= areas_mm2[1] * (1.0 + 1e-9),
            "{}: {areas_mm2:?}",
            words[0]
        );
        // Of a shape that is clearly longer than wide, the direction as well: a cell at the end of the long side. Around an ellipse
        // rectangles within 0.1 rad of the axes are hardly larger (by 0.4 % if it is one and a half times as long as wide), less than their ends are known.
        let most_rad = match words[0].as_str() {
            "ellipse" => 0.1,
            _ => 2.0 / numbers[3],
        };
        if longer_than_wide {
            let turn = found.yaw_rad - numbers[5].to_radians();
            assert!(turn.sin().abs() <= most_rad, "{}: {turn} rad", words[0]);
        }
    }
}

/// Weight of a residual in units of the scale; the fit with these weights, found again and again, is the robust fit.
type Weight = fn(f64) -> f64;

fn fit(points: &[[f64; 3]], scale_mm: f64, weight: Weight) -> [f64; 3] {
    let mut found = [0.0; 3];
    let mut first = true;
    for _ in 0..400 {
        let observations = points.iter().map(|&[x, y, z]| {
            let residual = z - found[0] * x - found[1] * y - found[2];
            let w = if first {
                1.0
            } else {
                weight(residual / scale_mm)
            };
            ([x, y, 1.0], z, w)
        });
        let fit = weighted_least_squares(observations, [0.0; 3]).unwrap();
        found = fit.coefficients.into();
        first = false;
    }
    found
}

#[test]
fn planes_are_those_of_numpy_and_scipy() {
    let mut checked = 0;
    for (words, numbers) in rows("scipy", "planes.csv") {
        // Least squares has a closed solution; SciPy stops its search when steps fall below 1e-8 of the parameters.
        let (weight, tolerance): (Weight, f64) = match words[1].as_str() {
            "ols" => (|_| 1.0, 1e-9),
            "huber" => (|z| 1.0 / z.abs().max(1.0), 1e-5),
            "soft_l1" => (|z| 1.0 / (1.0 + z * z).sqrt(), 1e-5),
            _ => continue,
        };
        let points: Vec<[f64; 3]> = rows("scipy", &format!("{}.csv", words[0]))
            .into_iter()
            .map(|(_, n)| [n[0], n[1], n[2]])
            .collect();
        let ours = fit(&points, 0.15, weight);
        for (ours, theirs) in ours.iter().zip(&numbers[2..5]) {
            let error = (ours - theirs).abs();
            assert!(
                error < tolerance * theirs.abs().max(0.1),
                "{} {}: {ours} {theirs}",
                words[0],
                words[1]
            );
        }
        checked += 1;
    }
    assert_eq!(checked, 12);
}
