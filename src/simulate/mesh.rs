//! A triangle mesh as a solid resting on the belt, as a scanner from above sees it.

use super::outline;
use super::shape::Size;
use crate::error::{Error, ErrorKind, Result};

/// Cells along the longer side of the raster that gives a mesh its volume.
const RASTER_SIDE: usize = 2000;
/// Most bins of the look-up grid.
const MOST_BINS: usize = 1 << 18;

/// A triangle mesh, lowest point on the belt, seen from straight above: the height at (u, v) is that of the topmost
/// triangle there, and all beneath it counts as solid.
#[derive(Debug, Clone, PartialEq)]
pub struct MeshShape {
    triangles: Vec<[[f64; 3]; 3]>,
    low_mm: [f64; 2],
    high_mm: [f64; 2],
    bin_mm: f64,
    bins_across: usize,
    /// Start of each bin in `members`, and one past the end.
    starts: Vec<u32>,
    members: Vec<u32>,
}

impl MeshShape {
    /// A mesh from vertices (mm) and faces (indices of vertices), moved so that its lowest point is at z = 0 and the
    /// middle of its bounds at (0, 0).
    ///
    /// # Errors
    /// [`ErrorKind::Mismatch`] when there is no face, a face names a missing vertex, a coordinate is not finite, or
    /// the mesh has no extent seen from above.
    pub fn from_triangles(vertices: &[[f64; 3]], faces: &[[usize; 3]]) -> Result<Self> {
        let wrong = |found: String| {
            Error::new(ErrorKind::Mismatch, found)
                .expected("a mesh of triangles with finite corners")
        };
        if faces.is_empty() {
            return Err(wrong("the mesh has no faces".into()));
        }
        let (mut low, mut high) = ([f64::INFINITY; 3], [f64::NEG_INFINITY; 3]);
        let mut triangles = Vec::with_capacity(faces.len());
        for (number, face) in faces.iter().enumerate() {
            let mut corners = [[0.0; 3]; 3];
            for (corner, index) in corners.iter_mut().zip(face) {
                *corner = *vertices.get(*index).ok_or_else(|| {
                    wrong(format!(
                        "face {number} names vertex {index} of {}",
                        vertices.len()
                    ))
                })?;
                for k in 0..3 {
                    if !corner[k].is_finite() {
                        return Err(wrong(format!("vertex {index} is not finite")));
                    }
                    low[k] = low[k].min(corner[k]);
                    high[k] = high[k].max(corner[k]);
                }
            }
            triangles.push(corners);
        }
        let middle = [0.5 * (low[0] + high[0]), 0.5 * (low[1] + high[1]), low[2]];
        for corner in triangles.iter_mut().flatten() {
            for k in 0..3 {
                corner[k] -= middle[k];
            }
        }
        let half = [0.5 * (high[0] - low[0]), 0.5 * (high[1] - low[1])];
        if half[0] <= 0.0 || half[1] <= 0.0 {
            return Err(wrong("the mesh has no extent seen from above".into()));
        }
        Ok(Self::binned(triangles, half))
    }

    fn binned(triangles: Vec<[[f64; 3]; 3]>, half: [f64; 2]) -> Self {
        let wanted = (triangles.len() * 2).clamp(1, MOST_BINS) as f64;
        let area = 4.0 * half[0] * half[1];
        let bin_mm = (area / wanted)
            .sqrt()
            .max(2.0 * half[0].max(half[1]) / 4096.0);
        let bins_across = (2.0 * half[0] / bin_mm) as usize + 1;
        let bins_along = (2.0 * half[1] / bin_mm) as usize + 1;
        let place = |value: f64, k: usize, most: usize| {
            (((value + half[k]) / bin_mm).max(0.0) as usize).min(most - 1)
        };
        let reach = |triangle: &[[f64; 3]; 3]| {
            let corners = triangle.map(|c| [c[0], c[1]]);
            let (low, high) = outline::bounds(&corners);
            (
                place(low[0], 0, bins_across)..=place(high[0], 0, bins_across),
                place(low[1], 1, bins_along)..=place(high[1], 1, bins_along),
            )
        };
        let mut lists: Vec<Vec<u32>> = vec![Vec::new(); bins_across * bins_along];
        for (number, triangle) in triangles.iter().enumerate() {
            let (across, along) = reach(triangle);
            for j in along {
                for i in across.clone() {
                    lists[j * bins_across + i].push(number as u32);
                }
            }
        }
        let mut starts = vec![0];
        let mut members = Vec::new();
        for list in lists {
            members.extend(list);
            starts.push(members.len() as u32);
        }
        Self {
            triangles,
            low_mm: [-half[0], -half[1]],
            high_mm: half,
            bin_mm,
            bins_across,
            starts,
            members,
        }
    }

    /// Height of the topmost triangle at (u, v), mm; `None` where there is none.
    pub fn height_mm(&self, u_mm: f64, v_mm: f64) -> Option<f64> {
        if !(self.low_mm[0]..=self.high_mm[0]).contains(&u_mm)
            || !(self.low_mm[1]..=self.high_mm[1]).contains(&v_mm)
        {
            return None;
        }
        let i = ((u_mm - self.low_mm[0]) / self.bin_mm) as usize;
        let j = ((v_mm - self.low_mm[1]) / self.bin_mm) as usize;
        let bin = j * self.bins_across + i;
        let (from, to) = (
            *self.starts.get(bin)? as usize,
            *self.starts.get(bin + 1)? as usize,
        );
        let mut top: Option<f64> = None;
        for number in &self.members[from..to] {
            if let Some(z) = height_on(&self.triangles[*number as usize], u_mm, v_mm) {
                top = Some(top.map_or(z, |best| best.max(z)));
            }
        }
        top
    }

    /// Size by a midpoint raster with 2000 cells along the longer side.
    pub(super) fn size(&self) -> Size {
        let extent = [
            self.high_mm[0] - self.low_mm[0],
            self.high_mm[1] - self.low_mm[1],
        ];
        let step = extent[0].max(extent[1]) / RASTER_SIDE as f64;
        let cells = extent.map(|e| ((e / step).ceil() as usize).max(1));
        let (du, dv) = (extent[0] / cells[0] as f64, extent[1] / cells[1] as f64);
        let (mut height, mut count, mut sum_u, mut sum_v) = (0.0, 0.0, 0.0, 0.0);
        for j in 0..cells[1] {
            let v = self.low_mm[1] + (j as f64 + 0.5) * dv;
            for i in 0..cells[0] {
                let u = self.low_mm[0] + (i as f64 + 0.5) * du;
                if let Some(z) = self.height_mm(u, v) {
                    height += z;
                    count += 1.0;
                    sum_u += u;
                    sum_v += v;
                }
            }
        }
        let top = self
            .triangles
            .iter()
            .flatten()
            .fold(0.0_f64, |top, corner| top.max(corner[2]));
        Size {
            volume_mm3: height * du * dv,
            area_mm2: count * du * dv,
            centroid_mm: [sum_u / count.max(1.0), sum_v / count.max(1.0)],
            max_height_mm: top,
        }
    }

    pub(super) fn outline_mm(&self) -> Vec<[f64; 2]> {
        let points: Vec<[f64; 2]> = self
            .triangles
            .iter()
            .flatten()
            .map(|c| [c[0], c[1]])
            .collect();
        outline::hull(&points)
    }

    pub(super) fn scaled(&self, factor: f64) -> Self {
        let triangles = self
            .triangles
            .iter()
            .map(|t| t.map(|c| c.map(|x| factor * x)))
            .collect();
        Self::binned(triangles, self.high_mm.map(|x| factor * x))
    }
}

/// Height of a triangle over (u, v) by barycentric coordinates; `None` beside it, and for one seen edge on.
fn height_on(triangle: &[[f64; 3]; 3], u: f64, v: f64) -> Option<f64> {
    let [a, b, c] = triangle;
    let det = (b[0] - a[0]) * (c[1] - a[1]) - (c[0] - a[0]) * (b[1] - a[1]);
    if det == 0.0 {
        return None;
    }
    let wb = ((u - a[0]) * (c[1] - a[1]) - (c[0] - a[0]) * (v - a[1])) / det;
    let wc = ((b[0] - a[0]) * (v - a[1]) - (u - a[0]) * (b[1] - a[1])) / det;
    let wa = 1.0 - wb - wc;
    // Rounding must not open a seam between two triangles that share an edge.
    let slack = -1e-12;
    (wa >= slack && wb >= slack && wc >= slack).then(|| wa * a[2] + wb * b[2] + wc * c[2])
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A box of 40 x 30 x 20 mm as twelve triangles.
    fn brick() -> MeshShape {
        let vertices: Vec<[f64; 3]> = (0..8)
            .map(|i| {
                [
                    if i & 1 == 0 { 0.0 } else { 40.0 },
                    if i & 2 == 0 { 0.0 } else { 30.0 },
                    if i & 4 == 0 { 5.0 } else { 25.0 },
                ]
            })
            .collect();
        let faces = [
            [0, 1, 3],
            [0, 3, 2],
            [4, 5, 7],
            [4, 7, 6],
            [0, 1, 5],
            [0, 5, 4],
            [2, 3, 7],
            [2, 7, 6],
            [0, 2, 6],
            [0, 6, 4],
            [1, 3, 7],
            [1, 7, 5],
        ];
        MeshShape::from_triangles(&vertices, &faces).unwrap()
    }

    #[test]
    fn a_box_of_triangles_has_the_volume_of_a_box() {
        let size = brick().size();
        assert!((size.volume_mm3 / 24_000.0 - 1.0).abs() < 1e-9);
        assert!((size.area_mm2 / 1200.0 - 1.0).abs() < 1e-9);
        assert_eq!(size.max_height_mm, 20.0);
        let doubled = brick().scaled(2.0).size();
        assert!((doubled.volume_mm3 / 192_000.0 - 1.0).abs() < 1e-9);
    }

    #[test]
    fn a_fan_of_triangles_is_a_pyramid() {
        // Pyramid, base 40 x 40, height 30: base area times height over 3.
        let vertices = [
            [-20.0, -20.0, 0.0],
            [20.0, -20.0, 0.0],
            [20.0, 20.0, 0.0],
            [-20.0, 20.0, 0.0],
            [0.0, 0.0, 30.0],
        ];
        let faces = [[0, 1, 4], [1, 2, 4], [2, 3, 4], [3, 0, 4]];
        let size = MeshShape::from_triangles(&vertices, &faces).unwrap().size();
        assert!((size.volume_mm3 / 16_000.0 - 1.0).abs() < 1e-6, "{size:?}");
    }

    #[test]
    fn broken_meshes_are_errors() {
        let flat = [[0.0, 0.0, 0.0], [1.0, 0.0, 0.0], [2.0, 0.0, 1.0]];
        for (vertices, faces, says) in [
            (&flat[..], &[][..], "no faces"),
            (&flat[..], &[[0, 1, 7]][..], "vertex 7"),
            (&flat[..], &[[0, 1, 2]][..], "no extent"),
            (&[[f64::NAN; 3]; 3][..], &[[0, 1, 2]][..], "not finite"),
        ] {
            let error = MeshShape::from_triangles(vertices, faces).unwrap_err();
            assert!(error.to_string().contains(says), "{error}");
        }
    }
}
