//! CIELAB (D65, 2°) and the CIEDE2000 difference.
//!
//! References: CIE 15 (CIELAB); IEC 61966-2-1 (primaries and white of sRGB); Sharma, Wu and Dalal (2005), Color Res. Appl.
//! 30:21–30 (CIEDE2000). The arithmetic is the `palette` crate's.

use palette::color_difference::Ciede2000;
use palette::convert::FromColorUnclamped;
use palette::white_point::D65;
use palette::{FromColor, LinSrgb};

use super::encoding::linear_from_srgb;

/// A colour in CIELAB under D65 for the 2° observer.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Lab {
    /// Lightness, 0 to 100.
    pub l: f64,
    /// Green (−) to red (+).
    pub a: f64,
    /// Blue (−) to yellow (+).
    pub b: f64,
}

/// CIELAB of linear RGB (sRGB primaries, 1 = white).
#[must_use]
pub fn lab_from_linear(linear: [f64; 3]) -> Lab {
    let [r, g, b] = linear;
    let lab = palette::Lab::<D65, f64>::from_color(LinSrgb::new(r, g, b));
    Lab {
        l: lab.l,
        a: lab.a,
        b: lab.b,
    }
}

/// Linear RGB (sRGB primaries, 1 = white) of a colour in CIELAB; colours outside sRGB keep their negative or large values.
#[must_use]
pub fn linear_from_lab(lab: Lab) -> [f64; 3] {
    let rgb =
        LinSrgb::<f64>::from_color_unclamped(palette::Lab::<D65, f64>::new(lab.l, lab.a, lab.b));
    [rgb.red, rgb.green, rgb.blue]
}

/// CIELAB of an 8-bit sRGB colour.
#[must_use]
pub fn lab_from_srgb8(rgb: [u8; 3]) -> Lab {
    lab_from_linear(rgb.map(|code| linear_from_srgb(f64::from(code) / 255.0)))
}

/// The CIEDE2000 difference of two colours, with kL = kC = kH = 1.
#[must_use]
pub fn delta_e00(one: Lab, other: Lab) -> f64 {
    let palette = |lab: Lab| palette::Lab::<D65, f64>::new(lab.l, lab.a, lab.b);
    palette(one).difference(palette(other))
}
