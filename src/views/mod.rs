//! What a page shows of one frame: heights and marks as compact cells, small pictures.

mod cells;
mod thumbnail;

pub use cells::{CellHeights, encode_heights, encode_marks};
pub use thumbnail::thumbnail;
