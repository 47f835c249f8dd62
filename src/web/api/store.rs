//! What was opened and what has been worked out, as much as memory is meant to hold.

use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use weighlight::Result;
use weighlight::calibration::Calibration;
use weighlight::inspection::{Inspected, inspect};
use weighlight::pipeline::{FrameView, MeasuredPiece, MeasuredRecording, Plan, measure_recording};
use weighlight::scan::{Recording, Scan};
use weighlight::tables::ProductUsed;

use super::super::Opened;
use super::Refused;

/// Surfaces held, each some 4 bytes a cell.
const MOST_SURFACES: usize = 4;
/// Measured recordings held.
const MOST_MEASURED: usize = 2;
/// Small pictures held, some 10 KB each.
const MOST_PICTURES: usize = 4096;

/// A measured recording with its frames' surfaces.
pub(super) struct Measured {
    pub(super) recording: MeasuredRecording,
    pub(super) product: ProductUsed,
    pub(super) class_names: Vec<String>,
    /// Views and the pieces in them, by the frames that could be read.
    pub(super) frames: Vec<(FrameView, Vec<MeasuredPiece>)>,
}

/// The last few results by key; the oldest goes first.
struct Kept<T> {
    most: usize,
    entries: Vec<(usize, Arc<T>)>,
}

impl<T> Kept<T> {
    fn new(most: usize) -> Mutex<Self> {
        let entries = Vec::new();
        Mutex::new(Self { most, entries })
    }

    fn get(&self, key: usize) -> Option<Arc<T>> {
        let found = self.entries.iter().find(|(known, _)| *known == key);
        found.map(|(_, value)| value.clone())
    }

    fn put(&mut self, key: usize, value: Arc<T>) {
        if self.entries.len() >= self.most {
            self.entries.remove(0);
        }
        self.entries.push((key, value));
    }
}

pub(super) struct Store {
    pub(super) opened: Opened,
    /// Recording and frame of each scan of the list.
    pub(super) places: Vec<(usize, usize)>,
    surfaces: Mutex<Kept<Inspected>>,
    measured: Mutex<Kept<Measured>>,
    pictures: Mutex<Kept<Vec<u8>>>,
    /// One recording is measured at a time: each takes all cores.
    measuring: Mutex<()>,
}

/// A thread that broke off leaves the caches whole: entries are put in finished.
pub(super) fn lock<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

impl Store {
    pub(super) fn new(opened: Opened) -> Self {
        let recordings = opened.archive.recordings.iter().enumerate();
        let places = recordings
            .flat_map(|(at, recording)| (0..recording.frames.len()).map(move |frame| (at, frame)))
            .collect();
        Self {
            opened,
            places,
            surfaces: Kept::new(MOST_SURFACES),
            measured: Kept::new(MOST_MEASURED),
            pictures: Kept::new(MOST_PICTURES),
            measuring: Mutex::new(()),
        }
    }

    pub(super) fn scan(&self, id: usize) -> Option<(&Recording, &Scan)> {
        let &(at, frame) = self.places.get(id)?;
        let recording = self.opened.archive.recordings.get(at)?;
        Some((recording, recording.frames.get(frame)?))
    }

    /// The calibration in force for a recording.
    pub(super) fn calibration(&self, recording: &Recording) -> Option<&Calibration> {
        let first = &recording.frames.first()?.description;
        let calibrations = &self.opened.calibrations;
        calibrations.in_force(&first.scanner, first.captured)
    }

    /// The surface of one scan, without measuring.
    pub(super) fn surface(&self, id: usize) -> std::result::Result<Arc<Inspected>, Refused> {
        if let Some(found) = lock(&self.surfaces).get(id) {
            return Ok(found);
        }
        let (recording, scan) = self.scan(id).ok_or(Refused::Unknown)?;
        let found = inspect(scan, self.calibration(recording)).map_err(Refused::Failed)?;
        let found = Arc::new(found);
        lock(&self.surfaces).put(id, found.clone());
        Ok(found)
    }

    /// A scan's small picture, made by `make` when it is not held.
    pub(super) fn picture(
        &self,
        id: usize,
        make: impl FnOnce(&Scan) -> Result<Vec<u8>>,
    ) -> std::result::Result<Arc<Vec<u8>>, Refused> {
        if let Some(found) = lock(&self.pictures).get(id) {
            return Ok(found);
        }
        let (_, scan) = self.scan(id).ok_or(Refused::Unknown)?;
        let made = Arc::new(make(scan).map_err(Refused::Failed)?);
        lock(&self.pictures).put(id, made.clone());
        Ok(made)
    }

    /// The recording that a scan belongs to, measured.
    pub(super) fn measured(&self, id: usize) -> std::result::Result<Arc<Measured>, Refused> {
        let &(key, _) = self.places.get(id).ok_or(Refused::Unknown)?;
        if let Some(found) = lock(&self.measured).get(key) {
            return Ok(found);
        }
        let _alone = lock(&self.measuring);
        if let Some(found) = lock(&self.measured).get(key) {
            return Ok(found);
        }
        let (recording, _) = self.scan(id).ok_or(Refused::Unknown)?;
        let found = Arc::new(self.measure(recording).map_err(Refused::Failed)?);
        lock(&self.measured).put(key, found.clone());
        Ok(found)
    }

    fn measure(&self, recording: &Recording) -> Result<Measured> {
        let (product, used) = (self.opened.profile_of)(recording)?;
        let plan = Plan {
            product: &product,
            calibration: self.calibration(recording),
            keep_views: true,
        };
        let mut frames = Vec::new();
        let (measured, _) = measure_recording(recording, &plan, &mut |view, pieces| {
            frames.push((view, pieces.to_vec()));
            Ok(())
        })?;
        Ok(Measured {
            recording: measured,
            product: used,
            class_names: product
                .classes
                .iter()
                .map(|class| class.name.clone())
                .collect(),
            frames,
        })
    }
}

impl Measured {
    /// The frame of a scan, unless it was left out as damaged.
    pub(super) fn frame(&self, scan: &Scan) -> Option<&(FrameView, Vec<MeasuredPiece>)> {
        let id = &scan.description.id;
        self.frames.iter().find(|(view, _)| view.scan == *id)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_oldest_goes_first() {
        let kept = Kept::new(2);
        for key in 0..3 {
            lock(&kept).put(key, Arc::new(10 * key));
        }
        let held: Vec<_> = (0..3).map(|key| lock(&kept).get(key)).collect();
        assert_eq!(held, [None, Some(Arc::new(10)), Some(Arc::new(20))]);
    }
}
