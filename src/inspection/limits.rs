//! Colour rules of a profile fitted to named pixels.

use crate::colour::{FittedLimits, LabLimits, PaintedColour, fit_limits};
use crate::error::{Error, ErrorKind, Result};
use crate::pipeline::{KeptScan, NamedCell, NamedColour, lab_limits};
use crate::product::{LabBox, Product, Range};

use super::painted::{PART_PX, PaintedFrame};

/// A profile whose boxes in CIELAB are fitted to named pixels by [`fit_limits`], and how well they do.
///
/// # Errors
/// As [`fit_limits`]; the two classes of the profile's `learn` no longer meet in one limit.
pub fn fit_colour_rules(
    product: &Product,
    painted: &[PaintedColour],
) -> Result<(Product, FittedLimits)> {
    let classes = &product.classes;
    let base = classes.iter().position(|it| it.name == product.base);
    let before: Vec<Option<LabLimits>> = classes
        .iter()
        .map(|it| it.lab.as_ref().map(lab_limits))
        .collect();
    let fitted = fit_limits(painted, &before, base.unwrap_or(0))?;
    let range = |[low, high]: [f64; 2]| Range { low, high };
    let mut new = product.clone();
    for (class, limits) in new.classes.iter_mut().zip(&fitted.limits) {
        class.lab = limits.map(|it| LabBox {
            l: range(it.l),
            a: range(it.a),
            b: range(it.b),
        });
    }
    match &new.learn {
        Some(rule) if new.limit_between(rule).is_none() => Err(Error::new(
            ErrorKind::Mismatch,
            "with the new boxes the two classes of [learn] no longer meet in one limit",
        )
        .key("learn")
        .expected("take [learn] out of the profile first; put it in again by hand if the new boxes meet in one limit")),
        _ => Ok((new, fitted)),
    }
}

/// The colours of cells of a kept scan that somebody has named, as [`super::painted_colours`] gives those of pixels.
#[must_use]
pub fn named_colours(kept: &KeptScan, cells: &[NamedCell]) -> PaintedFrame {
    let parts_across = kept.size().1.div_ceil(PART_PX);
    let mut found = PaintedFrame {
        painted: Vec::new(),
        clipped: 0,
    };
    for cell in cells {
        match kept.named(cell) {
            NamedColour::Known(lab) => found.painted.push(PaintedColour {
                lab,
                class: cell.class,
                block: cell.row / PART_PX * parts_across + cell.column / PART_PX,
            }),
            NamedColour::Clipped => found.clipped += 1,
            NamedColour::Nothing => {}
        }
    }
    found
}
