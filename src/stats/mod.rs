//! Robust estimates over plain slices; small least-squares problems.

mod levenberg;
mod regression;
mod robust;

pub use levenberg::{Linearised, Minimum, Rules, levenberg_marquardt, scaled_inverse};
pub use regression::{Fit, weighted_least_squares};
pub use robust::{mad_sd, median, quantile, tukey_location, weighted_median};
