//! One scan whose pieces are found and shaped once, to be measured again by other rules of colour, weight and spec.
//!
//! What colour and weight cannot change is kept: windows, mended heights, footprints, sizes, volumes, numbers. What they do change goes through the same functions as when a
//! recording is measured, so that the numbers are the same ones.

use std::ops::Range;

use ndarray::{Array2, s};
use rayon::prelude::*;

use super::learn::Learner;
use super::piece::{Method, raster_of, record_of};
use super::recording::{Plan, Purpose, pass};
use super::shape::Shape;
use crate::colour::{Lab, is_clipped, lab_from_srgb8};
use crate::error::{Error, ErrorKind, Result};
use crate::measure::{ClassRaster, ColourField};
use crate::product::{LabBox, LearnRule, PieceRules, Product};
use crate::scan::Recording;
use crate::surface::SurfaceGrid;
use crate::tables::{LearnedLimit, PieceRecord};

/// Bins of an axis of CIELAB, one unit each.
pub const LAB_BINS: usize = 256;
/// No colour.
const NO_LAB: [u8; 3] = [u8::MAX; 3];

/// A scan with the shapes of its pieces.
#[derive(Debug)]
pub struct KeptScan {
    scan: String,
    rows: Range<usize>,
    grid: SurfaceGrid,
    height_mm: Array2<f32>,
    field: Option<ColourField>,
    rules: PieceRules,
    learner: Option<Learner>,
    temperature_c: Option<f64>,
    pieces: Vec<KeptPiece>,
}

#[derive(Debug)]
struct KeptPiece {
    shape: Box<Shape>,
    /// Its row of the table by the profile it was kept with: where its place and number are from.
    placed: PieceRecord,
    /// CIELAB of each covered cell in bins: L, a + 128, b + 128.
    lab: Array2<[u8; 3]>,
}

/// The classes on the pieces of a kept scan by one profile.
#[derive(Debug)]
pub struct Classed {
    rules: ColourRules,
    learned: Option<LearnedLimit>,
    /// The profile's limits, or the learned one in place of one of them.
    boxes: Vec<Option<LabBox>>,
    rasters: Vec<Option<ClassRaster>>,
}

/// What decides classes.
#[derive(Debug, Clone, PartialEq)]
struct ColourRules {
    classes: Vec<(String, Option<LabBox>)>,
    base: String,
    min_speck_mm2: f64,
    learn: Option<LearnRule>,
}

impl ColourRules {
    fn of(product: &Product) -> Self {
        let of_class = |class: &crate::product::ClassRule| (class.name.clone(), class.lab);
        Self {
            classes: product.classes.iter().map(of_class).collect(),
            base: product.base.clone(),
            min_speck_mm2: product.piece.min_speck_mm2,
            learn: product.learn.clone(),
        }
    }
}

/// Colours of the cells of a scan's pieces.
#[derive(Debug, Clone, PartialEq)]
pub struct LabCounts {
    /// By class, then axis (L, a, b): cells in each bin. Bin k of L holds k ≤ L < k + 1, bin k of a and b holds k − 128 ≤ a < k − 127.
    pub by_class: Vec<[Vec<u32>; 3]>,
}

/// A cell that somebody has named.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct NamedCell {
    /// Row of the scan.
    pub row: usize,
    /// Column of the scan.
    pub column: usize,
    /// Its class, a place in the profile's order.
    pub class: usize,
}

/// What the colour of a named cell came to.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum NamedColour {
    /// Its corrected colour, as when pieces are measured.
    Known(Lab),
    /// A channel is at its end.
    Clipped,
    /// It lies on no piece, or has no colour.
    Nothing,
}

/// Finds and shapes the pieces that reach into frame `index` of a recording, by the piece rules of the plan's profile. Their numbers are those of the whole recording.
///
/// Other frames that turn out to be damaged are left out, as when the recording is measured.
///
/// # Errors
/// As [`super::measure_recording`]; the frame is not there or is damaged.
pub fn keep_scan(recording: &Recording, index: usize, plan: &Plan<'_>) -> Result<KeptScan> {
    let mut recording = recording.clone();
    let mut index = index;
    let plan = Plan {
        keep_views: false,
        ..*plan
    };
    loop {
        let scan = recording.frames.get(index).ok_or_else(|| {
            Error::new(ErrorKind::Mismatch, format!("no frame {index}"))
                .expected("expected a frame of the recording")
        })?;
        let first = recording.span().first;
        let first_row = (scan.description.height.first_profile - first) as usize;
        let rows = first_row..first_row + scan.rows;
        let looked = match &plan.product.learn {
            None => Ok(None),
            Some(rule) => pass(&recording, &plan, Purpose::Learn(rule))?.map(|it| it.learner),
        };
        let passed = match looked {
            Ok(learner) => {
                let purpose = Purpose::Keep { rows: rows.clone() };
                pass(&recording, &plan, purpose)?.map(|passed| (passed, learner))
            }
            Err(broken) => Err(broken),
        };
        match passed {
            Ok((passed, learner)) => {
                let shapes = passed.measured.pieces.into_iter().zip(passed.shapes);
                let field = passed.colour;
                let pieces = shapes
                    .filter_map(|(piece, shape)| Some((piece.record, shape?)))
                    .par_bridge()
                    .map(|(placed, shape)| KeptPiece {
                        lab: lab_bins(&shape, field.as_ref()),
                        shape,
                        placed,
                    });
                let mut pieces: Vec<KeptPiece> = pieces.collect();
                pieces.sort_by_key(|piece| piece.placed.piece);
                let first = recording.frames.first().map(|it| &it.description);
                return Ok(KeptScan {
                    scan: scan.description.id.clone(),
                    height_mm: passed.kept_mm.unwrap_or_default(),
                    rows,
                    grid: passed.grid,
                    rules: plan.product.piece.clone(),
                    learner,
                    temperature_c: first.and_then(|it| it.product_temperature_c),
                    pieces,
                    field,
                });
            }
            Err(broken) if broken.index == index => return Err(*broken.error),
            Err(broken) => {
                recording.frames.remove(broken.index);
                index -= usize::from(broken.index < index);
            }
        }
    }
}

impl KeptScan {
    /// Whether a profile finds the same pieces, so that the scan need not be read again for it.
    #[must_use]
    pub fn holds_for(&self, product: &Product) -> bool {
        let (own, its) = (&self.rules, &product.piece);
        let learns = product.learn.as_ref().is_none_or(|rule| {
            let learner = self.learner.as_ref();
            learner.is_some_and(|learner| learner.with_rule(rule).is_some())
        });
        own.min_height_mm == its.min_height_mm
            && own.min_area_cm2 == its.min_area_cm2
            && own.split_touching == its.split_touching
            && learns
    }

    /// Rows and columns of the scan on the surface's grid.
    #[must_use]
    pub fn size(&self) -> (usize, usize) {
        (self.rows.len(), self.grid.columns)
    }

    /// Heights of the scan above the belt, mm; NaN where nothing was seen.
    #[must_use]
    pub fn height_mm(&self) -> &Array2<f32> {
        &self.height_mm
    }

    /// The surface's grid.
    #[must_use]
    pub fn grid(&self) -> &SurfaceGrid {
        &self.grid
    }

    /// Whether the scan has colour.
    #[must_use]
    pub fn has_colour(&self) -> bool {
        self.field.is_some()
    }

    /// Gives each cell of the pieces its class by a profile.
    ///
    /// # Errors
    /// The profile's rules do not hold together, or it finds other pieces.
    pub fn classed(&self, product: &Product) -> Result<Classed> {
        self.check(product)?;
        let learned = product.learn.as_ref().and_then(|rule| {
            let learner = self.learner.as_ref()?.with_rule(rule)?;
            Some((rule, learner.learned(product, self.has_colour())))
        });
        let used = learned.as_ref().filter(|(_, it)| it.refused.is_none());
        let with_limit = used.map(|(rule, it)| product.with_limit(rule, it.used()));
        let product_used = with_limit.as_ref().unwrap_or(product);
        let method = Method::new(product_used, self.temperature_c)?;
        let rasters = self
            .pieces
            .par_iter()
            .map(|piece| raster_of(&piece.shape, &method, self.field.as_ref(), &self.grid))
            .collect::<Result<Vec<_>>>()?;
        Ok(Classed {
            rules: ColourRules::of(product),
            boxes: product_used.classes.iter().map(|it| it.lab).collect(),
            learned: learned.map(|(_, it)| it),
            rasters,
        })
    }

    /// The rows of the piece table that a profile gives, of all pieces that reach into the scan; those are exactly what measuring the recording gives for them.
    ///
    /// # Errors
    /// The profile's rules do not hold together, find other pieces, or `classed` is by other rules of colour.
    pub fn records(&self, product: &Product, classed: &Classed) -> Result<Vec<PieceRecord>> {
        self.check(product)?;
        if !classed.holds_for(product) {
            return Err(Error::new(
                ErrorKind::Mismatch,
                "classes by other rules than the profile's",
            ));
        }
        let mut used = product.clone();
        for (class, lab) in used.classes.iter_mut().zip(&classed.boxes) {
            class.lab = *lab;
        }
        let mut method = Method::new(&used, self.temperature_c)?;
        let learned = classed.learned.as_ref();
        method.learned = learned.is_some_and(|it| it.refused.is_none());
        let pieces = self.pieces.par_iter().zip(&classed.rasters);
        pieces
            .map(|(piece, raster)| {
                let (mut record, _) =
                    record_of(&piece.shape, raster.as_ref(), &method, &self.grid)?;
                let placed = &piece.placed;
                record.recording.clone_from(&placed.recording);
                record.scan.clone_from(&placed.scan);
                record.piece = placed.piece;
                record.lane = placed.lane;
                record.time = placed.time;
                Ok(record)
            })
            .collect()
    }

    /// The scan's own id: pieces whose row names it have their middle in it.
    #[must_use]
    pub fn scan(&self) -> &str {
        &self.scan
    }

    fn check(&self, product: &Product) -> Result<()> {
        if self.holds_for(product) {
            return Ok(());
        }
        Err(Error::new(
            ErrorKind::Mismatch,
            "a profile that finds other pieces than those kept",
        )
        .expected("expected the same piece rules; keep the scan again for others"))
    }

    /// The class of each cell of the scan, 255 where there is none.
    #[must_use]
    pub fn class_plane(&self, classed: &Classed) -> Array2<u8> {
        let mut plane = Array2::from_elem(self.size(), u8::MAX);
        for (piece, raster) in self.pieces.iter().zip(&classed.rasters) {
            let Some(raster) = raster else { continue };
            let mut put = |at: (usize, usize), to: (usize, usize)| {
                if piece.shape.footprint.covered[at] {
                    plane[to] = raster.class[at];
                }
            };
            self.each_cell(&piece.shape, &mut put);
        }
        plane
    }

    /// The number of the piece on each cell of the scan, 0 where there is none, and whether its height there is reconstructed.
    #[must_use]
    pub fn piece_planes(&self) -> (Array2<u32>, Array2<bool>) {
        let mut numbers = Array2::zeros(self.size());
        let mut filled = Array2::from_elem(self.size(), false);
        for piece in &self.pieces {
            let states = piece.shape.states();
            self.each_cell(&piece.shape, &mut |at, to| {
                if states[at] > 0 {
                    numbers[to] = piece.placed.piece;
                    filled[to] = states[at] == 2;
                }
            });
        }
        (numbers, filled)
    }

    /// Cells of a window that lie in the scan: where in the window, and where in the scan.
    fn each_cell(&self, shape: &Shape, take: &mut impl FnMut((usize, usize), (usize, usize))) {
        let (rows, columns) = shape.mended.heights_mm.dim();
        let first = shape.region.first_row;
        let from = self.rows.start.max(first);
        let end = self.rows.end.min(first + rows);
        for row in from..end {
            for column in 0..columns {
                let to = (row - self.rows.start, shape.region.first_column + column);
                take((row - first, column), to);
            }
        }
    }

    /// How many cells of the pieces in the scan have which colour, by class.
    #[must_use]
    pub fn lab_counts(&self, classed: &Classed) -> LabCounts {
        let none = || vec![[0, 0, 0].map(|_: u8| vec![0_u32; LAB_BINS]); classed.boxes.len()];
        let pieces = self.pieces.par_iter().zip(&classed.rasters);
        let counted = pieces.map(|(piece, raster)| {
            let mut counts = none();
            let Some(raster) = raster else { return counts };
            self.each_cell(&piece.shape, &mut |at, _| {
                let bins = piece.lab[at];
                if let Some(own) = counts.get_mut(usize::from(raster.class[at]))
                    && bins != NO_LAB
                {
                    for (axis, bin) in own.iter_mut().zip(bins) {
                        axis[usize::from(bin)] += 1;
                    }
                }
            });
            counts
        });
        let by_class = counted.reduce(none, |mut sum, more| {
            for (sum, more) in sum.iter_mut().flatten().zip(more.iter().flatten()) {
                for (sum, more) in sum.iter_mut().zip(more) {
                    *sum += more;
                }
            }
            sum
        });
        LabCounts { by_class }
    }

    /// Corrected sRGB of each cell of the scan, for a picture; `None` without colour.
    #[must_use]
    pub fn colour(&self) -> Option<Array2<[u8; 3]>> {
        let field = self.field.as_ref()?;
        let window = field.window(self.rows.start, 0, self.size());
        Some(field.corrected(&window))
    }

    /// The colour that rules see at a cell of the scan.
    #[must_use]
    pub fn named(&self, cell: &NamedCell) -> NamedColour {
        let row = self.rows.start + cell.row;
        let found = self.field.as_ref().zip(self.pieces.iter().find_map(|it| {
            let region = &it.shape.region;
            let at = (
                row.checked_sub(region.first_row)?,
                cell.column.checked_sub(region.first_column)?,
            );
            let covered = it.shape.footprint.covered.get(at)?;
            covered.then(|| it.shape.mended.heights_mm[at])
        }));
        let seen = found
            .and_then(|(field, height_mm)| Some((field, field.seen(row, cell.column, height_mm)?)));
        match seen {
            None => NamedColour::Nothing,
            Some((_, (_, raw))) if is_clipped(raw) => NamedColour::Clipped,
            Some((field, (pixel, raw))) => match field.corrected_srgb8(pixel, raw) {
                Some(rgb) => NamedColour::Known(lab_from_srgb8(rgb)),
                None => NamedColour::Nothing,
            },
        }
    }
}

impl Classed {
    /// Whether a profile gives the same classes.
    #[must_use]
    pub fn holds_for(&self, product: &Product) -> bool {
        self.rules == ColourRules::of(product)
    }

    /// The limit that was learned from the recording, if the profile wants one learned.
    #[must_use]
    pub fn learned(&self) -> Option<&LearnedLimit> {
        self.learned.as_ref()
    }
}

fn lab_bins(shape: &Shape, field: Option<&ColourField>) -> Array2<[u8; 3]> {
    let covered = &shape.footprint.covered;
    let mut bins = Array2::from_elem(covered.dim(), NO_LAB);
    let Some(field) = field else { return bins };
    let region = &shape.region;
    for row in 0..covered.nrows() {
        for (column, bins) in bins.slice_mut(s![row, ..]).iter_mut().enumerate() {
            if !covered[(row, column)] {
                continue;
            }
            let height_mm = shape.mended.heights_mm[(row, column)];
            let at = (region.first_row + row, region.first_column + column);
            let rgb = field
                .seen(at.0, at.1, height_mm)
                .and_then(|(pixel, raw)| field.corrected_srgb8(pixel, raw));
            if let Some(rgb) = rgb {
                let lab = lab_from_srgb8(rgb);
                let bin = |value: f64, zero: f64| (value + zero).floor().clamp(0.0, 254.0) as u8;
                *bins = [bin(lab.l, 0.0), bin(lab.a, 128.0), bin(lab.b, 128.0)];
            }
        }
    }
    bins
}
