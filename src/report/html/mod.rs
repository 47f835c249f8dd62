//! Pages for people: one file each, with everything in it. They ask nothing of a network, print on A4 and Letter, and
//! follow the screen's light or dark setting.
//!
//! [`page`] is the frame that every page shares (head, style, chart script), [`charts`] makes figures, [`quantities`]
//! says how a quantity is called and shown. A page is a template in `templates/` that extends `page.html`, and a file
//! here that fills it with texts and figures.

mod agreement;
mod agreement_charts;
mod charts;
mod history;
mod history_charts;
mod page;
mod quantities;
mod record;
mod run_diff;
mod summary;

pub use agreement::{AgreementPage, agreement_page};
pub use history::{cause_words, history_page};
pub use page::CHART_SCRIPT_GZIP;
pub use quantities::{Quantity, quantity};
pub use record::{DriftRecord, LogPlace, record_page};
pub use run_diff::{DiffPictures, run_diff_page, small_piece_picture};
pub use summary::summary_page;
