//! Colour against published values and other libraries.

use weighlight::colour::{
    ColourPair, Lab, delta_e00, fit_matrix, lab_from_srgb8, linear_from_srgb,
};
use weighlight::stats::{equally_likely, otsu, two_normals};

/// Rows of a CSV with `#` comments: named numbers.
fn rows(text: &'static str) -> Vec<impl Fn(&str) -> f64> {
    crate::rows(text)
        .into_iter()
        .map(|cell_of| {
            move |name: &str| {
                let cell = cell_of(name);
                cell.parse().unwrap_or_else(|_| panic!("{name}: {cell}"))
            }
        })
        .collect()
}

fn lab(row: &impl Fn(&str) -> f64, names: [&str; 3]) -> Lab {
    let [l, a, b] = names.map(row);
    Lab { l, a, b }
}

fn largest_difference(one: Lab, other: Lab) -> f64 {
    let differences = [one.l - other.l, one.a - other.a, one.b - other.b];
    differences.iter().fold(0.0, |most, d| d.abs().max(most))
}

/// Sharma, Wu and Dalal (2005), Table 1, published to four decimals.
#[test]
fn ciede2000_meets_the_34_published_pairs_both_ways_round() {
    let pairs = rows(include_str!("published/ciede2000_pairs.csv"));
    assert_eq!(pairs.len(), 34);
    for pair in &pairs {
        let one = lab(pair, ["L1", "a1", "b1"]);
        let other = lab(pair, ["L2", "a2", "b2"]);
        let (there, back) = (delta_e00(one, other), delta_e00(other, one));
        assert!(
            (there - pair("de00_published")).abs() <= 0.000_051,
            "pair {}: {there}",
            pair("pair")
        );
        assert!(
            (there - pair("de00_full")).abs() < 1e-9,
            "pair {}",
            pair("pair")
        );
        assert!((there - back).abs() < 1e-12, "pair {}", pair("pair"));
    }
}

/// IEC 61966-2-1 and CIE 15 in three conventions of white point and matrix, which lie up to 0.02 apart.
#[test]
fn srgb_to_lab_agrees_with_the_three_conventions() {
    const TOLERANCE: f64 = 0.025;
    let colours = rows(include_str!("published/srgb_lab.csv"));
    assert_eq!(colours.len(), 18);
    let mut sum = [0.0; 3];
    for colour in &colours {
        let rgb = ["R", "G", "B"].map(|name| colour(name) as u8);
        for (channel, name) in rgb.iter().zip(["Rlin", "Glin", "Blin"]) {
            let linear = linear_from_srgb(f64::from(*channel) / 255.0);
            assert!((linear - colour(name)).abs() < 6e-9);
        }
        let ours = lab_from_srgb8(rgb);
        let conventions = [
            ["L_iec", "a_iec", "b_iec"],
            ["L_sk", "a_sk", "b_sk"],
            ["L_col", "a_col", "b_col"],
        ];
        for (total, names) in sum.iter_mut().zip(conventions) {
            let difference = largest_difference(ours, lab(colour, names));
            assert!(difference < TOLERANCE, "{rgb:?} {names:?}: {difference}");
            *total += difference;
        }
    }
    assert!(sum.iter().all(|total| total / 18.0 < 0.01), "{sum:?}");
}

/// scikit-image 0.26.0 and colour-science 0.4.7 on fifty random colours.
#[test]
fn lab_and_differences_agree_with_two_libraries() {
    let colours = rows(include_str!("colour-science/lab.csv"));
    assert_eq!(colours.len(), 50);
    let ours: Vec<Lab> = colours
        .iter()
        .map(|colour| lab_from_srgb8(["r", "g", "b"].map(|name| colour(name) as u8)))
        .collect();
    for library in ["skimage", "colour"] {
        let mut total = 0.0;
        for (row, colour) in colours.iter().enumerate() {
            let theirs = Lab {
                l: colour(&format!("l_{library}")),
                a: colour(&format!("a_{library}")),
                b: colour(&format!("b_{library}")),
            };
            let difference = largest_difference(ours[row], theirs);
            assert!(difference < 0.025, "row {row}, {library}: {difference}");
            total += difference;
            let before = ours[(row + 49) % 50];
            let de00 = delta_e00(ours[row], before);
            let theirs = colour(&format!("de00_to_previous_{library}"));
            assert!((de00 - theirs).abs() < 0.015, "row {row}: {de00}, {theirs}");
        }
        assert!(total / 50.0 < 0.01, "{library}: {}", total / 50.0);
    }
}

/// Histograms of two humps as scikit-image 0.26, OpenCV 5 and SciPy 1.17.1 part them: `tests/reference/two-humps`.
#[test]
fn histograms_are_parted_as_by_scikit_image_opencv_and_scipy() {
    let histograms: Vec<(&str, Vec<u64>)> = include_str!("two-humps/histograms.csv")
        .lines()
        .map(|line| {
            let (name, counts) = line.split_once(',').expect("a name");
            let counts = counts.split(',').map(|n| n.parse().expect("a count"));
            (name, counts.collect())
        })
        .collect();
    let parted = include_str!("two-humps/parted.csv");
    assert_eq!(parted.lines().count(), histograms.len() + 1);
    for ((name, counts), line) in histograms.iter().zip(parted.lines().skip(1)) {
        let (row, values) = line.split_once(',').expect("a name");
        assert_eq!(*name, row);
        let values: Vec<f64> = values
            .split(',')
            .map(|v| v.parse().expect("a number"))
            .collect();
        let split = otsu(counts).expect("two parts");
        assert_eq!(split.lowest as f64, values[0], "{name}: scikit-image");
        assert_eq!(split.lowest as f64, values[1], "{name}: OpenCV");
        assert!(
            (split.between_variance / values[2] - 1.0).abs() < 1e-8,
            "{name}"
        );
        let humps = two_normals(counts).expect("two humps");
        let limit = equally_likely(&humps).expect("a limit");
        let found = [
            humps[0].share,
            humps[0].mean,
            humps[0].sd,
            humps[1].mean,
            humps[1].sd,
            limit,
        ];
        for (found, expected) in found.iter().zip(&values[3..]) {
            assert!(
                (found - expected).abs() < 2e-3,
                "{name}: {found} {expected}"
            );
        }
    }
}

/// The 24-patch chart, set of 2005, through a known matrix; and least squares by colour-science on noisy values.
#[test]
fn correction_matrices_are_those_of_colour_science() {
    let patches = rows(include_str!("colour-correction/patches.csv"));
    assert_eq!(patches.len(), 24);
    let pairs = |seen: [&str; 3]| -> Vec<ColourPair> {
        let pair = |row: &_| ColourPair {
            seen: seen.map(row),
            wanted: ["x", "y", "z"].map(row),
        };
        patches.iter().map(pair).collect()
    };
    let matrices = include_str!("colour-correction/matrices.csv");
    for (line, seen, limit) in [
        (1, ["r", "g", "b"], 1e-12),
        (2, ["noisy_r", "noisy_g", "noisy_b"], 1e-9),
    ] {
        let expected = matrices.lines().nth(line).unwrap().split(',').skip(1);
        let expected: Vec<f64> = expected.map(|n| n.parse().unwrap()).collect();
        let found = fit_matrix(&pairs(seen), None).unwrap();
        for (entry, expected) in found.iter().flatten().zip(&expected) {
            assert!((entry - expected).abs() < limit, "{entry} for {expected}");
        }
    }
    let known = [1.8, -0.6, -0.2, -0.3, 1.6, -0.3, 0.05, -0.55, 1.5];
    let found = fit_matrix(&pairs(["r", "g", "b"]), None).unwrap();
    for (entry, known) in found.iter().flatten().zip(known) {
        assert!((entry - known).abs() < 1e-12, "{entry} for {known}");
    }
}
