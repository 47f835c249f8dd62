//! Pictures for people: height maps and pieces over colour.

mod pictures;

pub use pictures::{
    HeightColours, PicturePaths, height_picture, piece_picture, save_picture, write_height_picture,
    write_pictures,
};
