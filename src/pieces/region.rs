//! A window around one thing that stands on the belt.

use ndarray::Array2;

/// To whom a cell of a window belongs.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[repr(u8)]
pub enum Cell {
    /// Belt, or nothing seen.
    Free,
    /// The piece.
    Own,
    /// Another thing.
    Other,
}

/// Which ends of the recorded field a thing reaches.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Ends {
    /// The frame's left or right side.
    pub side: bool,
    /// The recording's first or last row, or rows that are missing.
    pub along: bool,
}

/// A window of the surface around one connected thing.
#[derive(Debug, Clone, PartialEq)]
pub struct Region {
    /// First row of the window on the recording's grid.
    pub first_row: usize,
    /// First column of the window.
    pub first_column: usize,
    /// Heights above the belt, mm, NaN unseen.
    pub heights_mm: Array2<f32>,
    /// To whom each cell belongs.
    pub cells: Array2<Cell>,
    /// Which ends it reaches.
    pub ends: Ends,
    /// Whether it was parted from a neighbour.
    pub touching: bool,
    /// Whether it was near to being parted, or to being one with a neighbour.
    pub doubtful: bool,
}
