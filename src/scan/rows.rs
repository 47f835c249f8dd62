//! Decoded rows of a frame, as they come from the file: counts stay counts.

/// Samples of a block of rows, row-major.
#[derive(Debug, Clone, PartialEq)]
pub enum Counts {
    /// 16-bit counts.
    U16(Vec<u16>),
    /// 32-bit float millimetres (or stripe rows); NaN means no return.
    F32(Vec<f32>),
}

impl Counts {
    /// Number of samples.
    pub fn len(&self) -> usize {
        match self {
            Self::U16(samples) => samples.len(),
            Self::F32(samples) => samples.len(),
        }
    }

    /// Whether there are none.
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }
}

/// A block of height rows of one frame.
#[derive(Debug, Clone, PartialEq)]
pub struct HeightRows {
    /// First row, counted from the frame's start.
    pub first_row: usize,
    /// Number of columns.
    pub columns: usize,
    /// `rows × columns` samples.
    pub counts: Counts,
}

/// A block of colour rows of one frame.
#[derive(Debug, Clone, PartialEq)]
pub struct ColourRows {
    /// First row, counted from the frame's start.
    pub first_row: usize,
    /// Number of columns.
    pub columns: usize,
    /// `rows × columns × 3` sRGB-encoded bytes.
    pub rgb: Vec<u8>,
}
