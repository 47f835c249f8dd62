//! Robust estimates over plain slices.

mod regression;
mod robust;

pub use regression::{Fit, weighted_least_squares};
pub use robust::{mad_sd, median, quantile, tukey_location, weighted_median};
