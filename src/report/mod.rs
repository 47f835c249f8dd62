//! Pictures for people: height maps, pieces over colour, uncertainty budgets.

mod pictures;

pub use pictures::{
    HeightColours, PicturePaths, budget_picture, height_picture, piece_picture, save_picture,
    write_height_picture, write_pictures,
};
