//! What is under way while bands of surface arrive: things found, measured, kept.

use std::ops::Range;

use ndarray::{Array2, s};
use rayon::prelude::*;

use super::belt::{belt_seen, belt_under};
use super::learn::Learner;
use super::piece::{Found, Method, measure_region};
use super::recording::id;
use super::result::FrameView;
use super::shape::Site;
use crate::error::Result;
use crate::measure::ColourField;
use crate::pieces::{Cameras, Lighting, PieceFinder};
use crate::scan::Recording;
use crate::surface::{SurfaceBand, SurfaceGrid, SurfaceStream};

/// What is under way while bands arrive.
pub struct Work<'a> {
    /// What to measure with.
    pub method: &'a Method<'a>,
    /// The surface's grid.
    pub grid: SurfaceGrid,
    /// Finds things in bands.
    pub finder: PieceFinder,
    /// Colour, if there is any.
    pub colour: Option<ColourField>,
    /// Relative standard uncertainties of the scales across, along and in height.
    pub scales_u_rel: [f64; 3],
    /// Where light and cameras stand.
    pub light: Lighting,
    /// What was measured so far.
    pub pieces: Vec<Found>,
    /// The surface so far, if it is kept.
    pub bands: Option<Vec<SurfaceBand>>,
    /// Counts colours instead of measuring, if set.
    pub learner: Option<Learner>,
    /// The colours of `bands`.
    pub colour_bands: Vec<Array2<[u8; 3]>>,
    /// Rows whose pieces keep their shapes, and their colour with them.
    pub keep_shapes: Option<Range<usize>>,
    /// The heights of those rows.
    pub kept_mm: Option<Array2<f32>>,
}

impl Work<'_> {
    /// Takes the bands that are ready.
    ///
    /// # Errors
    /// None that input can cause.
    pub fn bands(&mut self, stream: &mut SurfaceStream) -> Result<()> {
        while let Some(band) = stream.next_band() {
            let band_end = band.end_row();
            self.keep_heights(&band);
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
            let found: Result<Vec<Vec<Found>>> = regions
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
                        keep_shapes: self.keep_shapes.clone(),
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
            // Before the rows to keep are reached, what still stands open is all that can reach into them.
            let keeps = self.keep_shapes.as_ref();
            let keeps = keeps.is_some_and(|rows| rows.start < band_end);
            if let Some(field) = self.colour.as_mut().filter(|_| !keeps) {
                field.release(self.finder.first_row());
            }
        }
        Ok(())
    }

    fn keep_heights(&mut self, band: &SurfaceBand) {
        let Some(rows) = &self.keep_shapes else {
            return;
        };
        let none = || Array2::from_elem((rows.len(), self.grid.columns), f32::NAN);
        let kept_mm = self.kept_mm.get_or_insert_with(none);
        let from = rows.start.max(band.first_row);
        let to = rows.end.min(band.end_row());
        if from < to {
            let inside = s![from - band.first_row..to - band.first_row, ..];
            let target = s![from - rows.start..to - rows.start, ..];
            let heights_mm = band.heights_mm.slice(inside);
            kept_mm.slice_mut(target).assign(&heights_mm);
        }
    }

    /// Whether all shapes to keep have been found, and nothing that is still to come lies before one of them.
    pub fn has_kept_all(&self) -> bool {
        let Some(rows) = &self.keep_shapes else {
            return false;
        };
        let shapes = self.pieces.iter().filter_map(|it| it.shape.as_ref());
        let end = shapes.map(|shape| shape.end_row()).max();
        rows.end.max(end.unwrap_or(0)) <= self.finder.first_row()
    }

    /// The surface under each frame.
    pub fn views(&mut self, recording: &Recording) -> Vec<FrameView> {
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
