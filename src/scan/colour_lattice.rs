//! On which rows the colours of a recording lie: row after row, frame after frame.

/// How near a place must be to a whole row to count as one, in rows: files give places in six digits.
const WHOLE_ROW: f64 = 1e-3;

/// The colour rows of a recording, numbered from where its height rows are numbered from.
///
/// The frame that leads says where rows lie; those of the others are numbered by the row nearest to where they say they
/// start, so that a cut between frames moves no pixel.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ColourLattice {
    /// Outer edge of row 0 along the belt, mm: within half a pitch of the start of the leading frame's `origin_along_mm`.
    pub origin_mm: f64,
    /// Pixel pitch along, mm.
    pub pitch_mm: f64,
}

impl ColourLattice {
    /// The rows of a recording whose first frame's height rows start `start_mm` along the belt, and its colour rows
    /// `origin_along_mm` after them.
    #[must_use]
    pub fn new(origin_along_mm: f64, pitch_mm: f64, start_mm: f64) -> Self {
        let rows = start_mm / pitch_mm;
        let beside = if is_whole(rows) {
            0.0
        } else {
            rows - rows.round()
        };
        Self {
            origin_mm: origin_along_mm + beside * pitch_mm,
            pitch_mm,
        }
    }

    /// Number of the first colour row of a frame whose height rows start `start_mm` along the belt, and its colour rows
    /// `origin_along_mm` after them.
    #[must_use]
    pub fn first_row(&self, start_mm: f64, origin_along_mm: f64) -> i64 {
        self.rows(start_mm, origin_along_mm).round() as i64
    }

    /// Whether that frame's rows go on where this lattice has them.
    #[must_use]
    pub fn holds(&self, start_mm: f64, origin_along_mm: f64) -> bool {
        is_whole(self.rows(start_mm, origin_along_mm))
    }

    fn rows(&self, start_mm: f64, origin_along_mm: f64) -> f64 {
        (start_mm + origin_along_mm - self.origin_mm) / self.pitch_mm
    }
}

fn is_whole(rows: f64) -> bool {
    (rows - rows.round()).abs() < WHOLE_ROW
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Frames of 781 or 782 colour rows, cut wherever 312.5 mm end, as `origin_along_mm` with six digits tells it.
    #[test]
    fn frames_that_end_within_a_colour_row_go_on_row_by_row() {
        let (frame_mm, pitch_mm) = (312.5, 0.4);
        for leading in [0_u32, 3, 1600] {
            let start_mm = |frame: u32| f64::from(leading + frame) * frame_mm;
            let cut = |frame: u32| (start_mm(frame) / pitch_mm).ceil();
            let origin_mm = |frame| ((cut(frame) * pitch_mm - start_mm(frame)) * 1e6).round() / 1e6;
            let lattice = ColourLattice::new(origin_mm(0), pitch_mm, start_mm(0));
            for frame in 0..50 {
                assert!(lattice.holds(start_mm(frame), origin_mm(frame)), "{frame}");
                let rows = lattice.first_row(start_mm(frame), origin_mm(frame))
                    - lattice.first_row(start_mm(0), origin_mm(0));
                assert_eq!(rows, (cut(frame) - cut(0)) as i64);
            }
            assert!(!lattice.holds(start_mm(1), origin_mm(1) + 0.1));
        }
    }

    /// The row that a place on the belt is in does not depend on which frame leads by more than the frames' own rows do.
    #[test]
    fn the_leading_frame_lies_where_it_says() {
        for (start_mm, origin_mm) in [(0.0, 0.0), (312.5, -0.1), (1e6 + 0.3, 0.25), (5.0, -7.3)] {
            let lattice = ColourLattice::new(origin_mm, 0.4, start_mm);
            let row = lattice.first_row(start_mm, origin_mm) as f64;
            let edge_mm = lattice.origin_mm + row * lattice.pitch_mm;
            assert!((edge_mm - start_mm - origin_mm).abs() < 1e-6, "{start_mm}");
        }
    }
}
