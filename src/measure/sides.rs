//! Sides of cells that bound the classes of a raster.

use ndarray::Array2;

use super::spans::differing;
use crate::colour::NO_CLASS;

/// Sides that bound one class.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct ClassSides {
    /// With nothing of the piece beyond.
    pub outline: i64,
    /// With another class beyond.
    pub border: i64,
    /// The latter as a vector along and across: those with the class before them less those with it behind them.
    pub net: [i64; 2],
}

/// Sides that bound the classes of a piece.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Sides {
    /// Those of each class, by class.
    classes: Vec<ClassSides>,
}

impl Sides {
    /// Of a raster; with each pair of cells of different classes that share a side, `meet` is called, with their numbers.
    pub fn new(class: &Array2<u8>, mut meet: impl FnMut(usize, usize)) -> Self {
        let columns = class.ncols().max(1);
        let cells = class.as_slice().unwrap_or_default();
        let mut classes = vec![ClassSides::default(); 256];
        let mut part = |one: u8, two: u8, axis: usize| {
            let (of_one, of_two) = (usize::from(one), usize::from(two));
            if one == NO_CLASS || two == NO_CLASS {
                classes[of_one.min(of_two)].outline += 1;
                return false;
            }
            classes[of_one].border += 1;
            classes[of_one].net[axis] += 1;
            classes[of_two].border += 1;
            classes[of_two].net[axis] -= 1;
            true
        };
        let blank = vec![NO_CLASS; columns];
        for (row, line) in cells.chunks_exact(columns).enumerate() {
            let first = row * columns;
            differing(line, line.get(1..).unwrap_or_default(), |column| {
                if part(line[column], line[column + 1], 1) {
                    meet(first + column, first + column + 1);
                }
            });
            // The window's own ends bound what lies at them.
            for end in [line[0], line[columns - 1]] {
                if end != NO_CLASS {
                    part(NO_CLASS, end, 1);
                }
            }
            if row == 0 {
                differing(&blank, line, |column| {
                    part(NO_CLASS, line[column], 0);
                });
            }
            let next = first + columns;
            let below = cells.get(next..next + columns).unwrap_or(&blank);
            differing(line, below, |column| {
                if part(line[column], below[column], 0) {
                    meet(first + column, next + column);
                }
            });
        }
        Self { classes }
    }

    /// Those of one class.
    #[must_use]
    pub fn of(&self, class: u8) -> ClassSides {
        self.classes
            .get(usize::from(class))
            .copied()
            .unwrap_or_default()
    }

    /// Sides of the whole piece's outline.
    #[must_use]
    pub fn outline(&self) -> i64 {
        self.classes.iter().map(|sides| sides.outline).sum()
    }

    /// Sides between two classes.
    #[must_use]
    pub fn borders(&self) -> i64 {
        let ends: i64 = self.classes.iter().map(|sides| sides.border).sum();
        ends / 2
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_square_in_a_strip_has_its_sides() {
        // A strip of class 1 from end to end of the window, a square of 2 × 2 cells of class 0 in it.
        let class = Array2::from_shape_fn((8, 12), |(row, column)| match (row, column) {
            (3..=4, 6..=7) => 0,
            (2..=5, _) => 1,
            _ => NO_CLASS,
        });
        let mut pairs = Vec::new();
        let sides = Sides::new(&class, |one, two| pairs.push((one, two)));
        assert_eq!(pairs.len(), 8);
        assert!(pairs.contains(&(2 * 12 + 6, 3 * 12 + 6)));
        let closed = ClassSides {
            outline: 0,
            border: 8,
            net: [0, 0],
        };
        assert_eq!(sides.of(0), closed);
        // Twelve above, twelve below, four at either end of the window.
        assert_eq!(sides.outline(), 32);
        assert_eq!(sides.of(1).outline, 32);
        assert_eq!(sides.borders(), 8);
    }

    #[test]
    fn a_border_from_end_to_end_points_across_it() {
        let class = Array2::from_shape_fn((6, 5), |(row, _)| u8::from(row > 2));
        let sides = Sides::new(&class, |_, _| {});
        assert_eq!(sides.of(0).net, [5, 0]);
        assert_eq!(sides.of(1).net, [-5, 0]);
        assert_eq!(sides.of(0).outline, 5 + 2 * 3);
        assert_eq!(sides.outline(), 2 * (6 + 5));
    }
}
