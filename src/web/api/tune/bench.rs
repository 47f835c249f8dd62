//! Scans on the bench: kept with the shapes of their pieces, as many as memory is meant to hold.

use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex};

use weighlight::pipeline::{Classed, KeptScan, Plan, keep_scan};
use weighlight::product::Product;

use super::super::Refused;
use super::super::store::{Store, lock};

/// Scans held, each some 25 bytes a cell of its pieces' windows and 3 a colour pixel. Two, so that going back and forth between piece rules is quick.
const MOST_KEPT: usize = 2;

/// What previews are made from.
pub(in super::super) struct Bench {
    pub(super) store: Arc<Store>,
    kept: Mutex<Vec<Arc<Place>>>,
    /// One scan is measured at a time: each takes all cores.
    measuring: Mutex<()>,
    /// One profile is saved at a time.
    pub(super) saving: Mutex<()>,
    numbers: AtomicU64,
}

/// A scan on the bench.
pub(super) struct Place {
    id: usize,
    /// Differs for each scan that was kept: what the page knows of another one no longer holds.
    pub(super) number: u64,
    pub(super) scan: KeptScan,
    classed: Mutex<Option<Arc<Classed>>>,
}

impl Bench {
    pub(super) fn new(store: Arc<Store>) -> Self {
        Self {
            store,
            kept: Mutex::new(Vec::new()),
            measuring: Mutex::new(()),
            saving: Mutex::new(()),
            numbers: AtomicU64::new(1),
        }
    }

    /// A scan as a profile finds its pieces; measured if it is not on the bench.
    pub(super) fn place(&self, id: usize, product: &Product) -> Result<Arc<Place>, Refused> {
        if let Some(found) = self.held(id, product) {
            return Ok(found);
        }
        let _alone = lock(&self.measuring);
        if let Some(found) = self.held(id, product) {
            return Ok(found);
        }
        let (recording, _) = self.store.scan(id).ok_or(Refused::Unknown)?;
        let &(_, frame) = self.store.places.get(id).ok_or(Refused::Unknown)?;
        let plan = Plan {
            product,
            calibration: self.store.calibration(recording),
            keep_views: false,
        };
        let place = Arc::new(Place {
            id,
            number: self.numbers.fetch_add(1, Ordering::Relaxed),
            scan: keep_scan(recording, frame, &plan).map_err(Refused::Failed)?,
            classed: Mutex::new(None),
        });
        let mut kept = lock(&self.kept);
        kept.truncate(MOST_KEPT - 1);
        kept.insert(0, place.clone());
        Ok(place)
    }

    /// The one used last stands first.
    fn held(&self, id: usize, product: &Product) -> Option<Arc<Place>> {
        let mut kept = lock(&self.kept);
        let mut places = kept.iter();
        let at = places.position(|it| it.id == id && it.scan.holds_for(product))?;
        let place = kept.remove(at);
        kept.insert(0, place.clone());
        Some(place)
    }
}

impl Place {
    /// The classes by a profile; those of before where its rules of colour are the same.
    pub(super) fn classed(&self, product: &Product) -> Result<Arc<Classed>, Refused> {
        let before = lock(&self.classed).clone();
        if let Some(found) = before.filter(|it| it.holds_for(product)) {
            return Ok(found);
        }
        let found = Arc::new(self.scan.classed(product).map_err(Refused::Failed)?);
        *lock(&self.classed) = Some(found.clone());
        Ok(found)
    }
}
