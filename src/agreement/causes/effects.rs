//! From coefficients to grams at the mean piece and to sizes in the cause's own unit.

use super::cause::Cause;
use super::report::Size;
use crate::agreement::statistics::Estimated;

/// Size of a cause from its coefficient.
///
/// A class's coefficient b goes with its share s of the estimate; its density is then off by `b/(1 − (1 − s)·b)`, with the share at which the
/// fit holds, `Σs³/Σs²`.
pub(super) fn size(cause: &Cause, coefficient: Estimated, column: &[f64]) -> Size {
    let (factor, unit, of) = match cause {
        Cause::DensityOrScale | Cause::Density | Cause::Scale => (100.0, "%", "of mass"),
        Cause::Class { .. } => (100.0, "%", "of the class's mass"),
        Cause::BeltHeight => (1.0, "mm", "of height"),
        Cause::FixedMass => (1.0, "g", "on every piece"),
        Cause::Lane { .. } => (100.0, "%", "of mass in that lane"),
        Cause::Drift => (100.0, "%", "of mass from first to last piece"),
        Cause::WarmUp { .. } => (100.0, "%", "of mass at the start"),
        Cause::Step { .. } => (100.0, "%", "of mass after it"),
        Cause::Hidden => (10.0, "%", "of mass for each tenth of the footprint"),
        Cause::Touching => (100.0, "%", "of mass of pieces that touched"),
    };
    let coefficient = match cause {
        Cause::Class { .. } => {
            let power = |k: i32| column.iter().map(|s| s.powi(k)).sum::<f64>();
            let rest = 1.0 - power(3) / power(2);
            let own = |b: f64| b / (1.0 - rest * b);
            Estimated {
                value: own(coefficient.value),
                low: own(coefficient.low),
                high: own(coefficient.high),
            }
        }
        _ => coefficient,
    };
    Size {
        value: coefficient.times(factor),
        unit: unit.to_owned(),
        of: of.to_owned(),
    }
}

/// Grams at the mean piece that the cause acts on: for a lane, a step or touching, of the pieces concerned; for a drift at its end, for
/// warming up at its start; else of all.
pub(super) fn effect_g(
    cause: &Cause,
    coefficient: Estimated,
    column: &[f64],
    weighed_g: &[f64],
) -> Estimated {
    let all = weighed_g.len().max(1) as f64;
    let grams = |rows: &mut dyn Iterator<Item = (f64, f64)>| {
        let (mut sum, mut count) = (0.0, 0.0);
        for (x, w) in rows {
            sum += x * w;
            count += 1.0;
        }
        if count > 0.0 { sum / count } else { 0.0 }
    };
    let rows = || column.iter().copied().zip(weighed_g.iter().copied());
    let per_coefficient = match cause {
        Cause::Lane { .. } | Cause::Step { .. } | Cause::Touching => {
            grams(&mut rows().filter(|(x, _)| *x > 0.0))
        }
        Cause::Drift | Cause::WarmUp { .. } => weighed_g.iter().sum::<f64>() / all,
        _ => grams(&mut rows()),
    };
    coefficient.times(per_coefficient)
}
