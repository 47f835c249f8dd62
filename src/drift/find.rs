//! Where the target lies, from the constellation of its bodies: any place, any turn, partly covered or partly off the frame.

use kiddo::{ImmutableKdTree, SquaredEuclidean};

use crate::calibration::{FrameGeometry, GeometricErrors, Target};
use crate::error::{Error, ErrorKind, Result};

use super::cells::{Blob, Cells, LevelPlane, LevelRegion, cell_size_mm};
use super::field::HeightField;
use super::report::TargetPose;
use super::rigid::rigid_motion;

/// Regions smaller than this share of the plate are not tried as the plate's top.
const LEAST_PLATE_SHARE: f64 = 0.04;
/// Most regions that are tried as the plate's top.
const MOST_PLATES: usize = 12;
/// Steeper than this no belt and no plate lies, rad.
const STEEPEST: f64 = 0.06;
/// How far a body's middle may lie from where a pose puts it: this, and a share of the distance to the farthest body.
const PLACE_MM: f64 = 3.0;
const PLACE_SHARE: f64 = 0.01;
/// How far a body's height may lie from the certified one: this, and a share of it.
const HEIGHT_MM: f64 = 0.7;
const HEIGHT_SHARE: f64 = 0.03;
/// How far areas may differ, as factors.
const AREA_FACTORS: [f64; 2] = [0.55, 1.6];
/// Two poses are one when turn and place are this near.
const SAME_TURN_RAD: f64 = 0.06;
const SAME_PLACE_MM: f64 = 8.0;
/// Fewest bodies that make a constellation.
const FEWEST: usize = 3;
/// A rival pose with this share of the best one's score leaves the place undecided.
const RIVAL_SHARE: f64 = 0.85;
/// Bodies nearer than this give no direction, mm.
const SHORTEST_MM: f64 = 15.0;

/// Where the target lies, roughly.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Found {
    pub pose: TargetPose,
    /// The plate's top as measured.
    pub top: LevelPlane,
    /// Bodies recognised.
    pub matched: usize,
}

/// A pose with what speaks for it.
#[derive(Debug, Clone)]
struct Hypothesis {
    pose: TargetPose,
    top: LevelPlane,
    region: usize,
    /// Pairs of body and blob.
    pairs: Vec<[usize; 2]>,
    score: f64,
}

/// What is known of the instrument before the target is found: enough to bring bodies near their true places and heights.
struct View {
    errors: GeometricErrors,
    frame: FrameGeometry,
}

impl View {
    /// A blob as measured on a plane, brought to its true place and height.
    fn to_true(&self, blob: &Blob, plane: &LevelPlane) -> Blob {
        let e = &self.errors;
        let [x, y] = blob.centre;
        let z = plane.at(x, y) + blob.height_mm;
        let [x, y, _] = e.invert([x, y, z], &self.frame);
        Blob {
            centre: [x, y],
            height_mm: blob.height_mm / e.height_scale,
            area_mm2: blob.area_mm2 / (e.across_scale * e.along_scale),
        }
    }

    /// Where a true place at a height above the belt is measured.
    fn to_measured(&self, [x, y]: [f64; 2], z_mm: f64) -> [f64; 2] {
        let [x, y, _] = self.errors.apply([x, y, z_mm], &self.frame);
        [x, y]
    }
}

/// Finds the target; `expected` are the scanner's errors as far as they are known.
///
/// # Errors
/// There is none, there are two, it is another one, it lies upside down, or it looks the same in more than one way.
pub(super) fn find_target(
    field: &HeightField,
    target: &Target,
    expected: &GeometricErrors,
) -> Result<Found> {
    let view = View {
        errors: *expected,
        frame: field.geometry(),
    };
    let cell_mm = cell_size_mm(target, field);
    let model = bodies(target, cell_mm)?;
    symmetric(&model)?;
    let cells = Cells::of_field(field, cell_mm);
    let plate_mm2 = target.plate.across_mm * target.plate.along_mm;
    let regions: Vec<LevelRegion> = cells
        .level_regions(LEAST_PLATE_SHARE * plate_mm2)
        .into_iter()
        .filter(|r| r.plane.slope.iter().all(|s| s.abs() < STEEPEST))
        .take(MOST_PLATES)
        .collect();
    let mut found: Vec<Hypothesis> = Vec::new();
    let mut most_blobs = 0;
    for (region, level) in regions.iter().enumerate() {
        let blobs: Vec<Blob> = cells
            .blobs(&level.plane, floor_mm(target))
            .iter()
            .map(|blob| view.to_true(blob, &level.plane))
            .collect();
        most_blobs = most_blobs.max(
            blobs
                .iter()
                .filter(|b| b.height_mm < 2.0 * target.top_mm())
                .count(),
        );
        for mut hypothesis in hypotheses(&model, &blobs) {
            hypothesis.region = region;
            hypothesis.top = level.plane;
            if !contradicted(&hypothesis, &model, &cells, &view) {
                found.push(hypothesis);
            }
        }
    }
    found.sort_by(|a, b| b.score.total_cmp(&a.score));
    let Some(best) = found.first() else {
        return Err(nothing_found(target, &regions, most_blobs));
    };
    for rival in &found[1..] {
        if same(&best.pose, &rival.pose, &model) {
            continue;
        }
        let elsewhere = best.region != rival.region
            || !rival
                .pairs
                .iter()
                .any(|[_, blob]| best.pairs.iter().any(|[_, other]| other == blob));
        if elsewhere && FEWEST.max(best.pairs.len() / 2) <= rival.pairs.len() {
            return Err(Error::new(
                ErrorKind::Unmeasurable,
                format!("\"{}\" lies twice in the scan", target.name),
            )
            .expected("expected one target; take the other away and scan again"));
        }
        if RIVAL_SHARE * best.score < rival.score {
            return Err(Error::new(
                ErrorKind::Unmeasurable,
                format!(
                    "what is seen of \"{}\" fits in more than one way ({} bodies recognised)",
                    target.name,
                    best.pairs.len()
                ),
            )
            .expected("lay the target so that more of it is seen, and scan again"));
        }
    }
    Ok(Found {
        pose: best.pose,
        top: best.top,
        matched: best.pairs.len(),
    })
}

/// How high above the plate something must rise to be seen as standing on it, mm.
fn floor_mm(target: &Target) -> f64 {
    let plate_mm = target.plate.thickness_mm;
    let frustums = target.frustums.iter().map(|f| f.height_mm);
    let steps = target.steps.iter().map(|s| s.height_mm);
    let spheres = target
        .spheres
        .iter()
        .map(|s| s.centre_height_mm + s.radius_mm);
    let lowest = frustums
        .chain(steps)
        .chain(spheres)
        .fold(plate_mm.max(4.0), f64::min);
    (0.5 * lowest).min(2.0)
}

/// The target's bodies as a scan would show them; touching ones are one.
fn bodies(target: &Target, cell_mm: f64) -> Result<Vec<Blob>> {
    let cells = Cells::of_target(target, cell_mm.min(1.0));
    let top = LevelPlane {
        at_origin_mm: target.plate.thickness_mm,
        slope: [0.0, 0.0],
    };
    let model = cells.blobs(&top, floor_mm(target));
    if model.len() < FEWEST {
        return Err(Error::new(
            ErrorKind::Mismatch,
            format!(
                "\"{}\" has {} bodies apart from each other",
                target.name,
                model.len()
            ),
        )
        .expected("expected three or more at different places, so that its turn can be told"));
    }
    Ok(model)
}

/// A target that looks the same when turned can be found but not told which way round it lies.
fn symmetric(model: &[Blob]) -> Result<()> {
    for hypothesis in hypotheses(model, model) {
        let turn = wrap(1e-3 * hypothesis.pose.yaw_mrad);
        if hypothesis.pairs.len() == model.len() && SAME_TURN_RAD < turn.abs() {
            return Err(Error::new(
                ErrorKind::Mismatch,
                format!(
                    "the target looks the same when turned by {:.0}°",
                    turn.abs().to_degrees()
                ),
            )
            .expected(
                "expected bodies whose places, heights or sizes show which way round it lies",
            ));
        }
    }
    Ok(())
}

fn wrap(turn: f64) -> f64 {
    turn.sin().atan2(turn.cos())
}

fn alike(body: &Blob, blob: &Blob) -> bool {
    let ratio = blob.area_mm2 / body.area_mm2;
    height_misfit(body, blob) < 1.0 && AREA_FACTORS[0] < ratio && ratio < AREA_FACTORS[1]
}

/// Difference of heights over what is allowed.
fn height_misfit(body: &Blob, blob: &Blob) -> f64 {
    (blob.height_mm - body.height_mm).abs() / (HEIGHT_MM + HEIGHT_SHARE * body.height_mm)
}

fn distance(a: [f64; 2], b: [f64; 2]) -> f64 {
    (a[0] - b[0]).hypot(a[1] - b[1])
}

/// Poses that put at least [`FEWEST`] bodies on blobs, best first, each once.
fn hypotheses(model: &[Blob], blobs: &[Blob]) -> Vec<Hypothesis> {
    let places: Vec<[f64; 2]> = blobs.iter().map(|blob| blob.centre).collect();
    let Ok(tree) = ImmutableKdTree::new_from_slice(&places) else {
        return Vec::new();
    };
    if blobs.len() < FEWEST {
        return Vec::new();
    }
    let candidates: Vec<Vec<usize>> = model
        .iter()
        .map(|body| {
            (0..blobs.len())
                .filter(|&b| alike(body, &blobs[b]))
                .collect()
        })
        .collect();
    let nearest = |at: [f64; 2]| {
        tree.query(&at)
            .nearest_one::<SquaredEuclidean<f64>>()
            .execute()
            .item as usize
    };
    let mut kept: Vec<Hypothesis> = Vec::new();
    for i in 0..model.len() {
        for j in i + 1..model.len() {
            let apart = distance(model[i].centre, model[j].centre);
            if apart < SHORTEST_MM {
                continue;
            }
            for &a in &candidates[i] {
                for &b in &candidates[j] {
                    let seen = distance(blobs[a].centre, blobs[b].centre);
                    if a == b || PLACE_MM + PLACE_SHARE * apart < (seen - apart).abs() {
                        continue;
                    }
                    let pose = rigid_motion(
                        &[model[i].centre, model[j].centre],
                        &[blobs[a].centre, blobs[b].centre],
                    );
                    let refined = pose
                        .and_then(|pose| supported(&pose, 2.0, model, blobs, nearest))
                        .and_then(|rough| refit(&rough, model, blobs))
                        .and_then(|pose| supported(&pose, 1.0, model, blobs, nearest));
                    let Some(hypothesis) = refined else { continue };
                    let rival = kept
                        .iter()
                        .position(|k| same(&k.pose, &hypothesis.pose, model));
                    match rival {
                        Some(at) if kept[at].score < hypothesis.score => kept[at] = hypothesis,
                        Some(_) => {}
                        None => kept.push(hypothesis),
                    }
                }
            }
        }
    }
    kept
}

/// Which blobs a pose puts bodies on.
fn supported(
    pose: &TargetPose,
    widened: f64,
    model: &[Blob],
    blobs: &[Blob],
    nearest: impl Fn([f64; 2]) -> usize,
) -> Option<Hypothesis> {
    let (mut pairs, mut score) = (Vec::new(), 0.0);
    for (i, body) in model.iter().enumerate() {
        let at = pose.to_belt(body.centre);
        let blob = nearest(at);
        let away = distance(blobs[blob].centre, at) / (PLACE_MM * widened);
        if away < 1.0 && alike(body, &blobs[blob]) {
            let misfit = height_misfit(body, &blobs[blob]);
            score += 1.0 - 0.4 * away * away - 0.4 * misfit * misfit;
            pairs.push([i, blob]);
        }
    }
    (FEWEST <= pairs.len()).then_some(Hypothesis {
        pose: *pose,
        top: LevelPlane {
            at_origin_mm: 0.0,
            slope: [0.0, 0.0],
        },
        region: 0,
        pairs,
        score,
    })
}

fn refit(rough: &Hypothesis, model: &[Blob], blobs: &[Blob]) -> Option<TargetPose> {
    let from: Vec<[f64; 2]> = rough.pairs.iter().map(|p| model[p[0]].centre).collect();
    let to: Vec<[f64; 2]> = rough.pairs.iter().map(|p| blobs[p[1]].centre).collect();
    rigid_motion(&from, &to)
}

/// Whether two poses put the target in the same place.
fn same(a: &TargetPose, b: &TargetPose, model: &[Blob]) -> bool {
    let turn = wrap(1e-3 * (a.yaw_mrad - b.yaw_mrad)).abs();
    let near = model
        .iter()
        .all(|m| distance(a.to_belt(m.centre), b.to_belt(m.centre)) < 2.0 * SAME_PLACE_MM);
    turn < SAME_TURN_RAD && near
}

/// Whether the bare plate is seen where bodies should stand. What is hidden or covered says nothing.
fn contradicted(hypothesis: &Hypothesis, model: &[Blob], cells: &Cells, view: &View) -> bool {
    let absent = model
        .iter()
        .enumerate()
        .filter(|(i, _)| !hypothesis.pairs.iter().any(|p| p[0] == *i))
        .filter(|(_, body)| {
            let [x, y] = view.to_measured(hypothesis.pose.to_belt(body.centre), body.height_mm);
            cells.height_at([x, y]).is_some_and(|z| {
                let rise = z - hypothesis.top.at(x, y);
                rise < 0.5 * body.height_mm
            })
        })
        .count();
    hypothesis.pairs.len() <= 3 * absent
}

/// Why nothing was found, as far as the level regions and what stands on them tell.
fn nothing_found(target: &Target, regions: &[LevelRegion], blobs: usize) -> Error {
    let plate = &target.plate;
    let plate_mm2 = plate.across_mm * plate.along_mm;
    if FEWEST <= blobs {
        return Error::new(
            ErrorKind::Unmeasurable,
            format!(
                "{blobs} bodies stand in the scan, but not where \"{}\" has them",
                target.name
            ),
        )
        .expected(
            "check that --target names the plate that was scanned, and that enough of it is seen",
        );
    }
    let bare = regions.iter().enumerate().find(|(i, region)| {
        let alike = (0.75..1.15).contains(&(region.area_mm2 / plate_mm2));
        let raised = regions.iter().enumerate().any(|(j, other)| {
            j != *i
                && 0.5 * plate.thickness_mm < region.plane.at_origin_mm - other.plane.at_origin_mm
        });
        alike && raised
    });
    match bare {
        Some(_) => Error::new(
            ErrorKind::Unmeasurable,
            format!(
                "a bare plate as large as \"{}\" and nothing on it",
                target.name
            ),
        )
        .expected("it may lie upside down: turn it so that its bodies point up, and scan again"),
        None => Error::new(
            ErrorKind::Unmeasurable,
            format!("\"{}\" is not in the scan", target.name),
        )
        .expected("lay the target on the belt, wholly within the scanned width, and scan it"),
    }
}
