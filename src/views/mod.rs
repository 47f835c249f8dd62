//! What a page shows of one frame: heights and marks as compact cells, small pictures.

mod cells;
mod solid;
mod thumbnail;

pub use cells::{CellHeights, encode_heights, encode_heights_onto, encode_marks, encode_rebuilt};
pub use solid::{PieceCells, encode_piece};
pub use thumbnail::thumbnail;
