//! How evenly light falls and is seen across the belt, from the belt's and the plate's own surfaces.
//!
//! A single surface cannot tell uneven light from uneven colour. Two can: where the belt beside the plate and the plate itself
//! show the same course across, it is the light's; where they differ, one of them is not of one colour, and nothing is said.

use nalgebra::{DMatrix, DVector};

use crate::stats::median;

/// Stations, the first at the height frame's left edge, the last at its right.
pub(super) const STATIONS: usize = 17;
/// Bins of the frame's width.
const BINS: usize = 8 * (STATIONS - 1);
/// Fewest samples of a bin.
const LEAST_SAMPLES: usize = 12;
/// Fewest intervals between stations in which both surfaces are seen.
const LEAST_SHARED: usize = 4;
/// Largest share of the intervals that may show no belt.
const MOST_UNSEEN: usize = 2;
/// How far the two may differ over an interval (our own choice: twice what a belt with 5 % texture shows).
const MOST_APART: f64 = 0.03;
/// Weight that keeps neighbouring stations on a smooth course, against one bin's.
const SMOOTHNESS: f64 = 0.3;

/// Samples of one surface by bins across the frame.
#[derive(Debug, Clone)]
pub(super) struct Surface {
    width_mm: f64,
    bins: Vec<[Vec<f32>; 3]>,
}

impl Surface {
    pub fn new(width_mm: f64) -> Self {
        Self {
            width_mm,
            bins: vec![Default::default(); BINS],
        }
    }

    /// A sample's linear light at its place across the height frame.
    pub fn add(&mut self, x_mm: f64, light: [f64; 3]) {
        let bin = (x_mm / self.width_mm * BINS as f64).floor();
        if (0.0..BINS as f64).contains(&bin) {
            for (values, value) in self.bins[bin as usize].iter_mut().zip(light) {
                values.push(value as f32);
            }
        }
    }

    /// Medians of the bins of a channel, NaN where too little was seen.
    fn course(&mut self, channel: usize) -> Vec<f64> {
        let middle = |bin: &mut [Vec<f32>; 3]| {
            let values = &mut bin[channel];
            if values.len() < LEAST_SAMPLES {
                return f64::NAN;
            }
            median(values).map_or(f64::NAN, f64::from)
        };
        self.bins.iter_mut().map(middle).collect()
    }
}

/// The relative response at the stations, the largest being 1; or why it cannot be told.
pub(super) fn flat_field(
    mut belt: Surface,
    mut plate: Surface,
) -> Result<[Vec<f64>; 3], &'static str> {
    let mut responses: [Vec<f64>; 3] = Default::default();
    for (channel, response) in responses.iter_mut().enumerate() {
        *response = one_channel(&belt.course(channel), &plate.course(channel))?;
    }
    Ok(responses)
}

fn one_channel(belt: &[f64], plate: &[f64]) -> Result<Vec<f64>, &'static str> {
    let unseen = intervals(belt).filter(|(_, bins)| bins.iter().all(|b| b.is_nan()));
    if unseen.count() > MOST_UNSEEN {
        return Err("too little of the bare belt lies in the colour frame");
    }
    if belt.iter().chain(plate).any(|value| *value <= 0.0) {
        return Err("a colour channel is dark");
    }
    let first =
        course(&[(belt, 1.0)]).ok_or("too little of the bare belt lies in the colour frame")?;
    let ratio: Vec<f64> = plate
        .iter()
        .enumerate()
        .map(|(bin, value)| value / at(&first, bin))
        .collect();
    let mut seen: Vec<f32> = ratio
        .iter()
        .filter(|r| r.is_finite())
        .map(|r| *r as f32)
        .collect();
    let level = f64::from(median(&mut seen).ok_or("the plate's own surface is not seen")?);
    let mut shared = 0;
    for (_, bins) in intervals(&ratio) {
        let known: Vec<f64> = bins.iter().copied().filter(|r| r.is_finite()).collect();
        if known.len() < 4 {
            continue;
        }
        shared += 1;
        let mean = known.iter().sum::<f64>() / known.len() as f64 / level;
        if (mean - 1.0).abs() > MOST_APART {
            return Err(
                "belt and plate show different courses across: one of them is not of one colour",
            );
        }
    }
    if shared < LEAST_SHARED {
        return Err("belt and plate are seen together over too little of the width");
    }
    let plate: Vec<f64> = plate.iter().map(|value| value / level).collect();
    let weight = |values: &[f64]| {
        let (mut squares, mut count) = (0.0, 0.0);
        for (bin, value) in values.iter().enumerate().filter(|(_, v)| v.is_finite()) {
            squares += (value / at(&first, bin) - 1.0).powi(2);
            count += 1.0;
        }
        1.0 / (squares / f64::max(count, 1.0)).max(1e-8)
    };
    let (belt_weight, plate_weight) = (weight(belt), weight(&plate));
    let both = [(belt, 1.0), (plate.as_slice(), plate_weight / belt_weight)];
    let nodes = course(&both).ok_or("too little of the bare belt lies in the colour frame")?;
    let most = nodes.iter().copied().fold(f64::MIN_POSITIVE, f64::max);
    let response: Vec<f64> = nodes.iter().map(|node| node / most).collect();
    match response.iter().all(|r| (0.05..=1.0).contains(r)) {
        true => Ok(response),
        false => Err("the course across leaves no light at a side"),
    }
}

/// Bins between each two stations.
fn intervals(values: &[f64]) -> impl Iterator<Item = (usize, &[f64])> {
    values.chunks(BINS / (STATIONS - 1)).enumerate()
}

/// The piecewise straight line through `nodes` at a bin's middle.
fn at(nodes: &[f64], bin: usize) -> f64 {
    let (node, rest) = place(bin);
    nodes[node] * (1.0 - rest) + nodes[node + 1] * rest
}

fn place(bin: usize) -> (usize, f64) {
    let place = (bin as f64 + 0.5) * (STATIONS - 1) as f64 / BINS as f64;
    let node = (place as usize).min(STATIONS - 2);
    (node, place - node as f64)
}

/// Least squares for the line through the stations, which is what a calibration states.
fn course(surfaces: &[(&[f64], f64)]) -> Option<Vec<f64>> {
    let mut normal = DMatrix::<f64>::zeros(STATIONS, STATIONS);
    let mut right = DVector::<f64>::zeros(STATIONS);
    for (values, weight) in surfaces {
        for (bin, value) in values.iter().enumerate().filter(|(_, v)| v.is_finite()) {
            let (node, rest) = place(bin);
            let parts = [(node, 1.0 - rest), (node + 1, rest)];
            for (i, a) in parts {
                right[i] += weight * a * value;
                for (j, b) in parts {
                    normal[(i, j)] += weight * a * b;
                }
            }
        }
    }
    for node in 1..STATIONS - 1 {
        let bend = [(node - 1, 1.0), (node, -2.0), (node + 1, 1.0)];
        for (i, a) in bend {
            for (j, b) in bend {
                normal[(i, j)] += SMOOTHNESS * a * b;
            }
        }
    }
    let solved = normal.cholesky()?.solve(&right);
    let nodes: Vec<f64> = solved.iter().copied().collect();
    nodes.iter().all(|node| node.is_finite()).then_some(nodes)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn vignetting(x_mm: f64) -> f64 {
        let s = x_mm / 300.0 - 1.0;
        1.0 - 0.15 * s * s
    }

    fn surfaces(plate_slope: f64) -> (Surface, Surface) {
        let (mut belt, mut plate) = (Surface::new(600.0), Surface::new(600.0));
        for i in 0..6000 {
            let x_mm = 0.1 * f64::from(i);
            let light = vignetting(x_mm);
            belt.add(x_mm, [0.03 * light, 0.1 * light, 0.25 * light]);
            if (100.0..480.0).contains(&x_mm) {
                let plate_light = light * (1.0 + plate_slope * x_mm / 600.0);
                plate.add(x_mm, [0.33 * plate_light; 3]);
            }
        }
        (belt, plate)
    }

    #[test]
    fn two_surfaces_that_agree_tell_the_light() {
        let (belt, plate) = surfaces(0.0);
        let found = flat_field(belt, plate).expect("told");
        for channel in found {
            for (station, response) in channel.iter().enumerate() {
                let x_mm = 600.0 * station as f64 / (STATIONS - 1) as f64;
                // A line through 17 stations cuts the parabola's corners by up to 0.15/4·(1/8)² = 0.0006.
                assert!(
                    (response - vignetting(x_mm)).abs() < 0.003,
                    "{x_mm}: {response}"
                );
            }
        }
    }

    #[test]
    fn surfaces_that_disagree_or_are_missing_tell_nothing() {
        let (belt, plate) = surfaces(0.3);
        assert!(
            flat_field(belt, plate)
                .expect_err("uneven")
                .contains("one colour")
        );
        let (belt, _) = surfaces(0.0);
        let none = Surface::new(600.0);
        assert!(
            flat_field(belt, none.clone())
                .expect_err("no plate")
                .contains("plate")
        );
        let (_, plate) = surfaces(0.0);
        assert!(
            flat_field(none, plate)
                .expect_err("no belt")
                .contains("belt")
        );
    }
}
