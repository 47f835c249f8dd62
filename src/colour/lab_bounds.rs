//! Bounds of CIELAB values over a cell of 8-bit colours.

use std::sync::LazyLock;

use super::class_map::SIDE;
use super::encoding::linear_from_srgb;

/// Linear light of each code in double precision.
pub(super) static LIGHT: LazyLock<[f64; 256]> =
    LazyLock::new(|| std::array::from_fn(|code| linear_from_srgb(code as f64 / 255.0)));

/// Ranges that hold L, a and b of every colour of a cell.
pub(super) struct LabBounds {
    pub(super) l: [f64; 2],
    pub(super) a: [f64; 2],
    pub(super) b: [f64; 2],
}

/// Linear RGB to XYZ over white, IEC 61966-2-1 (rows divided by the white they sum to).
const TO_XYZ: [[f64; 3]; 3] = [
    [0.4124 / 0.9505, 0.3576 / 0.9505, 0.1805 / 0.9505],
    [0.2126, 0.7152, 0.0722],
    [0.0193 / 1.089, 0.1192 / 1.089, 0.9505 / 1.089],
];

/// Widens the bounds: the matrix above has four decimals, that of the exact evaluation more. In any coordinate the two
/// differ by at most 0.02 over the gamut.
const MARGIN: f64 = 0.05;

impl LabBounds {
    /// Bounds from the cell's centre and the steepest slopes within the cell (mean value theorem). L, a and b are sums of
    /// f(X), f(Y), f(Z); f is smooth and its slope falls, so its slope over a cell lies between those at the two corners.
    pub(super) fn of_cell(lowest: [usize; 3]) -> Self {
        let light = &*LIGHT;
        let low = lowest.map(|code| light[code]);
        let high = lowest.map(|code| light[code + SIDE - 1]);
        let centre: [f64; 3] = std::array::from_fn(|i| 0.5 * (low[i] + high[i]));
        let half: [f64; 3] = std::array::from_fn(|i| 0.5 * (high[i] - low[i]));
        let slope_high = xyz(low).map(f_slope);
        let slope_low = xyz(high).map(f_slope);
        let f = xyz(centre).map(cie_f);
        // Largest |change| of f(first) − f(second) between the centre and any colour of the cell.
        let reach = |first: usize, second: usize| -> f64 {
            (0..3)
                .map(|channel| {
                    let [p, q] = [TO_XYZ[first][channel], TO_XYZ[second][channel]];
                    let most = p * slope_high[first] - q * slope_low[second];
                    let least = p * slope_low[first] - q * slope_high[second];
                    most.abs().max(least.abs()) * half[channel]
                })
                .sum()
        };
        let around = |value: f64, reach: f64| [value - reach - MARGIN, value + reach + MARGIN];
        Self {
            l: [
                116.0 * cie_f(xyz(low)[1]) - 16.0 - MARGIN,
                116.0 * cie_f(xyz(high)[1]) - 16.0 + MARGIN,
            ],
            a: around(500.0 * (f[0] - f[1]), 500.0 * reach(0, 1)),
            b: around(200.0 * (f[1] - f[2]), 200.0 * reach(1, 2)),
        }
    }
}

fn xyz(linear: [f64; 3]) -> [f64; 3] {
    TO_XYZ.map(|row| row[0] * linear[0] + row[1] * linear[1] + row[2] * linear[2])
}

/// Where CIE 15 changes from line to cube root.
const KNEE: f64 = 216.0 / 24389.0;

fn cie_f(t: f64) -> f64 {
    if t > KNEE {
        t.cbrt()
    } else {
        (24389.0 / 27.0 * t + 16.0) / 116.0
    }
}

/// Slope of [`cie_f`].
fn f_slope(t: f64) -> f64 {
    if t > KNEE {
        1.0 / (3.0 * t.cbrt().powi(2))
    } else {
        24389.0 / 27.0 / 116.0
    }
}
