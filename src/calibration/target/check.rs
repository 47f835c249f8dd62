//! What contradicts itself in a target: bodies off the plate or in each other's place.

use crate::document::Document;
use crate::error::Result;

use super::model::{Plate, Target};

/// Lengths that agree to this touch; decimal numbers in a file are no better, mm.
const TOUCH_MM: f64 = 1e-9;

/// A footprint on the plate.
#[derive(Debug, Clone, Copy)]
enum Footprint {
    Rectangle { half_x: f64, half_y: f64 },
    Disc { radius: f64 },
}

/// Something that takes up a part of the plate.
struct Taken {
    /// `frustum[2]`.
    key: String,
    /// Whether it rises above the plate; painted squares do not.
    centre: [f64; 2],
    footprint: Footprint,
}

/// Everything on the plate lies on it, and nothing in another's place.
pub(super) fn check_places(document: &Document, target: &Target) -> Result<()> {
    let taken = all(target);
    for item in &taken {
        on_plate(document, item, &target.plate)?;
    }
    for (index, item) in taken.iter().enumerate() {
        if let Some(other) = taken[..index].iter().find(|other| overlap(other, item)) {
            return Err(document
                .wrong(&item.key, format!("lies partly on {}", other.key))
                .expected(
                    "expected a place of its own on the plate; check x_mm, y_mm and sizes of both",
                ));
        }
    }
    Ok(())
}

fn all(target: &Target) -> Vec<Taken> {
    let square = |side: f64| Footprint::Rectangle {
        half_x: 0.5 * side,
        half_y: 0.5 * side,
    };
    let mut taken = Vec::new();
    let mut add = |kind: &str, index: usize, centre: [f64; 2], footprint: Footprint| {
        taken.push(Taken {
            key: format!("{kind}[{index}]"),
            centre,
            footprint,
        });
    };
    for (i, f) in target.frustums.iter().enumerate() {
        add("frustum", i, [f.x_mm, f.y_mm], square(f.base_mm));
    }
    for (i, s) in target.steps.iter().enumerate() {
        let footprint = Footprint::Rectangle {
            half_x: 0.5 * s.across_mm,
            half_y: 0.5 * s.along_mm,
        };
        add("step", i, [s.x_mm, s.y_mm], footprint);
    }
    for (i, s) in target.spheres.iter().enumerate() {
        let radius = s.seen_radius_mm();
        add("sphere", i, [s.x_mm, s.y_mm], Footprint::Disc { radius });
    }
    for (i, p) in target.patches.iter().enumerate() {
        add("patch", i, [p.x_mm, p.y_mm], square(p.size_mm));
    }
    taken
}

fn on_plate(document: &Document, item: &Taken, plate: &Plate) -> Result<()> {
    let (half_x, half_y) = match item.footprint {
        Footprint::Rectangle { half_x, half_y } => (half_x, half_y),
        Footprint::Disc { radius } => (radius, radius),
    };
    let axes = [
        ("x_mm", item.centre[0], half_x, plate.across_mm),
        ("y_mm", item.centre[1], half_y, plate.along_mm),
    ];
    for (name, centre, half, size) in axes {
        let (low, high) = (centre - half, centre + half);
        if low < -TOUCH_MM || size + TOUCH_MM < high {
            return Err(document
                .wrong(
                    &format!("{}.{name}", item.key),
                    format!("found {centre}, which puts it at {low} to {high} mm"),
                )
                .expected(format!("expected it on the plate, within 0 to {size} mm")));
        }
    }
    Ok(())
}

/// Whether two footprints share more than a border.
fn overlap(a: &Taken, b: &Taken) -> bool {
    let [dx, dy] = [
        (a.centre[0] - b.centre[0]).abs(),
        (a.centre[1] - b.centre[1]).abs(),
    ];
    match (a.footprint, b.footprint) {
        (
            Footprint::Rectangle { half_x, half_y },
            Footprint::Rectangle {
                half_x: other_x,
                half_y: other_y,
            },
        ) => dx < half_x + other_x - TOUCH_MM && dy < half_y + other_y - TOUCH_MM,
        (Footprint::Disc { radius }, Footprint::Disc { radius: other }) => {
            dx.hypot(dy) < radius + other - TOUCH_MM
        }
        (Footprint::Rectangle { half_x, half_y }, Footprint::Disc { radius })
        | (Footprint::Disc { radius }, Footprint::Rectangle { half_x, half_y }) => {
            let outside = [(dx - half_x).max(0.0), (dy - half_y).max(0.0)];
            outside[0].hypot(outside[1]) < radius - TOUCH_MM
        }
    }
}
