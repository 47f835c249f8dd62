//! How much of each of two colours is in a third.

/// Two colours differ in more than lightness when the sine of the angle between them in linear RGB is above this.
const LEAST_SINE: f32 = 0.2;
/// Square of a contrast below which two colours are alike, relative to the colours'.
const LEAST_CONTRAST: f32 = 1e-4;

/// A mixture of two colours in linear light.
///
/// A slope is darker than a flat, on both sides of a border alike: where the two differ in hue or chroma the mixture is
/// solved as `c = α·c_one + β·c_other` by least squares, and the part is `α/(α + β)`. Where they differ in lightness alone
/// it is the place on the line between the two.
pub struct Mixture {
    one: [f32; 3],
    other: [f32; 3],
    /// Products of one with itself, of the other with itself, and of the two.
    products: [f32; 3],
    /// Whether the two differ in more than lightness.
    by_hue: bool,
}

fn dot(a: [f32; 3], b: [f32; 3]) -> f32 {
    a[0] * b[0] + a[1] * b[1] + a[2] * b[2]
}

impl Mixture {
    /// Of two colours.
    pub fn new(one: [f32; 3], other: [f32; 3]) -> Self {
        let products = [dot(one, one), dot(other, other), dot(one, other)];
        let [one_one, two_two, one_two] = products;
        let determinant = one_one * two_two - one_two * one_two;
        Self {
            one,
            other,
            products,
            by_hue: determinant > LEAST_SINE * LEAST_SINE * one_one * two_two,
        }
    }

    /// The part of the one in `light`, cut to 0…1; `None` when the two are alike.
    pub fn part(&self, light: [f32; 3]) -> Option<f32> {
        let [one_one, two_two, one_two] = self.products;
        if self.by_hue {
            let (with_one, with_two) = (dot(light, self.one), dot(light, self.other));
            let alpha = (with_one * two_two - with_two * one_two).max(0.0);
            let beta = (with_two * one_one - with_one * one_two).max(0.0);
            return (alpha + beta > 0.0).then(|| alpha / (alpha + beta));
        }
        let axis: [f32; 3] = std::array::from_fn(|channel| self.one[channel] - self.other[channel]);
        let from: [f32; 3] = std::array::from_fn(|channel| light[channel] - self.other[channel]);
        let square = dot(axis, axis);
        (square > LEAST_CONTRAST * (one_one + two_two))
            .then(|| (dot(from, axis) / square).clamp(0.0, 1.0))
    }
}
