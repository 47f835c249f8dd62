//! Robust estimates, least squares, agreement of two methods, control charts and studies of variation over plain slices.

mod binomial;
mod change_point;
mod concordance;
mod control;
mod errors_in_variables;
mod gauge;
mod least_squares;
mod levenberg;
mod line;
mod noncentral_t;
mod proportion;
mod regression;
mod robust;
mod run_length;
mod self_starting;
mod two_humps;
mod zone_rules;

pub use binomial::{Share, exact_share};
pub use change_point::{mean_changes, noise_of_differences};
pub use concordance::{Concordance, concordance};
pub use control::{
    Cusum, CusumPoint, CusumRun, Ewma, EwmaPoint, EwmaRun, Individuals, individuals,
};
pub use errors_in_variables::{MethodLine, deming, passing_bablok};
pub use gauge::{GaugeStudy, VariationRow, gauge_study};
pub use least_squares::{LinearFit, least_squares};
pub use levenberg::{Linearised, Minimum, Rules, levenberg_marquardt, scaled_inverse};
pub use line::{Crossing, Line, fit_line, student_quantile};
pub use noncentral_t::{noncentral_t_cdf, noncentral_t_quantile};
pub use proportion::clopper_pearson;
pub use regression::{Fit, weighted_least_squares};
pub use robust::{mad_sd, median, quantile, tukey_location, weighted_median};
pub use run_length::{
    WESTERN_ELECTRIC_RUN_LENGTH, cusum_run_length, ewma_run_length, shewhart_run_length,
};
pub use self_starting::{Learned, SelfStarting};
pub use two_humps::{Hump, OtsuSplit, equally_likely, otsu, two_normals};
pub use zone_rules::{ZoneBreak, ZoneRule, zone_breaks};
