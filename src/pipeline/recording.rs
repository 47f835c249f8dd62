//! One recording through all stages.

use ndarray::{Array2, s};
use rayon::prelude::*;

use super::belt::{belt_seen, belt_under, scales_u_rel};
use super::clock::Clock;
use super::frames::{BrokenFrame, FrameRows};
use super::learn::Learner;
use super::lighting;
use super::piece::{Method, Site, measure_region};
use super::result::{BeltSummary, FrameView, MeasuredPiece, MeasuredRecording};
use crate::calibration::Calibration;
use crate::error::{Error, ErrorKind, Result};
use crate::measure::{ColourField, HeightPlace};
use crate::pieces::{Cameras, Lighting, PieceFinder};
use crate::product::{LearnRule, Product};
use crate::scan::{Profiles, Recording, Rejected, Scan, read_profiles};
use crate::surface::{FrameLayout, SurfaceBand, SurfaceGrid, SurfaceStream};

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

fn id(scan: &Scan) -> String {
    scan.description.id.clone()
}

type Kept = (MeasuredRecording, Vec<FrameView>);

/// What a pass over a recording is for.
#[derive(Debug, Clone, Copy)]
enum Purpose<'a> {
    /// To count colours by this rule.
    Learn(&'a LearnRule),
    /// To measure, with a learned limit or without.
    Measure { learned: bool },
}

fn run(recording: &Recording, plan: &Plan<'_>) -> Result<std::result::Result<Kept, BrokenFrame>> {
    let Some(rule) = &plan.product.learn else {
        return pass(recording, plan, Purpose::Measure { learned: false });
    };
    let colourless = Plan {
        keep_views: false,
        ..*plan
    };
    let learned = match pass(recording, &colourless, Purpose::Learn(rule))? {
        Ok((looked, _)) => looked.learned,
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
    Ok(measured.map(|(mut measured, views)| {
        measured.learned.clone_from(&learned);
        (measured, views)
    }))
}

fn pass(
    recording: &Recording,
    plan: &Plan<'_>,
    purpose: Purpose<'_>,
) -> Result<std::result::Result<Kept, BrokenFrame>> {
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
        learner: match purpose {
            Purpose::Learn(rule) => Some(Learner::new(rule)),
            Purpose::Measure { .. } => None,
        },
        colour_bands: Vec::new(),
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
                    field.push(chunk.first_profile, colour);
                }
                work.bands(&mut stream)
            },
        );
        measured?;
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
    let mut pieces = std::mem::take(&mut work.pieces);
    place(
        &mut pieces,
        recording,
        first,
        &grid,
        &clock,
        plan.calibration,
    );
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
    Ok(Ok((measured, views)))
}

/// What is under way while bands arrive.
struct Work<'a> {
    method: &'a Method<'a>,
    grid: SurfaceGrid,
    finder: PieceFinder,
    colour: Option<ColourField>,
    scales_u_rel: [f64; 3],
    light: Lighting,
    pieces: Vec<MeasuredPiece>,
    bands: Option<Vec<SurfaceBand>>,
    /// Counts colours instead of measuring, if set.
    learner: Option<Learner<'a>>,
    colour_bands: Vec<Array2<[u8; 3]>>,
}

impl Work<'_> {
    fn bands(&mut self, stream: &mut SurfaceStream) -> Result<()> {
        while let Some(band) = stream.next_band() {
            let kept = self.bands.is_some().then(|| band.clone());
            let regions = self.finder.push(band);
            if let Some(learner) = &mut self.learner {
                if let Some(field) = &mut self.colour {
                    learner.look(&regions, field);
                    field.release(self.finder.first_row());
                }
                continue;
            }
            let lines = stream.belt_lines();
            let found: Result<Vec<Vec<MeasuredPiece>>> = regions
                .into_par_iter()
                .map(|region| {
                    let site = Site {
                        grid: self.grid,
                        colour: self.colour.as_ref(),
                        belt: belt_under(
                            &region,
                            lines,
                            self.scales_u_rel,
                            self.method.rules.low_mm(),
                            self.grid.pitch_along_mm,
                            matches!(self.light.cameras, Cameras::Both { .. }),
                        ),
                        light: self.light,
                        belt_seen: belt_seen(&region, lines),
                        keep_rasters: self.bands.is_some(),
                    };
                    measure_region(region, self.method, &site)
                })
                .collect();
            self.pieces.extend(found?.into_iter().flatten());
            if let (Some(bands), Some(band)) = (&mut self.bands, kept) {
                if let Some(field) = &self.colour {
                    let window = field.window(band.first_row, 0, band.heights_mm.dim());
                    self.colour_bands.push(field.corrected(&window));
                }
                bands.push(band);
            }
            if let Some(field) = &mut self.colour {
                field.release(self.finder.first_row());
            }
        }
        Ok(())
    }

    /// The surface under each frame.
    fn views(&mut self, recording: &Recording) -> Vec<FrameView> {
        let Some(bands) = self.bands.take() else {
            return Vec::new();
        };
        let first = recording.span().first;
        let mut views = Vec::new();
        for scan in &recording.frames {
            let first_row = (scan.description.height.first_profile - first) as usize;
            let rows = first_row..first_row + scan.rows;
            let mut height_mm = Array2::from_elem((scan.rows, self.grid.columns), f32::NAN);
            let mut colour = self
                .colour
                .is_some()
                .then(|| Array2::from_elem(height_mm.dim(), [0_u8; 3]));
            for (index, band) in bands.iter().enumerate() {
                let from = rows.start.max(band.first_row);
                let to = rows.end.min(band.end_row());
                if from >= to {
                    continue;
                }
                let inside = s![from - band.first_row..to - band.first_row, ..];
                let target = s![from - rows.start..to - rows.start, ..];
                height_mm
                    .slice_mut(target)
                    .assign(&band.heights_mm.slice(inside));
                if let (Some(colour), Some(colours)) = (&mut colour, self.colour_bands.get(index)) {
                    colour.slice_mut(target).assign(&colours.slice(inside));
                }
            }
            views.push(FrameView {
                scan: id(scan),
                first_row,
                pitch_across_mm: self.grid.pitch_across_mm,
                pitch_along_mm: self.grid.pitch_along_mm,
                height_mm,
                colour,
            });
        }
        views
    }
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
    };
    ColourField::new(part, size.columns, place, grid, calibration).map(Some)
}

/// Orders and numbers the pieces, and says in which scan and lane each lies and when it passed.
fn place(
    pieces: &mut [MeasuredPiece],
    recording: &Recording,
    first: &Scan,
    grid: &SurfaceGrid,
    clock: &Clock,
    calibration: Option<&Calibration>,
) {
    pieces.sort_by(|one, two| {
        let (one, two) = (&one.record, &two.record);
        one.y_mm
            .total_cmp(&two.y_mm)
            .then(one.x_mm.total_cmp(&two.x_mm))
    });
    let along_scale = calibration.map_or(1.0, |calibration| calibration.errors.along_scale);
    let width_mm = first.columns as f64 * first.description.height.pitch_across_mm;
    for (index, piece) in pieces.iter_mut().enumerate() {
        let record = &mut piece.record;
        let profile = (record.y_mm / grid.pitch_along_mm).max(0.0) as u64;
        let scan = recording.frame_at(profile).or_else(|| {
            recording
                .frames
                .iter()
                .rposition(|f| f.description.height.first_profile <= profile)
        });
        record.recording.clone_from(&recording.name);
        record.scan = id(&recording.frames[scan.unwrap_or(0)]);
        record.piece = index as u32 + 1;
        record.lane = first.description.lanes.map(|lanes| {
            let lane = (record.x_mm / width_mm * f64::from(lanes)).floor();
            lane.clamp(0.0, f64::from(lanes - 1)) as u32 + 1
        });
        record.time = clock.at(along_scale * record.y_mm);
    }
}
