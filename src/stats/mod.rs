//! Robust estimates, least squares, control charts and studies of variation over plain slices.

mod change_point;
mod control;
mod gauge;
mod levenberg;
mod line;
mod proportion;
mod regression;
mod robust;
mod run_length;
mod self_starting;
mod two_humps;
mod zone_rules;

pub use change_point::{mean_changes, noise_of_differences};
pub use control::{
    Cusum, CusumPoint, CusumRun, Ewma, EwmaPoint, EwmaRun, Individuals, individuals,
};
pub use gauge::{GaugeStudy, VariationRow, gauge_study};
pub use levenberg::{Linearised, Minimum, Rules, levenberg_marquardt, scaled_inverse};
pub use line::{Crossing, Line, fit_line, student_quantile};
pub use proportion::clopper_pearson;
pub use regression::{Fit, weighted_least_squares};
pub use robust::{mad_sd, median, quantile, tukey_location, weighted_median};
pub use run_length::{
    WESTERN_ELECTRIC_RUN_LENGTH, cusum_run_length, ewma_run_length, shewhart_run_length,
};
pub use self_starting::{Learned, SelfStarting};
pub use two_humps::{Hump, OtsuSplit, equally_likely, otsu, two_normals};
pub use zone_rules::{ZoneBreak, ZoneRule, zone_breaks};
