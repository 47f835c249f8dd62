//! How a smooth shoulder goes on where the camera no longer sees it.
//!
//! Where the last ray grazes a smooth surface the surface has the ray's slope. How fast it got there tells how it goes on: the
//! circle through the last seen samples with that slope is followed to where it stands upright, or meets the belt.

/// Samples before the shoulder that tell the circle.
pub const BEFORE: usize = 6;
/// Cells behind the shoulder that a circle is followed over.
pub const BEHIND: usize = 64;
/// Places of the grazing point between the last seen sample and the next, over which is averaged.
const PLACES: usize = 6;
/// Radii tried, mm: from a crease to a slope that never ends.
const LEAST_RADIUS_MM: f32 = 0.15;
const RADIUS_STEP: f32 = 1.18;
const RADII: usize = 48;

/// For a pitch and a ray's slope: what each radius looks like before the shoulder, and how it goes on.
#[derive(Debug, Clone)]
pub struct RimTable {
    rims: Vec<Rim>,
}

/// One radius.
#[derive(Debug, Clone)]
pub struct Rim {
    /// Its radius, mm.
    pub radius_mm: f32,
    /// Rise from the shoulder's last sample to the `j + 1`-th before it, mm.
    rise_mm: [f32; BEFORE],
    /// Fall from it to the `j + 1`-th behind it for each place of the grazing point, mm; infinite below the upright.
    fall_mm: Vec<[f32; PLACES]>,
}

impl RimTable {
    /// For cells of `pitch_mm` and a ray that falls by `1/tan_angle`.
    pub fn new(pitch_mm: f32, tan_angle: f32) -> Self {
        let rims = (0..RADII)
            .map(|index| {
                let radius_mm = LEAST_RADIUS_MM * RADIUS_STEP.powi(index as i32);
                Rim::new(radius_mm, pitch_mm, tan_angle)
            })
            .collect();
        Self { rims }
    }

    /// The radius whose rises are nearest to these (NaN: not seen), and their rms difference.
    pub fn nearest(&self, rise_mm: &[f32; BEFORE]) -> Option<(&Rim, f32)> {
        let distance = |rim: &Rim| {
            let (mut sum, mut weights) = (0.0, 0.0);
            for (index, (&seen, &expected)) in rise_mm.iter().zip(&rim.rise_mm).enumerate() {
                if !seen.is_nan() {
                    // The nearer a sample, the more it says about the shoulder itself.
                    let weight = 1.0 / (1.0 + index as f32);
                    sum += weight * (seen - expected).powi(2);
                    weights += weight;
                }
            }
            (weights > 0.0).then(|| sum / weights)
        };
        let mut best: Option<(&Rim, f32)> = None;
        for rim in &self.rims {
            let Some(found) = distance(rim) else { continue };
            if best.is_none_or(|(_, least)| found < least) {
                best = Some((rim, found));
            }
        }
        best.map(|(rim, square)| (rim, square.sqrt()))
    }
}

impl Rim {
    fn new(radius_mm: f32, pitch_mm: f32, tan_angle: f32) -> Self {
        // The slope's angle from the horizontal.
        let angle = (1.0 / tan_angle).atan();
        let (sin, cos) = angle.sin_cos();
        // Height above the circle's centre at a distance beyond the grazing point.
        let circle = |out_mm: f32| {
            let from_centre = radius_mm * sin + out_mm;
            if from_centre < 0.0 {
                // Past the circle's top: level, as the top of a slab is.
                radius_mm
            } else {
                let square = radius_mm * radius_mm - from_centre * from_centre;
                if square < 0.0 {
                    f32::NEG_INFINITY
                } else {
                    square.sqrt()
                }
            }
        };
        debug_assert!((circle(0.0) - radius_mm * cos).abs() < 1e-3);
        let places: [f32; PLACES] =
            std::array::from_fn(|place| (place as f32 + 0.5) / PLACES as f32);
        let rise_mm = std::array::from_fn(|index| {
            let rises = places.map(|place| {
                let last = circle(-place * pitch_mm);
                circle(-(place + index as f32 + 1.0) * pitch_mm) - last
            });
            rises.iter().sum::<f32>() / PLACES as f32
        });
        let fall_mm = (0..BEHIND)
            .map(|index| {
                places.map(|place| {
                    let last = circle(-place * pitch_mm);
                    last - circle((index as f32 + 1.0 - place) * pitch_mm)
                })
            })
            .collect();
        Self {
            radius_mm,
            rise_mm,
            fall_mm,
        }
    }

    /// Height of the `j`-th cell behind (j from 1) a shoulder `height_mm` above the floor, averaged over where in its cell
    /// the grazing point may lie.
    pub fn height_mm(&self, j: usize, height_mm: f32) -> f32 {
        let falls = self.fall_mm.get(j - 1);
        falls.map_or(0.0, |falls| {
            falls
                .iter()
                .map(|fall| (height_mm - fall).max(0.0))
                .sum::<f32>()
                / PLACES as f32
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_radius_is_recognised_by_its_own_rises() {
        let table = RimTable::new(0.4, 25.0_f32.to_radians().tan());
        for rim in table.rims.iter().skip(6).take(30) {
            let (found, rms) = table.nearest(&rim.rise_mm).unwrap();
            assert_eq!(found.radius_mm, rim.radius_mm);
            assert!(rms < 1e-6);
        }
    }

    #[test]
    fn a_crease_goes_straight_down() {
        let table = RimTable::new(0.4, 25.0_f32.to_radians().tan());
        let (rim, _) = table.nearest(&[0.0; BEFORE]).unwrap();
        assert!(rim.height_mm(1, 30.0) < 0.5);
        assert_eq!(rim.height_mm(2, 30.0), 0.0);
    }

    #[test]
    fn a_sphere_goes_on_as_a_sphere() {
        // Hemisphere of 25 mm on the belt, camera at 25°: what is hidden beyond the grazing point in the middle plane.
        let (radius, tan) = (25.0_f32, 25.0_f32.to_radians().tan());
        let angle = (1.0 / tan).atan();
        let rim = Rim::new(radius, 0.4, tan);
        let height = radius * angle.cos();
        let sum: f32 = (1..=BEHIND)
            .map(|j| rim.height_mm(j, height + 0.2 * 2.1445))
            .sum::<f32>()
            * 0.4;
        // Area of the circle beyond x = R·sin: R²/2·(π/2 − angle) − R²/2·sin·cos.
        let exact = radius * radius / 2.0
            * (std::f32::consts::FRAC_PI_2 - angle - angle.sin() * angle.cos());
        assert!((sum / exact - 1.0).abs() < 0.06, "{sum} {exact}");
    }
}
