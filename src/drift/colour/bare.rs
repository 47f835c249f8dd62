//! Samples of the bare belt and of the plate's own surface.

use super::flat_field::Surface;
use super::frame::{Rows, View, linear};
use crate::calibration::Target;
use crate::error::Result;
use crate::scan::Scan;

/// Rows held before and behind the plate, mm.
const MARGIN_MM: f64 = 12.0;
/// Belt nearer to the plate than this may lie in its shadow, mm.
const BELT_MARGIN_MM: f64 = 15.0;
/// The plate's own surface nearer than this to its rim or anything on it is not used, mm.
const PLATE_MARGIN_MM: f64 = 2.0;
/// About so many samples across and along are enough for the flat field.
const SAMPLES: [usize; 2] = [1000, 200];

/// Holds the rows that show the plate and samples the bare belt everywhere.
pub(super) fn read_rows(
    scan: &Scan,
    view: &View,
    target: &Target,
    belt: &mut Surface,
) -> Result<Rows> {
    let plate = &target.plate;
    let corners = [
        [-MARGIN_MM, -MARGIN_MM],
        [plate.across_mm + MARGIN_MM, -MARGIN_MM],
        [-MARGIN_MM, plate.along_mm + MARGIN_MM],
        [plate.across_mm + MARGIN_MM, plate.along_mm + MARGIN_MM],
    ]
    .map(|corner| view.pixel(view.place.apply(corner))[1]);
    let low = corners
        .iter()
        .copied()
        .fold(f64::INFINITY, f64::min)
        .max(0.0);
    let high = corners.iter().copied().fold(0.0, f64::max);
    let size = scan.colour_size;
    let (all, columns) = size.map_or((0, 0), |size| (size.rows, size.columns));
    let held = (low as usize, ((high.ceil() as usize) + 1).min(all));
    let steps = [(columns / SAMPLES[0]).max(1), (all / SAMPLES[1]).max(1)];
    let near = |value: f64, size: f64| -BELT_MARGIN_MM < value && value < size + BELT_MARGIN_MM;
    Rows::read(scan, held, |first, rgb| {
        for (index, row) in rgb.chunks_exact((columns * 3).max(3)).enumerate() {
            if !(first + index).is_multiple_of(steps[1]) {
                continue;
            }
            for (column, pixel) in row.as_chunks::<3>().0.iter().enumerate().step_by(steps[0]) {
                let place = view.place_of(column as f64, (first + index) as f64);
                let [u, v] = view.place.invert(place);
                if !(near(u, plate.across_mm) && near(v, plate.along_mm)) {
                    belt.add(place[0], linear(*pixel));
                }
            }
        }
    })
}

/// Samples the plate's own surface, away from all that stands or is painted on it.
pub(super) fn plate_surface(
    rows: &Rows,
    view: &View,
    target: &Target,
    shift_mm: [f64; 2],
) -> Surface {
    let mut surface = Surface::new(view.width_mm);
    let step = [
        (rows.columns / SAMPLES[0]).max(1),
        (rows.count / SAMPLES[1]).max(1),
    ];
    for row in (rows.first..rows.first + rows.count).step_by(step[1]) {
        for column in (0..rows.columns).step_by(step[0]) {
            let place = view.place_of(column as f64, row as f64);
            let on_plate = view
                .place
                .invert([place[0] - shift_mm[0], place[1] - shift_mm[1]]);
            if is_bare(target, on_plate)
                && let Some(raw) = rows.raw(column, row)
            {
                surface.add(place[0], linear(raw));
            }
        }
    }
    surface
}

/// Whether a point lies on the plate and on nothing else.
fn is_bare(target: &Target, [u, v]: [f64; 2]) -> bool {
    let margin = PLATE_MARGIN_MM;
    let plate = &target.plate;
    let within = |value: f64, size: f64| margin < value && value < size - margin;
    let on = |x: f64, y: f64, half_x: f64, half_y: f64| {
        (u - x).abs() < half_x + margin && (v - y).abs() < half_y + margin
    };
    within(u, plate.across_mm)
        && within(v, plate.along_mm)
        && !target
            .frustums
            .iter()
            .any(|f| on(f.x_mm, f.y_mm, 0.5 * f.base_mm, 0.5 * f.base_mm))
        && !target
            .steps
            .iter()
            .any(|s| on(s.x_mm, s.y_mm, 0.5 * s.across_mm, 0.5 * s.along_mm))
        && !target
            .spheres
            .iter()
            .any(|s| on(s.x_mm, s.y_mm, s.radius_mm, s.radius_mm))
        && !target
            .patches
            .iter()
            .any(|p| on(p.x_mm, p.y_mm, 0.5 * p.size_mm, 0.5 * p.size_mm))
}
