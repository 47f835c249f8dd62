//! One recording through all stages.

use std::ops::Range;

use ndarray::Array2;

use super::belt::scales_u_rel;
use super::clock::Clock;
use super::frames::{BrokenFrame, FrameRows};
use super::learn::Learner;
use super::lighting;
use super::piece::Method;
use super::place::place;
use super::result::{BeltSummary, FrameView, MeasuredPiece, MeasuredRecording};
use super::shape::Shape;
use super::work::Work;
use crate::calibration::Calibration;
use crate::error::{Error, ErrorKind, Result};
use crate::measure::{ColourField, HeightPlace};
use crate::pieces::PieceFinder;
use crate::product::{LearnRule, Product};
use crate::scan::{Profiles, Recording, Rejected, Scan, read_profiles};
use crate::surface::{FrameLayout, SurfaceGrid, SurfaceStream};

/// Missing rows handed on at a time, so that a wide gap takes no memory.
const MISSING_ROWS: usize = 1024;

/// What to measure with.
#[derive(Debug, Clone, Copy)]
pub struct Plan<'a> {
    /// The product profile.
    pub product: &'a Product,
    /// The calibration in force; `None`: the scanner is taken as already true.
    pub calibration: Option<&'a Calibration>,
    /// Whether the surfaces are kept for pictures.
    pub keep_views: bool,
}

/// Takes a frame's view and the pieces that reach into it.
pub type ViewSink<'a> = dyn FnMut(FrameView, &[MeasuredPiece]) -> Result<()> + 'a;

/// Measures a recording. Frames that turn out to be damaged are left out (their rows count as missing) and returned.
///
/// # Errors
/// The recording cannot be measured at all: no frame is readable, no belt is seen, or it needs a calibration.
pub fn measure_recording(
    recording: &Recording,
    plan: &Plan<'_>,
    views: &mut ViewSink<'_>,
) -> Result<(MeasuredRecording, Vec<Rejected>)> {
    let mut recording = recording.clone();
    let mut rejected = Vec::new();
    loop {
        match run(&recording, plan)? {
            Ok((mut measured, kept)) => {
                for view in kept {
                    let end = view.first_row + view.height_mm.nrows();
                    let in_view: Vec<MeasuredPiece> = measured
                        .pieces
                        .iter()
                        .filter(|piece| {
                            piece.first_row < end
                                && piece.first_row + piece.footprint.nrows() > view.first_row
                        })
                        .cloned()
                        .collect();
                    views(view, &in_view)?;
                }
                measured.scans = recording.frames.iter().map(id).collect();
                return Ok((measured, rejected));
            }
            Err(broken) => {
                let scan = recording.frames.remove(broken.index);
                if recording.frames.is_empty() {
                    return Err(*broken.error);
                }
                rejected.push(Rejected {
                    folder: scan.folder,
                    error: *broken.error,
                });
            }
        }
    }
}

/// The id of a frame.
pub fn id(scan: &Scan) -> String {
    scan.description.id.clone()
}

type Kept = (MeasuredRecording, Vec<FrameView>);

/// What a pass over a recording brings.
#[derive(Debug)]
pub struct Passed {
    /// What was measured.
    pub measured: MeasuredRecording,
    /// The surface under each frame, if views are kept.
    pub views: Vec<FrameView>,
    /// The shapes of the pieces, where they are kept.
    pub shapes: Vec<Option<Box<Shape>>>,
    /// The heights of the rows whose shapes are kept.
    pub kept_mm: Option<Array2<f32>>,
    /// Colour as far as it is still held.
    pub colour: Option<ColourField>,
    /// Colours counted, if that was the purpose.
    pub learner: Option<Learner>,
    /// The surface's grid.
    pub grid: SurfaceGrid,
}

/// What a pass over a recording is for.
#[derive(Debug, Clone)]
pub enum Purpose<'a> {
    /// To count colours by this rule.
    Learn(&'a LearnRule),
    /// To measure, with a learned limit or without.
    Measure { learned: bool },
    /// To keep the shapes of the pieces that reach into these rows; it ends when they are found.
    Keep { rows: Range<usize> },
}

fn run(recording: &Recording, plan: &Plan<'_>) -> Result<std::result::Result<Kept, BrokenFrame>> {
    let Some(rule) = &plan.product.learn else {
        let measured = pass(recording, plan, Purpose::Measure { learned: false })?;
        return Ok(measured.map(|it| (it.measured, it.views)));
    };
    let colourless = Plan {
        keep_views: false,
        ..*plan
    };
    let learned = match pass(recording, &colourless, Purpose::Learn(rule))? {
        Ok(looked) => looked.measured.learned,
        Err(broken) => return Ok(Err(broken)),
    };
    let used = learned.as_ref().filter(|l| l.refused.is_none());
    let product = match used {
        Some(learned) => plan.product.with_limit(rule, learned.used()),
        None => plan.product.clone(),
    };
    let plan = Plan {
        product: &product,
        ..*plan
    };
    let measured = pass(
        recording,
        &plan,
        Purpose::Measure {
            learned: used.is_some(),
        },
    )?;
    Ok(measured.map(|mut it| {
        it.measured.learned.clone_from(&learned);
        (it.measured, it.views)
    }))
}

/// Reads a recording once, from its first row to its last.
///
/// # Errors
/// As [`measure_recording`]; a damaged frame is told apart, so that it can be left out.
pub fn pass(
    recording: &Recording,
    plan: &Plan<'_>,
    purpose: Purpose<'_>,
) -> Result<std::result::Result<Passed, BrokenFrame>> {
    let first = recording.frames.first().ok_or_else(|| {
        Error::new(
            ErrorKind::Unmeasurable,
            format!("recording {} has no frames", recording.name),
        )
    })?;
    let mut method = Method::new(plan.product, first.description.product_temperature_c)?;
    method.learned = matches!(purpose, Purpose::Measure { learned: true });
    let profiles = match frame_profiles(recording) {
        Ok(profiles) => profiles,
        Err(broken) => return Ok(Err(broken)),
    };
    let mut stream = SurfaceStream::new(layout(recording, first, &profiles), plan.calibration)?;
    if let Some(view) = first.description.views.first() {
        stream.add_view((view.scale, view.offset, view.invalid), plan.calibration);
    }
    let grid = stream.grid();
    let mut work = Work {
        finder: PieceFinder::new(grid, stream.rows(), &method.rules),
        colour: colour_field(first, grid, plan.calibration)?,
        pieces: Vec::new(),
        bands: plan.keep_views.then(Vec::new),
        learner: match &purpose {
            Purpose::Learn(rule) => Some(Learner::new(rule)),
            Purpose::Measure { .. } | Purpose::Keep { .. } => None,
        },
        colour_bands: Vec::new(),
        keep_shapes: match &purpose {
            Purpose::Keep { rows } => Some(rows.clone()),
            _ => None,
        },
        kept_mm: None,
        scales_u_rel: plan.calibration.map_or([0.0; 3], scales_u_rel),
        light: lighting::lighting(first, plan.calibration)?,
        method: &method,
        grid,
    };
    let mut rows = FrameRows::new(recording);
    let mut next = rows.next();
    loop {
        let chunk = match next {
            Ok(Some(chunk)) => chunk,
            Ok(None) => break,
            Err(broken) => return Ok(Err(broken)),
        };
        // The next rows are decoded while these are measured.
        let (following, measured) = rayon::join(
            || rows.next(),
            || {
                let mut missing = chunk.missing_before;
                while missing > 0 {
                    let now = missing.min(MISSING_ROWS);
                    stream.push_missing(now);
                    work.bands(&mut stream)?;
                    missing -= now;
                }
                stream.push_views(
                    &chunk.height.counts,
                    chunk.view.as_ref().map(|view| &view.counts),
                    chunk.encoder_mm.as_deref(),
                );
                if let (Some(field), Some(colour)) = (&mut work.colour, chunk.colour) {
                    field.push(chunk.first_profile, chunk.colour_origin_along_mm, colour);
                }
                work.bands(&mut stream)
            },
        );
        measured?;
        if work.has_kept_all() {
            break;
        }
        next = following;
    }
    stream.finish();
    if stream.views_are_apart() {
        return Err(Error::new(
            ErrorKind::Unmeasurable,
            "the two views differ by more than 5 mm nearly everywhere",
        )
        .at(&first.folder)
        .key("view")
        .expected("expected two cameras' heights of the same rows of the same laser line"));
    }
    let report = stream.belt_report().ok_or_else(|| {
        Error::new(
            ErrorKind::Unmeasurable,
            "no belt was seen anywhere in the recording",
        )
        .at(&first.folder)
        .expected("heights are measured from the belt: some of it must be in view")
    })?;
    work.bands(&mut stream)?;
    let lines = stream.belt_lines();
    let seen: f64 = lines.iter().map(|line| line.seen_fraction).sum();
    let belt = BeltSummary {
        noise_mm: report.noise_mm,
        dropout_fraction: stream.dropout_fraction(),
        belt_fraction: seen / lines.len().max(1) as f64,
        roll_mrad: report.roll_mrad,
        ripple_mm: report.ripple_mm,
    };
    let clock = Clock::new(recording, &profiles);
    let mut found = std::mem::take(&mut work.pieces);
    place(
        &mut found,
        recording,
        first,
        &grid,
        &clock,
        plan.calibration,
    );
    let (pieces, shapes) = found.into_iter().map(|it| (it.piece, it.shape)).unzip();
    let views = work.views(recording);
    let measured = MeasuredRecording {
        recording: recording.name.clone(),
        scanner: first.description.scanner.clone(),
        scans: Vec::new(),
        calibration: plan.calibration.map(|calibration| calibration.valid_from),
        has_colour: work.colour.is_some(),
        learned: work
            .learner
            .as_ref()
            .map(|learner| learner.learned(plan.product, work.colour.is_some())),
        belt,
        views: stream.view_report(),
        pieces,
    };
    Ok(Ok(Passed {
        measured,
        views,
        shapes,
        kept_mm: work.kept_mm,
        colour: work.colour,
        learner: work.learner,
        grid,
    }))
}

fn layout(recording: &Recording, first: &Scan, profiles: &[Option<Profiles>]) -> FrameLayout {
    let height = &first.description.height;
    let span = recording.span();
    let last_mm = profiles
        .last()
        .and_then(Option::as_ref)
        .and_then(|p| p.encoder_mm.last());
    FrameLayout {
        columns: first.columns,
        rows: span.first..span.end,
        pitch_across_mm: height.pitch_across_mm,
        pitch_along_mm: height.pitch_along_mm,
        kind: height.kind,
        scale: height.scale,
        offset: height.offset,
        invalid: height.invalid,
        own_y: profiles.iter().any(Option::is_some),
        y_end_mm: last_mm.map(|last| last + height.pitch_along_mm / 2.0),
    }
}

fn frame_profiles(
    recording: &Recording,
) -> std::result::Result<Vec<Option<Profiles>>, BrokenFrame> {
    let read = |(index, scan)| {
        read_profiles(scan).map_err(|error| BrokenFrame {
            index,
            error: Box::new(error),
        })
    };
    recording.frames.iter().enumerate().map(read).collect()
}

fn colour_field(
    first: &Scan,
    grid: SurfaceGrid,
    calibration: Option<&Calibration>,
) -> Result<Option<ColourField>> {
    let (Some(part), Some(size)) = (&first.description.colour, first.colour_size) else {
        return Ok(None);
    };
    let place = HeightPlace {
        columns: first.columns,
        pitch_across_mm: first.description.height.pitch_across_mm,
        pitch_along_mm: first.description.height.pitch_along_mm,
        first_profile: first.description.height.first_profile,
    };
    ColourField::new(part, size.columns, place, grid, calibration).map(Some)
}
