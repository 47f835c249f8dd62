//! The colours of heights: dark and quiet at the belt, light at the top, in even steps, and readable to the colour-blind.
//!
//! The path runs through Oklab (Ottosson, 2020) from a blackish blue over blue and teal to pale yellow. It is then
//! walked at constant speed as CIEDE2000 measures it, so that equal steps of height look equally far apart. Lightness
//! grows all the way, so the order survives grey printing and every kind of colour-blindness.

use image::Rgb;
use palette::color_difference::Ciede2000;
use palette::{FromColor, Lab, Oklab, Srgb};

/// The path's stations: Oklab lightness, green–red, blue–yellow.
const STATIONS: [[f64; 3]; 6] = [
    [0.190, 0.000, -0.025],
    [0.340, 0.010, -0.085],
    [0.500, -0.035, -0.080],
    [0.660, -0.085, 0.000],
    [0.820, -0.075, 0.090],
    [0.970, -0.010, 0.075],
];

/// Points at which the path is measured before it is cut into even steps.
const FINE: usize = 2048;
/// Colours in the finished table.
const STEPS: usize = 256;

/// The finished table of colours, from the belt (0) to the top of the scale (1).
#[derive(Debug, Clone)]
pub struct HeightColours {
    table: Vec<Rgb<u8>>,
}

impl HeightColours {
    /// Makes the table.
    #[allow(clippy::new_without_default)] // Making it takes work; a default would hide that.
    pub fn new() -> Self {
        let path: Vec<Oklab<f64>> = (0..=FINE).map(|i| station(fraction(i, FINE))).collect();
        let lab: Vec<Lab<palette::white_point::D65, f64>> = path
            .iter()
            .map(|&colour| Lab::from_color(Srgb::from_color(colour)))
            .collect();
        let mut walked = vec![0.0];
        for pair in lab.windows(2) {
            let step: f64 = pair[0].difference(pair[1]);
            walked.push(walked.last().copied().unwrap_or(0.0) + step);
        }
        let whole = walked.last().copied().unwrap_or(0.0);
        let mut at = 0;
        let table = (0..STEPS)
            .map(|i| {
                let wanted = whole * fraction(i, STEPS - 1);
                while at < FINE && walked[at + 1] < wanted {
                    at += 1;
                }
                let colour: Srgb<f64> = Srgb::from_color(path[at.min(FINE)]);
                let byte = colour.into_format::<u8>();
                Rgb([byte.red, byte.green, byte.blue])
            })
            .collect();
        Self { table }
    }

    /// The colour at a share of the scale; below 0 is the belt's, above 1 the top's.
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)] // Clamped to the table.
    pub fn at(&self, share: f64) -> Rgb<u8> {
        let last = self.table.len() - 1;
        let index = (share.clamp(0.0, 1.0) * last as f64).round() as usize;
        self.table[index.min(last)]
    }
}

#[allow(clippy::cast_precision_loss)] // Small counts.
fn fraction(i: usize, of: usize) -> f64 {
    i as f64 / of as f64
}

/// The path at `t` in 0 to 1: a Catmull–Rom spline through the stations (Catmull and Rom, 1974).
#[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)] // Clamped to the stations.
fn station(t: f64) -> Oklab<f64> {
    let last = STATIONS.len() - 1;
    let s = t.clamp(0.0, 1.0) * last as f64;
    let i = (s as usize).min(last - 1);
    let f = s - i as f64;
    let (b, c) = (STATIONS[i], STATIONS[i + 1]);
    // Beyond the ends the path goes on straight.
    let a = if i > 0 { STATIONS[i - 1] } else { extend(b, c) };
    let d = if i + 2 <= last {
        STATIONS[i + 2]
    } else {
        extend(c, b)
    };
    let value = |k: usize| {
        0.5 * (2.0 * b[k]
            + (c[k] - a[k]) * f
            + (2.0 * a[k] - 5.0 * b[k] + 4.0 * c[k] - d[k]) * f * f
            + (3.0 * b[k] - a[k] - 3.0 * c[k] + d[k]) * f * f * f)
    };
    Oklab::new(value(0), value(1), value(2))
}

fn extend(from: [f64; 3], other: [f64; 3]) -> [f64; 3] {
    std::array::from_fn(|k| 2.0 * from[k] - other[k])
}

#[cfg(test)]
mod tests {
    use super::*;

    fn lab_of(rgb: [f64; 3]) -> Lab<palette::white_point::D65, f64> {
        Lab::from_color(Srgb::new(rgb[0], rgb[1], rgb[2]))
    }

    fn table() -> Vec<[f64; 3]> {
        HeightColours::new()
            .table
            .iter()
            .map(|colour| colour.0.map(|byte| f64::from(byte) / 255.0))
            .collect()
    }

    /// As seen without one kind of cone: Machado, Oliveira and Fernandes (2009), severity 1, in linear RGB.
    fn without(matrix: [[f64; 3]; 3], rgb: [f64; 3]) -> [f64; 3] {
        let linear = Srgb::new(rgb[0], rgb[1], rgb[2]).into_linear();
        let linear = [linear.red, linear.green, linear.blue];
        let seen = matrix.map(|row| {
            let sum: f64 = row.iter().zip(linear).map(|(m, v)| m * v).sum();
            sum.clamp(0.0, 1.0)
        });
        let seen = palette::LinSrgb::new(seen[0], seen[1], seen[2]);
        let seen: Srgb<f64> = Srgb::from_linear(seen);
        [seen.red, seen.green, seen.blue]
    }

    const PROTANOPIA: [[f64; 3]; 3] = [
        [0.152_286, 1.052_583, -0.204_868],
        [0.114_503, 0.786_281, 0.099_216],
        [-0.003_882, -0.048_116, 1.051_998],
    ];
    const DEUTERANOPIA: [[f64; 3]; 3] = [
        [0.367_322, 0.860_646, -0.227_968],
        [0.280_085, 0.672_501, 0.047_413],
        [-0.011_820, 0.042_940, 0.968_881],
    ];
    const TRITANOPIA: [[f64; 3]; 3] = [
        [1.255_528, -0.076_749, -0.178_779],
        [-0.078_411, 0.930_809, 0.147_602],
        [0.004_733, 0.691_367, 0.303_900],
    ];

    #[test]
    fn the_whole_path_can_be_shown_on_a_screen() {
        for i in 0..=FINE {
            let colour: Srgb<f64> = Srgb::from_color(station(fraction(i, FINE)));
            for value in [colour.red, colour.green, colour.blue] {
                assert!((-0.001..=1.001).contains(&value), "{i}: {colour:?}");
            }
        }
    }

    /// Sixteen steps apart, so that rounding to bytes does not drown what is tested.
    #[test]
    fn equal_steps_of_height_look_equally_far_apart() {
        let lab: Vec<_> = table().into_iter().map(lab_of).collect();
        let steps: Vec<f64> = lab
            .windows(17)
            .map(|window| window[0].difference(window[16]))
            .collect();
        let mean = steps.iter().sum::<f64>() / steps.len() as f64;
        for (at, step) in steps.iter().enumerate() {
            assert!(
                (step / mean - 1.0).abs() < 0.15,
                "{at}: {step} against {mean}"
            );
        }
    }

    #[test]
    fn lightness_only_grows_with_and_without_every_kind_of_cone() {
        let all = [
            [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]],
            PROTANOPIA,
            DEUTERANOPIA,
            TRITANOPIA,
        ];
        for matrix in all {
            let light: Vec<f64> = table()
                .into_iter()
                .map(|rgb| lab_of(without(matrix, rgb)).l)
                .collect();
            for window in light.windows(9) {
                assert!(window[8] - window[0] > 0.8, "{window:?}");
            }
            assert!(light[0] < 15.0 && light[STEPS - 1] > 92.0);
        }
    }
}
