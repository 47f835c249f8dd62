//! Volume of each class from heights, classes and depth rules.

use ndarray::ArrayView2;

use crate::product::DepthRule;
use crate::{Error, ErrorKind, Result};

/// What each class holds of a piece, in the profile's order.
#[derive(Debug, Clone, PartialEq)]
pub struct ClassVolumes {
    /// Footprint area by the class seen on top, cm².
    pub area_cm2: Vec<f64>,
    /// Volume by the depth rule, cm³.
    pub volume_cm3: Vec<f64>,
}

impl ClassVolumes {
    /// Volume of all classes, cm³.
    #[must_use]
    pub fn total_cm3(&self) -> f64 {
        self.volume_cm3.iter().sum()
    }

    /// Moves `share` (0 to 1) of a cell `height_mm` high from class `own` to class `other`, area and volume by the depth rule.
    ///
    /// Classes that are none are left alone, as is a height that is not finite.
    pub fn share_cell(
        &mut self,
        height_mm: f64,
        [own, other]: [usize; 2],
        share: f64,
        cell_area_mm2: f64,
        depths: &[DepthRule],
        base: usize,
    ) {
        let (Some(from), Some(to)) = (depths.get(own), depths.get(other)) else {
            return;
        };
        if !height_mm.is_finite() {
            return;
        }
        let top_mm = |depth: &DepthRule| match depth {
            DepthRule::Through => height_mm,
            DepthRule::Layer { depth_mm } => height_mm.min(*depth_mm),
        };
        let part_mm2 = share * cell_area_mm2;
        self.area_cm2[own] -= part_mm2 / 100.0;
        self.area_cm2[other] += part_mm2 / 100.0;
        let (from_mm, to_mm) = (top_mm(from), top_mm(to));
        self.volume_cm3[own] -= part_mm2 * from_mm / 1000.0;
        self.volume_cm3[other] += part_mm2 * to_mm / 1000.0;
        // Beneath a thinner layer there is more of the base.
        self.volume_cm3[base] += part_mm2 * (from_mm - to_mm) / 1000.0;
    }
}

/// Volumes of the classes of one piece.
///
/// Each cell's column belongs to the class seen on it: all of it, or the upper layer as thick as the rule says and no thicker
/// than the column; the rest belongs to `base`. Cells of class 255 are outside and skipped. Sums run along each class's runs, row by row, in `f64`, and the
/// classes' volumes sum to the sum of heights times cell area.
///
/// # Errors
/// Rasters of different size, a class without a depth rule, a base that is no class, a height inside the piece that is not finite.
pub fn class_volumes(
    height_mm: ArrayView2<f32>,
    class: ArrayView2<u8>,
    cell_area_mm2: f64,
    depths: &[DepthRule],
    base: usize,
) -> Result<ClassVolumes> {
    if height_mm.dim() != class.dim() {
        return Err(Error::new(
            ErrorKind::Mismatch,
            format!("classes of {:?} cells", class.dim()),
        )
        .expected(format!("{:?}, as the heights", height_mm.dim())));
    }
    if base >= depths.len() {
        return Err(
            Error::new(ErrorKind::Mismatch, format!("class {base} as base"))
                .expected(format!("one of {} classes", depths.len())),
        );
    }
    // 255 is no class, so a table of 256 holds every sum without a branch on its length.
    let mut cells = [0_u64; 256];
    let mut own_mm = [0.0_f64; 256];
    let mut below_mm = 0.0_f64;
    // Thickness of each class's layer, mm.
    let layers: Vec<f64> = depths
        .iter()
        .map(|depth| match depth {
            DepthRule::Through => f64::INFINITY,
            DepthRule::Layer { depth_mm } => *depth_mm,
        })
        .collect();
    let (mut row_mm, mut row_classes) = (Vec::new(), Vec::new());
    for (row, (heights, classes)) in height_mm.outer_iter().zip(class.outer_iter()).enumerate() {
        // Rows that do not lie together in memory are copied first.
        let heights = heights.to_slice().unwrap_or_else(|| {
            row_mm.clear();
            row_mm.extend(heights.iter().copied());
            &row_mm
        });
        let classes = classes.to_slice().unwrap_or_else(|| {
            row_classes.clear();
            row_classes.extend(classes.iter().copied());
            &row_classes
        });
        let mut first = 0;
        while let Some(&class) = classes.get(first) {
            let end = run_end(classes, first);
            let run = &heights[first..end];
            if class != u8::MAX {
                let layer_mm = layers.get(usize::from(class)).copied();
                let [own, all] = run_sums(run, layer_mm.unwrap_or(f64::INFINITY));
                // A sum is finite only where all its heights are.
                if layer_mm.is_none() || !all.is_finite() {
                    let unusable = run.iter().position(|height| !height.is_finite());
                    let at = unusable.filter(|_| layer_mm.is_some()).unwrap_or(0);
                    return Err(unusable_cell(
                        (row, first + at),
                        class,
                        run[at],
                        depths.len(),
                    ));
                }
                cells[usize::from(class)] += run.len() as u64;
                own_mm[usize::from(class)] += own;
                below_mm += all - own;
            }
            first = end;
        }
    }
    own_mm[base] += below_mm;
    let classes = 0..depths.len().min(256);
    Ok(ClassVolumes {
        area_cm2: classes
            .clone()
            .map(|k| cells[k] as f64 * cell_area_mm2 / 100.0)
            .collect(),
        volume_cm3: classes
            .map(|k| own_mm[k] * cell_area_mm2 / 1000.0)
            .collect(),
    })
}

/// One past the last cell of the run of one class that begins at `first`.
fn run_end(classes: &[u8], first: usize) -> usize {
    const BLOCK: usize = 32;
    let class = classes[first];
    let mut next = first;
    // Whole blocks of the same class are passed over.
    while let Some(block) = classes.get(next..next + BLOCK) {
        if block.iter().fold(0, |any, other| any | (other ^ class)) != 0 {
            break;
        }
        next += BLOCK;
    }
    let length = classes[next..].iter().position(|&other| other != class);
    length.map_or(classes.len(), |length| next + length)
}

/// Sums of the heights' upper layer and of the heights, in lanes of every fourth cell.
fn run_sums(heights_mm: &[f32], layer_mm: f64) -> [f64; 2] {
    let (mut own, mut all) = ([0.0_f64; 4], [0.0_f64; 4]);
    let (fours, rest) = heights_mm.as_chunks::<4>();
    let mut add = |lane: usize, height: f32| {
        let height = f64::from(height);
        own[lane] += if height < layer_mm { height } else { layer_mm };
        all[lane] += height;
    };
    for four in fours {
        (0..4).for_each(|lane| add(lane, four[lane]));
    }
    let rest = rest.iter().enumerate();
    rest.for_each(|(lane, &height)| add(lane, height));
    [own.iter().sum(), all.iter().sum()]
}

fn unusable_cell((row, column): (usize, usize), class: u8, height: f32, classes: usize) -> Error {
    Error::new(
        ErrorKind::Mismatch,
        format!("class {class} and height {height} mm at row {row}, column {column}"),
    )
    .expected(format!("one of {classes} classes and a finite height"))
}

#[cfg(test)]
mod tests {
    use ndarray::array;

    use super::*;

    const RULES: [DepthRule; 3] = [
        DepthRule::Through,
        DepthRule::Layer { depth_mm: 6.0 },
        DepthRule::Through,
    ];

    #[test]
    fn a_layer_is_as_thick_as_its_rule_and_no_thicker_than_the_column() -> Result<()> {
        let height = array![[10.0_f32, 20.0, 4.0], [30.0, f32::NAN, 1.0]];
        let class = array![[0_u8, 1, 1], [2, 255, 2]];
        let volumes = class_volumes(height.view(), class.view(), 100.0, &RULES, 2)?;
        assert_eq!(volumes.area_cm2, [1.0, 2.0, 2.0]);
        // Fat 10; layer 6 + 4; base 30 + 1 and the 14 beneath the layer; a cell is 1 cm².
        assert_eq!(volumes.volume_cm3, [1.0, 1.0, 4.5]);
        assert_eq!(volumes.total_cm3(), 6.5);
        Ok(())
    }

    #[test]
    fn volumes_sum_to_the_piece_whatever_the_rules() -> Result<()> {
        let height = ndarray::Array2::from_shape_fn((40, 50), |(r, c)| (r * c % 37) as f32 - 1.5);
        let class = ndarray::Array2::from_shape_fn((40, 50), |(r, c)| ((r + 2 * c) % 3) as u8);
        let whole: f64 = height.iter().map(|&h| f64::from(h)).sum::<f64>() * 0.16 / 1000.0;
        let volumes = class_volumes(height.view(), class.view(), 0.16, &RULES, 0)?;
        assert!((volumes.total_cm3() - whole).abs() < 1e-12 * whole);
        Ok(())
    }

    #[test]
    fn what_does_not_fit_together_is_refused() {
        let height = array![[1.0_f32, 2.0]];
        let class = array![[0_u8, 1]];
        let nan = array![[1.0_f32, f32::NAN]];
        let many = array![[0_u8, 3]];
        let narrow = array![[0_u8]];
        let volumes = |h: &ndarray::Array2<f32>, c: &ndarray::Array2<u8>, base| {
            class_volumes(h.view(), c.view(), 1.0, &RULES, base)
        };
        assert!(volumes(&height, &class, 0).is_ok());
        assert!(volumes(&nan, &class, 0).is_err());
        assert!(volumes(&height, &many, 0).is_err());
        assert!(volumes(&height, &narrow, 0).is_err());
        assert!(volumes(&height, &class, 3).is_err());
    }
}
