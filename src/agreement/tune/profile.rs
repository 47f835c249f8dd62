//! The new profile.

use super::fit::FitKind;
use super::problem::{Problem, given};
use super::report::FittedValue;
use crate::product::{DepthRule, Product};

/// The profile with the fitted values, rounded to what they are worth.
pub(super) fn tuned(
    product: &Product,
    problem: &Problem,
    kind: &FitKind,
    values: &[FittedValue],
    density_u_rel: f64,
) -> Product {
    let mut new = product.clone();
    let round = |value: f64, steps: f64| (value * steps).round() / steps;
    let of = |index: usize| values.get(index).map(|it| it.after.value);
    match kind {
        FitKind::Scale | FitKind::ScaleOffset => {
            if let Some(scale) = of(0) {
                new.weight.scale = round(scale, 1e5);
            }
        }
        FitKind::Densities | FitKind::DensitiesOffset => {
            for (at, value) in problem.classes.iter().zip(values) {
                new.classes[*at].density = given(value.after.value);
            }
        }
        FitKind::Depth { class } => {
            let rule = new.classes.iter_mut().find(|it| it.name == *class);
            if let (Some(rule), Some(depth_mm)) = (rule, of(0)) {
                rule.depth = DepthRule::Layer {
                    depth_mm: round(depth_mm, 1e2),
                };
            }
        }
    }
    if matches!(kind, FitKind::ScaleOffset | FitKind::DensitiesOffset)
        && let Some(offset) = values.last()
    {
        new.weight.offset_g = round(offset.after.value, 1e2);
    }
    new.weight.density_u_rel = density_u_rel;
    new
}
