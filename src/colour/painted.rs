//! Colour boxes of classes from pixels that somebody has named.

use super::class_map::LabLimits;
use super::lab::Lab;
use crate::{Error, ErrorKind, Result};

/// A pixel that somebody has named.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PaintedColour {
    /// Its corrected colour.
    pub lab: Lab,
    /// Its class: a place among the rules.
    pub class: usize,
    /// The part of the picture it lies in; parts are tried on rules that were not made from them.
    pub block: usize,
}

/// Boxes fitted to painted pixels. Accuracies are balanced: the mean over classes of the share of their pixels that get their class.
#[derive(Debug, Clone, PartialEq)]
pub struct FittedLimits {
    /// A box for each class, in the order of the rules; `None` as before for a base class without one.
    pub limits: Vec<Option<LabLimits>>,
    /// Accuracy of the rules as they were.
    pub before: f64,
    /// Accuracy of rules fitted to the other parts of the picture.
    pub unseen: f64,
    /// For each painted class: its place, pixels, and the share that gets it by rules fitted to the other parts.
    pub by_class: Vec<(usize, usize, f64)>,
}

/// Fewest pixels of a class.
const FEWEST: usize = 100;
/// Fewest parts of the picture that a class must be painted in.
const FEWEST_BLOCKS: usize = 3;
const FOLDS: usize = 5;
/// Most pixels of a class that boxes are fitted to; taken evenly.
const MOST: usize = 4000;
/// A limit that brings less accuracy than this is left open: it is chance.
const WORTH: f64 = 0.002;
const PASSES: usize = 30;
/// Where an axis ends.
const WHOLE: LabLimits = LabLimits {
    l: [0.0, 100.0],
    a: [-128.0, 128.0],
    b: [-128.0, 128.0],
};

/// Fits boxes to painted pixels by making the balanced accuracy as large as it gets: one limit after the other is put where it is best, exactly, with all
/// others kept, until none moves; from open boxes, from the rules as they were, and from the classes' own ranges, and the best is taken. A limit lies in the
/// middle of the gap between the colours it parts, and is left open where it brings less than 0.2 %.
///
/// The accuracy told is that on parts of the picture that the rules were not fitted to (five folds of parts). Classes without painted pixels keep
/// their boxes.
///
/// # Errors
/// Fewer than two classes, fewer than 100 pixels or three parts of one, rules that are not better than those before on unseen parts.
pub fn fit_limits(
    painted: &[PaintedColour],
    before: &[Option<LabLimits>],
    base: usize,
) -> Result<FittedLimits> {
    let counts: Vec<usize> = (0..before.len())
        .map(|class| painted.iter().filter(|it| it.class == class).count())
        .collect();
    let classes: Vec<usize> = (0..before.len())
        .filter(|class| counts[*class] > 0)
        .collect();
    let refuse = |found: String, expected: &str| {
        Err(Error::new(ErrorKind::Unmeasurable, found).expected(expected))
    };
    if classes.len() < 2 {
        return refuse(
            format!("{} classes are painted", classes.len()),
            "expected at least two: rules tell one class from another",
        );
    }
    if before.get(base).is_none() || painted.iter().any(|it| it.class >= before.len()) {
        return refuse(
            "a class that is none of the rules'".to_owned(),
            "expected a class of the profile",
        );
    }
    let mut folds: Vec<usize> = painted.iter().map(|it| it.block).collect();
    folds.sort_unstable();
    folds.dedup();
    for class in &classes {
        let own = painted.iter().filter(|it| it.class == *class);
        let mut blocks: Vec<usize> = own.map(|it| it.block).collect();
        blocks.sort_unstable();
        blocks.dedup();
        if counts[*class] < FEWEST || blocks.len() < FEWEST_BLOCKS {
            return refuse(
                format!(
                    "{} pixels in {} places of class number {}",
                    counts[*class],
                    blocks.len(),
                    class + 1
                ),
                "expected at least 100 pixels of each class, painted in three places or more that lie apart",
            );
        }
    }
    let fold_of = |block: usize| folds.binary_search(&block).unwrap_or(0) % FOLDS;
    let mut right = vec![0_usize; before.len()];
    for fold in 0..FOLDS {
        let others: Vec<PaintedColour> = painted
            .iter()
            .filter(|it| fold_of(it.block) != fold)
            .copied()
            .collect();
        let limits = best_limits(&others, before, base);
        for it in painted.iter().filter(|it| fold_of(it.block) == fold) {
            right[it.class] += usize::from(class_of(it.lab, &limits, base) == it.class);
        }
    }
    let share = |right: &[usize]| -> f64 {
        classes
            .iter()
            .map(|class| right[*class] as f64 / counts[*class] as f64)
            .sum::<f64>()
            / classes.len() as f64
    };
    let mut right_before = vec![0_usize; before.len()];
    for it in painted {
        right_before[it.class] += usize::from(class_of(it.lab, before, base) == it.class);
    }
    let (was, unseen) = (share(&right_before), share(&right));
    if unseen <= was {
        return refuse(
            format!(
                "new rules would name {:.1} % of unseen painted pixels rightly, the present ones name {:.1} %",
                100.0 * unseen,
                100.0 * was
            ),
            "keep the profile as it is",
        );
    }
    Ok(FittedLimits {
        limits: best_limits(painted, before, base),
        before: was,
        unseen,
        by_class: classes
            .iter()
            .map(|class| {
                (
                    *class,
                    counts[*class],
                    right[*class] as f64 / counts[*class] as f64,
                )
            })
            .collect(),
    })
}

/// The first rule that holds, else the base.
fn class_of(lab: Lab, limits: &[Option<LabLimits>], base: usize) -> usize {
    let holds = |it: &Option<LabLimits>| it.is_some_and(|it| it.hold(lab));
    limits.iter().position(holds).unwrap_or(base)
}

/// A pixel with the weight that makes classes count alike.
type Weighted = (PaintedColour, f64);

fn best_limits(
    painted: &[PaintedColour],
    before: &[Option<LabLimits>],
    base: usize,
) -> Vec<Option<LabLimits>> {
    let mut pixels: Vec<Weighted> = Vec::new();
    let mut free = Vec::new();
    for (class, rule) in before.iter().enumerate() {
        let own: Vec<PaintedColour> = painted
            .iter()
            .filter(|it| it.class == class)
            .copied()
            .collect();
        if own.is_empty() {
            continue;
        }
        if rule.is_some() || class != base {
            free.push(class);
        }
        let taken: Vec<PaintedColour> = own
            .iter()
            .copied()
            .step_by(own.len().div_ceil(MOST))
            .collect();
        let weight = 1.0 / taken.len() as f64;
        pixels.extend(taken.into_iter().map(|it| (it, weight)));
    }
    let total: f64 = pixels.iter().map(|it| it.1).sum();
    pixels.iter_mut().for_each(|it| it.1 /= total);
    let start = |of: &dyn Fn(usize) -> Option<LabLimits>| -> Vec<Option<LabLimits>> {
        (0..before.len())
            .map(|class| {
                if free.contains(&class) {
                    of(class)
                } else {
                    before[class]
                }
            })
            .collect()
    };
    let starts = [
        start(&|_| Some(WHOLE)),
        start(&|class| before[class].or(Some(WHOLE))),
        start(&|class| Some(own_range(&pixels, class))),
    ];
    let mut best: Option<(f64, Vec<Option<LabLimits>>)> = None;
    for limits in starts {
        let limits = climb(&pixels, limits, &free, base);
        let limits = opened(&pixels, limits, &free, base);
        let accuracy = accuracy(&pixels, &limits, base);
        // Of equally good ones the first: it started from fewer limits.
        if best.as_ref().is_none_or(|it| accuracy > it.0 + 1e-9) {
            best = Some((accuracy, limits));
        }
    }
    let mut limits = best.map_or_else(|| before.to_vec(), |it| it.1);
    for class in free {
        if let Some(limits) = &mut limits[class] {
            for axis in 0..3 {
                *axis_mut(limits, axis) =
                    axis_of(limits, axis).map(|it| (it * 10.0).round() / 10.0);
            }
        }
    }
    limits
}

/// The middle 96 % of a class's own colours.
fn own_range(pixels: &[Weighted], class: usize) -> LabLimits {
    let mut range = WHOLE;
    for axis in 0..3 {
        let mut values: Vec<f64> = pixels
            .iter()
            .filter(|it| it.0.class == class)
            .map(|it| value_of(it.0.lab, axis))
            .collect();
        values.sort_unstable_by(f64::total_cmp);
        let at = |p: f64| values.get((p * values.len() as f64) as usize).copied();
        if let (Some(low), Some(high)) = (at(0.02), at(0.98)) {
            *axis_mut(&mut range, axis) = [low, high];
        }
    }
    range
}

fn accuracy(pixels: &[Weighted], limits: &[Option<LabLimits>], base: usize) -> f64 {
    let right = pixels
        .iter()
        .filter(|it| class_of(it.0.lab, limits, base) == it.0.class);
    right.map(|it| it.1).sum()
}

fn climb(
    pixels: &[Weighted],
    mut limits: Vec<Option<LabLimits>>,
    free: &[usize],
    base: usize,
) -> Vec<Option<LabLimits>> {
    let mut reached = accuracy(pixels, &limits, base);
    for _ in 0..PASSES {
        for class in free {
            for axis in 0..3 {
                for side in 0..2 {
                    let mut moved = limits.clone();
                    if let Some(it) = &mut moved[*class] {
                        axis_mut(it, axis)[side] =
                            best_limit(pixels, &limits, *class, axis, side, base);
                    }
                    if accuracy(pixels, &moved, base) >= accuracy(pixels, &limits, base) {
                        limits = moved;
                    }
                }
            }
        }
        let now = accuracy(pixels, &limits, base);
        if now <= reached + 1e-9 {
            break;
        }
        reached = now;
    }
    limits
}

/// Where one limit is best while all others stay: what lies between it and the end of the axis is gained or lost pixel by pixel.
fn best_limit(
    pixels: &[Weighted],
    limits: &[Option<LabLimits>],
    class: usize,
    axis: usize,
    side: usize,
    base: usize,
) -> f64 {
    let end = axis_of(&WHOLE, axis)[side];
    let Some(mut open) = limits[class] else {
        return end;
    };
    axis_mut(&mut open, axis)[side] = end;
    let earlier = |lab: Lab| {
        limits[..class]
            .iter()
            .any(|it| it.is_some_and(|it| it.hold(lab)))
    };
    let otherwise = |lab: Lab| {
        let later = limits[class + 1..]
            .iter()
            .position(|it| it.is_some_and(|it| it.hold(lab)));
        later.map_or(base, |at| class + 1 + at)
    };
    // From the middle of the axis outwards: those that stay inside longest come first.
    let sign = if side == 0 { -1.0 } else { 1.0 };
    let mut gains: Vec<(f64, f64)> = pixels
        .iter()
        .filter(|(it, _)| open.hold(it.lab) && !earlier(it.lab))
        .map(|(it, weight)| {
            let won = f64::from(u8::from(it.class == class))
                - f64::from(u8::from(it.class == otherwise(it.lab)));
            (sign * value_of(it.lab, axis), weight * won)
        })
        .collect();
    gains.sort_unstable_by(|one, other| one.0.total_cmp(&other.0));
    let all: f64 = gains.iter().map(|it| it.1).sum();
    let (mut best, mut at, mut widest) = (all, end, f64::INFINITY);
    let mut sum = 0.0;
    for pair in gains.windows(2) {
        sum += pair[0].1;
        let gap = pair[1].0 - pair[0].0;
        if gap <= 0.0 {
            continue;
        }
        // Open ends are kept where they are as good; of equal gaps the widest parts best.
        if sum > best + 1e-12 || (sum > best - 1e-12 && widest.is_finite() && gap > widest) {
            (best, at, widest) = (sum, sign * f64::midpoint(pair[0].0, pair[1].0), gap);
        }
    }
    at
}

/// The same without limits that bring next to nothing.
fn opened(
    pixels: &[Weighted],
    mut limits: Vec<Option<LabLimits>>,
    free: &[usize],
    base: usize,
) -> Vec<Option<LabLimits>> {
    for class in free {
        for axis in 0..3 {
            for side in 0..2 {
                let mut other = limits.clone();
                if let Some(it) = &mut other[*class] {
                    axis_mut(it, axis)[side] = axis_of(&WHOLE, axis)[side];
                }
                if accuracy(pixels, &other, base) >= accuracy(pixels, &limits, base) - WORTH {
                    limits = other;
                }
            }
        }
    }
    limits
}

fn value_of(lab: Lab, axis: usize) -> f64 {
    match axis {
        0 => lab.l,
        1 => lab.a,
        _ => lab.b,
    }
}

fn axis_of(limits: &LabLimits, axis: usize) -> [f64; 2] {
    match axis {
        0 => limits.l,
        1 => limits.a,
        _ => limits.b,
    }
}

fn axis_mut(limits: &mut LabLimits, axis: usize) -> &mut [f64; 2] {
    match axis {
        0 => &mut limits.l,
        1 => &mut limits.a,
        _ => &mut limits.b,
    }
}

#[cfg(test)]
mod tests {
    use rand::SeedableRng;
    use rand_chacha::ChaCha8Rng;
    use rand_distr::{Distribution, Normal};

    use super::*;

    /// Pixels of two classes, normal in each axis about their centres, in 12 parts of a picture.
    fn painted(centres: &[[f64; 3]], sd: f64, seed: u64) -> Vec<PaintedColour> {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let mut found = Vec::new();
        for (class, centre) in centres.iter().enumerate() {
            for i in 0..1200 {
                let mut at = |axis: usize| Normal::new(centre[axis], sd).unwrap().sample(&mut rng);
                let lab = Lab {
                    l: at(0),
                    a: at(1),
                    b: at(2),
                };
                found.push(PaintedColour {
                    lab,
                    class,
                    block: i % 12,
                });
            }
        }
        found
    }

    #[test]
    fn two_classes_that_differ_in_lightness_are_parted_where_they_are_equally_likely() {
        let pixels = painted(&[[72.0, 20.0, 15.0], [50.0, 20.0, 15.0]], 5.0, 1);
        let before = [
            Some(LabLimits {
                l: [68.0, 100.0],
                a: [-20.0, 16.0],
                b: [-10.0, 40.0],
            }),
            None,
        ];
        let found = fit_limits(&pixels, &before, 1).unwrap();
        let limits = found.limits[0].unwrap();
        // Two normals of the same spread meet in the middle: 61; Φ(11/5) = 98.6 % on either side.
        assert!((limits.l[0] - 61.0).abs() < 1.5, "{limits:?}");
        assert_eq!(
            (limits.a, limits.b, limits.l[1]),
            ([-128.0, 128.0], [-128.0, 128.0], 100.0),
            "what tells nothing is left open"
        );
        assert!((found.unseen - 0.986).abs() < 0.01, "{found:?}");
        assert!(found.before < 0.9, "{found:?}");
        assert_eq!(found.limits[1], None);
    }

    #[test]
    fn three_classes_get_boxes_of_their_own() {
        let pixels = painted(
            &[[75.0, 5.0, 10.0], [45.0, 30.0, 10.0], [45.0, 5.0, 30.0]],
            3.0,
            2,
        );
        let found = fit_limits(&pixels, &[Some(WHOLE), Some(WHOLE), None], 2).unwrap();
        assert!(
            found.unseen > 0.99 && (found.before - 1.0 / 3.0).abs() < 1e-9,
            "{found:?}"
        );
        assert_eq!(found.by_class.len(), 3);
    }

    #[test]
    fn colours_that_are_alike_and_too_little_paint_are_refused() {
        let alike = painted(&[[60.0, 10.0, 10.0], [60.0, 10.0, 10.0]], 5.0, 3);
        let before = [
            Some(LabLimits {
                l: [60.0, 100.0],
                ..WHOLE
            }),
            None,
        ];
        // No rule names more than half of either rightly, but by chance a little.
        match fit_limits(&alike, &before, 1) {
            Ok(found) => assert!(found.unseen < 0.55, "{found:?}"),
            Err(error) => assert!(error.to_string().contains("keep the profile"), "{error}"),
        }
        let good = painted(&[[72.0, 0.0, 0.0], [50.0, 0.0, 0.0]], 3.0, 4);
        assert!(
            fit_limits(&good[..1250], &before, 1)
                .unwrap_err()
                .to_string()
                .contains("50 pixels")
        );
        assert!(
            fit_limits(&good[..1200], &before, 1)
                .unwrap_err()
                .to_string()
                .contains("1 classes")
        );
        let mut one_place = good;
        one_place.iter_mut().for_each(|it| it.block = 0);
        assert!(fit_limits(&one_place, &before, 1).is_err());
        assert!(fit_limits(&[], &before, 1).is_err());
    }
}
