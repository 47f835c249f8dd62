//! Footprint outlines: smallest enclosing rectangle, and how close two footprints can come.

/// The smallest-area rectangle around a footprint.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Rectangle {
    pub length_mm: f64,
    pub width_mm: f64,
    /// Direction of the long side from the x axis, in (−π/2, π/2].
    pub yaw_rad: f64,
}

/// Convex hull by Andrew's monotone chain (A. M. Andrew, Information Processing Letters 9, 1979), counter-clockwise.
pub(super) fn hull(points: &[[f64; 2]]) -> Vec<[f64; 2]> {
    let mut sorted = points.to_vec();
    sorted.sort_by(|a, b| a[0].total_cmp(&b[0]).then(a[1].total_cmp(&b[1])));
    let mut chain: Vec<[f64; 2]> = Vec::with_capacity(sorted.len() + 1);
    for pass in 0..2 {
        let floor = chain.len();
        let walk: Box<dyn Iterator<Item = &[f64; 2]>> = if pass == 0 {
            Box::new(sorted.iter())
        } else {
            Box::new(sorted.iter().rev())
        };
        for point in walk {
            while chain.len() >= floor + 2
                && cross(chain[chain.len() - 2], chain[chain.len() - 1], *point) <= 0.0
            {
                chain.pop();
            }
            chain.push(*point);
        }
        chain.pop();
    }
    chain
}

fn cross(o: [f64; 2], a: [f64; 2], b: [f64; 2]) -> f64 {
    (a[0] - o[0]) * (b[1] - o[1]) - (a[1] - o[1]) * (b[0] - o[0])
}

/// The smallest-area enclosing rectangle: one of its sides lies on a side of the hull
/// (H. Freeman and R. Shapira, Communications of the ACM 18, 1975).
pub(super) fn smallest_rectangle(points: &[[f64; 2]]) -> Rectangle {
    let hull = hull(points);
    let mut best = Rectangle {
        length_mm: 0.0,
        width_mm: 0.0,
        yaw_rad: 0.0,
    };
    let mut least = f64::INFINITY;
    for (i, a) in hull.iter().enumerate() {
        let b = hull[(i + 1) % hull.len()];
        let side = (b[0] - a[0]).hypot(b[1] - a[1]);
        if side == 0.0 {
            continue;
        }
        let (c, s) = ((b[0] - a[0]) / side, (b[1] - a[1]) / side);
        let (mut low, mut high) = ([f64::INFINITY; 2], [f64::NEG_INFINITY; 2]);
        for p in &hull {
            let along = [c * p[0] + s * p[1], c * p[1] - s * p[0]];
            for k in 0..2 {
                low[k] = low[k].min(along[k]);
                high[k] = high[k].max(along[k]);
            }
        }
        let (du, dv) = (high[0] - low[0], high[1] - low[1]);
        if du * dv < least {
            least = du * dv;
            let turn = if du >= dv {
                0.0
            } else {
                std::f64::consts::FRAC_PI_2
            };
            best = Rectangle {
                length_mm: du.max(dv),
                width_mm: du.min(dv),
                yaw_rad: half_turn(s.atan2(c) + turn),
            };
        }
    }
    best
}

/// An undirected angle, brought into (−π/2, π/2].
pub(super) fn half_turn(angle: f64) -> f64 {
    use std::f64::consts::{FRAC_PI_2, PI};
    let turned = (angle + FRAC_PI_2).rem_euclid(PI) - FRAC_PI_2;
    if turned <= -FRAC_PI_2 {
        FRAC_PI_2
    } else {
        turned
    }
}

/// Bounds of a footprint: low and high corner.
pub(super) fn bounds(points: &[[f64; 2]]) -> ([f64; 2], [f64; 2]) {
    let (mut low, mut high) = ([f64::INFINITY; 2], [f64::NEG_INFINITY; 2]);
    for p in points {
        for k in 0..2 {
            low[k] = low[k].min(p[k]);
            high[k] = high[k].max(p[k]);
        }
    }
    (low, high)
}

/// What a footprint takes up in one bin across: its extent along the other axis.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Span {
    pub bin: i64,
    pub low: f64,
    pub high: f64,
}

/// Extent along the other axis in each bin of `step` along `axis` (0: bins across x, extents along y).
pub(super) fn spans(points: &[[f64; 2]], axis: usize, step: f64) -> Vec<Span> {
    let (low, high) = bounds(points);
    let first = (low[axis] / step).floor() as i64;
    let last = (high[axis] / step).floor() as i64;
    let mut spans: Vec<Span> = (first..=last)
        .map(|bin| Span {
            bin,
            low: f64::INFINITY,
            high: f64::NEG_INFINITY,
        })
        .collect();
    let other = 1 - axis;
    for (i, a) in points.iter().enumerate() {
        let b = points[(i + 1) % points.len()];
        let (s, e) = if a[axis] <= b[axis] { (*a, b) } else { (b, *a) };
        let from = (s[axis] / step).floor() as i64;
        let to = (e[axis] / step).floor() as i64;
        let run = e[axis] - s[axis];
        for bin in from..=to {
            let edges = [bin as f64 * step, (bin + 1) as f64 * step];
            for edge in [edges[0].max(s[axis]), edges[1].min(e[axis])] {
                let t = if run > 0.0 {
                    ((edge - s[axis]) / run).clamp(0.0, 1.0)
                } else {
                    0.0
                };
                let value = s[other] + t * (e[other] - s[other]);
                let span = &mut spans[(bin - first) as usize];
                span.low = span.low.min(value);
                span.high = span.high.max(value);
            }
            if run == 0.0 {
                let span = &mut spans[(bin - first) as usize];
                span.low = span.low.min(s[other].min(e[other]));
                span.high = span.high.max(s[other].max(e[other]));
            }
        }
    }
    spans
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_rectangle_of_a_turned_rectangle_is_itself() {
        for degrees in [-80.0_f64, -45.0, 0.0, 10.0, 90.0] {
            let yaw = degrees.to_radians();
            let (s, c) = yaw.sin_cos();
            let corners = [[50.0, 20.0], [-50.0, 20.0], [-50.0, -20.0], [50.0, -20.0]]
                .map(|[u, v]: [f64; 2]| [c * u - s * v, s * u + c * v]);
            let found = smallest_rectangle(&corners);
            assert!((found.length_mm - 100.0).abs() < 1e-9);
            assert!((found.width_mm - 40.0).abs() < 1e-9);
            assert!((half_turn(found.yaw_rad - yaw)).abs() < 1e-9, "{found:?}");
        }
    }

    #[test]
    fn spans_of_a_square_are_its_sides() {
        let square = [[0.25, 1.0], [3.75, 1.0], [3.75, 2.0], [0.25, 2.0]];
        for span in spans(&square, 0, 0.5) {
            assert_eq!((span.low, span.high), (1.0, 2.0));
        }
    }
}
