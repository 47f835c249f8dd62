//! From laser-line height profiles and colour frames of food on a belt to pieces, volume, fat and lean, and weight.
//!
//! Data flows one way: scan → surface → pieces → measures → weight → tables. See `DEVELOPERS.md` for the map.

pub mod agreement;
pub mod calibration;
pub mod colour;
pub mod document;
pub mod drift;
pub mod error;
pub mod history;
pub mod inspection;
pub mod measure;
pub mod pieces;
pub mod pipeline;
pub mod product;
pub mod report;
pub mod runs;
pub mod scan;
pub mod simulate;
pub mod stats;
pub mod surface;
pub mod tables;
pub mod views;
pub mod weight;

pub use error::{Error, ErrorKind, Result};
