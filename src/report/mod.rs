//! For people: pictures of heights and of pieces over colour; pages that print.

mod html;
mod pictures;

pub use html::{DriftRecord, LogPlace, history_page, record_page};

pub use pictures::{
    HeightColours, PicturePaths, height_picture, piece_picture, save_picture, write_height_picture,
    write_pictures,
};
