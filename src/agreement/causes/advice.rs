//! What to scan or weigh to be sure.

use super::cause::Cause;

/// What to do about a cause.
pub(super) fn what_to_do(cause: &Cause) -> String {
    match cause {
        Cause::DensityOrScale => "scan the reference target and give the check here: it tells the scales from the densities; then calibrate, or tune the profile",
        Cause::Density => "tune the profile's densities to these weighings; check the product's temperature and composition",
        Cause::Scale => "make a new calibration from the target scans; do not tune the profile to it",
        Cause::Class { .. } => "check the colour rule and depth of that class, then tune its density on pieces from little to much of it",
        Cause::BeltHeight => "look at the belt: dirt, water, a joint or a worn edge under the pieces, and whether belt is seen beside each; inspect shows it",
        Cause::FixedMass => "zero the checkweigher empty and with a test weight; look for a tare, a tray, or an offset in the profile",
        Cause::Lane { .. } => "scan the reference target in that lane; look at belt, light and splashes there, and at the lane's own scale if it has one",
        Cause::Drift => "check the target at the start and at the end of a day; log the product's temperature and the checkweigher's zero",
        Cause::WarmUp { .. } => "let scanner and checkweigher warm up before the first piece, and see whether it goes away",
        Cause::Step { .. } => "find out what happened then: batch, belt, cleaning, a setting, the checkweigher's zero",
        Cause::Hidden => "look at the shadows: a second camera, or pieces farther apart",
        Cause::Touching => "put pieces farther apart, or leave touching ones out of the comparison",
    }
    .to_owned()
}

/// What tells two causes apart.
pub(super) fn what_parts(one: &Cause, other: &Cause) -> String {
    use Cause::{
        BeltHeight, Class, Density, DensityOrScale, Drift, FixedMass, Hidden, Lane, Scale, Step,
        Touching, WarmUp,
    };
    let is_volume = |it: &Cause| matches!(it, DensityOrScale | Density | Scale);
    let is_time = |it: &Cause| matches!(it, Drift | WarmUp { .. } | Step { .. });
    let (a, b) = (one, other);
    let either =
        |f: &dyn Fn(&Cause) -> bool, g: &dyn Fn(&Cause) -> bool| (f(a) && g(b)) || (f(b) && g(a));
    let text = if is_volume(a) && is_volume(b) {
        "scan the reference target: it shows the scales by themselves"
    } else if either(&is_volume, &|it| matches!(it, BeltHeight)) {
        "weigh thick and thin pieces of the same product: a density is off in proportion to height, the belt's height is not; or lay a flat plate of known height on the belt"
    } else if either(&is_volume, &|it| matches!(it, Class { .. })) {
        "weigh pieces with little and with much of that class"
    } else if either(&is_volume, &|it| matches!(it, FixedMass)) {
        "weigh small and large pieces; put a test weight on the checkweigher"
    } else if either(&|it| matches!(it, BeltHeight), &|it| {
        matches!(it, FixedMass)
    }) {
        "weigh small and large pieces of the same thickness; put a test weight on the checkweigher"
    } else if is_time(a) && is_time(b) {
        "weigh over a longer time, and check the target at its start and end"
    } else if is_time(a) || is_time(b) {
        "compare another day: what goes with time does not go with the pieces"
    } else if either(&|it| matches!(it, Lane { .. }), &|_| true) {
        "send the same pieces through another lane"
    } else if either(&|it| matches!(it, Hidden | Touching), &|_| true) {
        "compare pieces laid far apart with crowded ones"
    } else {
        "weigh pieces that differ more in what the two causes go with"
    };
    format!("to tell {} from {}: {text}", one.name(), other.name())
}
