//! For people: pictures of heights, of pieces over colour and of uncertainty budgets; pages that print.

mod html;
mod pictures;

pub use html::{
    AgreementPage, CHART_SCRIPT_GZIP, DiffPictures, DriftRecord, LogPlace, Quantity,
    agreement_page, cause_words, history_page, quantity, record_page, run_diff_page,
    small_piece_picture, summary_page,
};

pub use pictures::{
    HeightColours, PicturePaths, budget_picture, height_picture, piece_picture, save_picture,
    write_height_picture, write_pictures,
};
