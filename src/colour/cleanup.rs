//! Clean-up of a piece's class raster: specular highlights, then specks.
//!
//! Both work on the raster of one piece's window, where [`NO_CLASS`] marks cells outside the piece. Both take time in
//! proportion to the number of cells, and neither depends on anything but the raster: ties go to the lower class.

use std::cmp::Reverse;
use std::collections::BinaryHeap;

use ndarray::Array2;

use super::patches::{Patch, patches};
use crate::{Error, ErrorKind, Result};

/// A cell without a class: outside the piece.
pub const NO_CLASS: u8 = 255;

/// Largest highlight that is filled from its surroundings, mm²: a blob of about 11 mm across. Wet surfaces under diffuse
/// light show smaller ones (common practice, no source); a larger saturated area is a matter of exposure and is left.
pub const HIGHLIGHT_MAX_AREA_MM2: f64 = 100.0;

/// What was done about highlights.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Highlights {
    /// Blobs that took the class around them.
    pub filled_blobs: usize,
    /// Cells of those blobs, halo included.
    pub filled_cells: usize,
    /// Blobs left as they are: too large, or with nothing usable around them.
    pub left_blobs: usize,
    /// Saturated cells of those blobs.
    pub left_cells: usize,
}

/// What was done about specks.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct RecolouredSpecks {
    /// Specks that took the class around them.
    pub specks: usize,
    /// Cells of the raster whose class is now another.
    pub cells: usize,
}

/// Gives small saturated blobs the class around them.
///
/// A blob is a set of saturated cells of the piece, joined over edges or corners. Blobs of up to `max_area_mm2`, with a halo
/// of one cell, take the most frequent class of the next ring of cells; cells that are saturated, or in any such blob's halo,
/// have no vote. Larger blobs, and those whose ring has no vote, are left and counted.
///
/// # Errors
/// The two rasters are not of the same size.
pub fn fill_highlights(
    class: &mut Array2<u8>,
    saturated: &Array2<bool>,
    cell_area_mm2: f64,
    max_area_mm2: f64,
) -> Result<Highlights> {
    if class.dim() != saturated.dim() {
        return Err(Error::new(
            ErrorKind::Mismatch,
            format!("saturation of {:?} cells", saturated.dim()),
        )
        .expected(format!("{:?}, as the classes", class.dim())));
    }
    let window = Window::of(class);
    let (Some(classes), Some(saturated)) = (class.as_slice(), saturated.as_slice()) else {
        return Ok(Highlights::default());
    };
    let lit = saturated.iter().zip(classes);
    let mut marks: Vec<u8> = lit
        .map(|(&lit, &class)| {
            if lit & (class != NO_CLASS) {
                LIT | OPEN
            } else {
                0
            }
        })
        .collect();
    let blobs = window.blobs(&mut marks);
    if blobs.is_empty() {
        return Ok(Highlights::default());
    }
    let small = |blob: &&Vec<usize>| blob.len() as f64 * cell_area_mm2 <= max_area_mm2;
    for blob in blobs.iter().filter(small) {
        for &cell in blob {
            window.around(cell, |next| marks[next] |= VOTELESS);
        }
    }

    let mut result = Highlights::default();
    // Blobs are judged by the classes as they were, so that their order does not matter.
    let mut filled: Vec<(Vec<usize>, u8)> = Vec::new();
    let mut ring: Vec<usize> = Vec::new();
    for blob in &blobs {
        let mut region = blob.clone();
        let mut votes = [0_usize; 256];
        if small(&blob) {
            ring.clear();
            blob.iter().for_each(|&cell| marks[cell] |= MET);
            for &cell in blob {
                window.around(cell, |next| {
                    if marks[next] & (MET | LIT) == 0 && classes[next] != NO_CLASS {
                        marks[next] |= MET;
                        region.push(next);
                    }
                });
            }
            for &cell in &region {
                window.around(cell, |next| {
                    if marks[next] & MET == 0 {
                        let has_vote = marks[next] & (VOTELESS | LIT) == 0;
                        votes[usize::from(classes[next])] += usize::from(has_vote);
                        marks[next] |= MET;
                        ring.push(next);
                    }
                });
            }
            let met = region.iter().chain(&ring);
            met.for_each(|&cell| marks[cell] &= !MET);
        }
        match majority(&votes) {
            Some(winner) => {
                result.filled_blobs += 1;
                result.filled_cells += region.len();
                filled.push((region, winner));
            }
            None => {
                result.left_blobs += 1;
                result.left_cells += blob.len();
            }
        }
    }
    let after = class.as_slice_mut().unwrap_or_default();
    for (region, winner) in filled {
        region.into_iter().for_each(|cell| after[cell] = winner);
    }
    Ok(result)
}

/// A saturated cell of the piece.
const LIT: u8 = 1;
/// One that belongs to no blob yet.
const OPEN: u8 = 2;
/// Saturated, or beside a small blob.
const VOTELESS: u8 = 4;
/// Looked at for the blob in hand.
const MET: u8 = 8;

/// Gives class patches below `min_area_mm2` the class around them.
///
/// A patch is a set of cells of one class, joined over edges or corners. The smallest goes first (of equals the one whose first
/// cell comes first, row by row), takes the most frequent class among the cells that touch it, and becomes part of
/// the patches of that class that it touches. A patch that touches no other class stays.
pub fn remove_specks(
    class: &mut Array2<u8>,
    cell_area_mm2: f64,
    min_area_mm2: f64,
) -> RecolouredSpecks {
    let window = Window::of(class);
    let is_small = |cells: usize| (cells as f64) * cell_area_mm2 < min_area_mm2;
    let (runs, mut patches) = patches(class);
    let mut queue: BinaryHeap<Reverse<(usize, usize, usize)>> = patches
        .iter()
        .enumerate()
        .filter(|(_, patch)| is_small(patch.cells))
        .map(|(number, patch)| Reverse((patch.cells, patch.first_cell, number)))
        .collect();
    let mut result = RecolouredSpecks::default();
    let Some(cells) = class.as_slice_mut().filter(|_| !queue.is_empty()) else {
        return result;
    };
    // Cells are listed for small patches only: what joins a large one needs no second look.
    let mut cells_of: Vec<Vec<usize>> = vec![Vec::new(); patches.len()];
    for run in &runs {
        if is_small(patches[run.patch as usize].cells) {
            cells_of[run.patch as usize].extend(run.first..run.end);
        }
    }
    let small: Vec<usize> = queue.iter().map(|Reverse(entry)| entry.2).collect();
    // The small patches that a small patch is made of; and where a patch went that was joined to another.
    let mut members: Vec<Vec<usize>> = vec![Vec::new(); patches.len()];
    for &patch in &small {
        members[patch].push(patch);
    }
    let mut joined_to: Vec<usize> = (0..patches.len()).collect();
    let patch_at = |cell: usize| {
        let run = runs.partition_point(|run| run.end <= cell);
        runs.get(run).filter(|run| run.first <= cell)
    };
    let mut touching: Vec<usize> = Vec::new();

    while let Some(Reverse((size, _, patch))) = queue.pop() {
        // An entry is out of date when its patch was joined to another or has grown since.
        if joined_to[patch] != patch || patches[patch].cells != size {
            continue;
        }
        let mut votes = [0_usize; 256];
        let mut neighbours = Vec::new();
        touching.clear();
        for &cell in members[patch].iter().flat_map(|&member| &cells_of[member]) {
            window.around(cell, |next| touching.push(next));
        }
        touching.sort_unstable();
        touching.dedup();
        for run in touching.iter().filter_map(|&cell| patch_at(cell)) {
            let neighbour = root(&mut joined_to, run.patch as usize);
            if neighbour != patch {
                votes[usize::from(patches[neighbour].class)] += 1;
                neighbours.push(neighbour);
            }
        }
        let Some(winner) = majority(&votes) else {
            continue;
        };
        result.specks += 1;
        patches[patch].class = winner;
        neighbours.sort_unstable();
        neighbours.dedup();
        let mut whole = patch;
        for neighbour in neighbours {
            if patches[neighbour].class == winner {
                whole = join(&mut patches, &mut joined_to, &mut members, whole, neighbour);
            }
        }
        patches[whole].class = winner;
        if is_small(patches[whole].cells) {
            queue.push(Reverse((
                patches[whole].cells,
                patches[whole].first_cell,
                whole,
            )));
        }
    }

    for patch in small {
        let winner = patches[root(&mut joined_to, patch)].class;
        for &cell in &cells_of[patch] {
            result.cells += usize::from(cells[cell] != winner);
            cells[cell] = winner;
        }
    }
    result
}

/// Joins two patches, the smaller into the larger, and returns the one that stands.
fn join(
    patches: &mut [Patch],
    joined_to: &mut [usize],
    members: &mut [Vec<usize>],
    one: usize,
    other: usize,
) -> usize {
    let (large, small) = if patches[one].cells >= patches[other].cells {
        (one, other)
    } else {
        (other, one)
    };
    let moved = std::mem::take(&mut members[small]);
    members[large].extend(moved);
    joined_to[small] = large;
    patches[large].cells += patches[small].cells;
    patches[large].first_cell = patches[large].first_cell.min(patches[small].first_cell);
    large
}

/// The standing patch that a patch became part of, shortening the way for the next time.
fn root(joined_to: &mut [usize], patch: usize) -> usize {
    let mut place = patch;
    while joined_to[place] != place {
        joined_to[place] = joined_to[joined_to[place]];
        place = joined_to[place];
    }
    place
}

/// The class with most votes, of equals the lower; `None` without votes. Cells outside the piece do not vote.
fn majority(votes: &[usize; 256]) -> Option<u8> {
    let (class, &most) = votes[..usize::from(NO_CLASS)]
        .iter()
        .enumerate()
        .max_by_key(|&(class, &count)| (count, Reverse(class)))?;
    (most > 0).then_some(class as u8)
}

/// Neighbourhoods on a raster stored row by row.
#[derive(Clone, Copy)]
struct Window {
    rows: usize,
    columns: usize,
}

impl Window {
    fn of(raster: &Array2<u8>) -> Self {
        let (rows, columns) = raster.dim();
        Self { rows, columns }
    }

    /// Calls `visit` with each of the up to eight cells around one.
    fn around(self, cell: usize, mut visit: impl FnMut(usize)) {
        let (row, column) = (cell / self.columns, cell % self.columns);
        for r in row.saturating_sub(1)..=(row + 1).min(self.rows - 1) {
            for c in column.saturating_sub(1)..=(column + 1).min(self.columns - 1) {
                let next = r * self.columns + c;
                if next != cell {
                    visit(next);
                }
            }
        }
    }

    /// Blobs of cells marked [`OPEN`], joined over edges or corners, ordered by their first cell, which is each blob's first
    /// entry. Takes the mark off.
    fn blobs(self, marks: &mut [u8]) -> Vec<Vec<usize>> {
        const BLOCK: usize = 64;
        let mut blobs = Vec::new();
        for first in (0..marks.len()).step_by(BLOCK) {
            let block = first..(first + BLOCK).min(marks.len());
            if marks[block.clone()].iter().fold(0, |any, &mark| any | mark) & OPEN == 0 {
                continue;
            }
            for start in block {
                if marks[start] & OPEN == 0 {
                    continue;
                }
                marks[start] &= !OPEN;
                let mut blob = vec![start];
                let mut done = 0;
                while let Some(&cell) = blob.get(done) {
                    done += 1;
                    self.around(cell, |next| {
                        if marks[next] & OPEN != 0 {
                            marks[next] &= !OPEN;
                            blob.push(next);
                        }
                    });
                }
                blobs.push(blob);
            }
        }
        blobs
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// One digit a cell, `.` outside the piece.
    fn raster(text: &str) -> Array2<u8> {
        let lines: Vec<&str> = text.split_whitespace().collect();
        Array2::from_shape_fn((lines.len(), lines[0].len()), |(row, column)| {
            match lines[row].as_bytes()[column] {
                b'.' => NO_CLASS,
                digit => digit - b'0',
            }
        })
    }

    fn lit(text: &str) -> Array2<bool> {
        raster(text).mapv(|mark| mark == 1)
    }

    #[track_caller]
    fn check_specks(before: &str, min_cells: f64, after: &str) {
        let mut class = raster(before);
        remove_specks(&mut class, 1.0, min_cells);
        assert_eq!(class, raster(after));
    }

    #[test]
    fn a_speck_takes_the_class_around_it() {
        check_specks("1111 1011 1111", 2.0, "1111 1111 1111");
        check_specks("1111 1001 1111", 2.0, "1111 1001 1111");
        check_specks("1111 1011 1111", 0.0, "1111 1011 1111");
        check_specks("1111 1011 1111", 1.0, "1111 1011 1111");
    }

    #[test]
    fn cells_over_a_corner_are_one_patch() {
        check_specks("0111 1011 1101", 3.0, "0111 1011 1101");
    }

    #[test]
    fn what_lies_outside_has_no_vote_and_stays_outside() {
        check_specks(".... .01. .11. ....", 2.0, ".... .11. .11. ....");
        check_specks("... .0. ...", 9.0, "... .0. ...");
        check_specks("...", 9.0, "...");
    }

    #[test]
    fn the_smallest_goes_first_and_then_counts_with_what_it_joined() {
        // The single 2 joins the eight 1s around it, which are then nine cells and safe.
        check_specks(
            "00000 01110 01210 01110 00000",
            9.0,
            "00000 01110 01110 01110 00000",
        );
        // Ten are asked for: what has just been joined goes too.
        check_specks(
            "00000 01110 01210 01110 00000",
            10.0,
            "00000 00000 00000 00000 00000",
        );
    }

    #[test]
    fn ties_go_to_the_lower_class() {
        check_specks("0002111 0002111 0002111", 4.0, "0000111 0000111 0000111");
    }

    #[test]
    fn a_small_highlight_and_its_halo_take_the_class_of_the_ring() -> Result<()> {
        let mut class = raster("111111 122211 120211 122211 111111 000000");
        let saturated = lit("000000 000000 001000 000000 000000 000000");
        let result = fill_highlights(&mut class, &saturated, 0.16, 1.0)?;
        assert_eq!(class, raster("111111 111111 111111 111111 111111 000000"));
        assert_eq!(
            result,
            Highlights {
                filled_blobs: 1,
                filled_cells: 9,
                ..Highlights::default()
            }
        );
        Ok(())
    }

    #[test]
    fn a_large_highlight_is_left_and_counted() -> Result<()> {
        let mut class = raster("11111 10001 10001 11111");
        let before = class.clone();
        let saturated = lit("00000 01110 01110 00000");
        let result = fill_highlights(&mut class, &saturated, 1.0, 5.0)?;
        assert_eq!(class, before);
        assert_eq!((result.left_blobs, result.left_cells), (1, 6));
        assert_eq!(result.filled_blobs, 0);
        Ok(())
    }

    #[test]
    fn saturated_cells_outside_the_piece_are_none_of_its_business() -> Result<()> {
        let mut class = raster("..... .111. .....");
        let saturated = lit("11111 10001 11111");
        assert_eq!(
            fill_highlights(&mut class, &saturated, 1.0, 50.0)?,
            Highlights::default()
        );
        // A piece that is all highlight has nobody to ask.
        let all = lit("11111 11111 11111");
        let result = fill_highlights(&mut class, &all, 1.0, 50.0)?;
        assert_eq!((result.filled_blobs, result.left_cells), (0, 3));
        assert!(fill_highlights(&mut class, &lit("11 11"), 1.0, 50.0).is_err());
        Ok(())
    }

    /// `imageproc`'s labelling as the oracle: nothing below the limit is left, and areas of the patches agree.
    #[test]
    fn patches_are_those_of_imageproc() {
        use imageproc::region_labelling::{Connectivity, connected_components};
        let mut state = 7_u32;
        let (rows, columns) = (61_usize, 83_usize);
        let class = Array2::from_shape_fn((rows, columns), |_| {
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            match state >> 29 {
                0..=3 => 0,
                4..=5 => 1,
                6 => 2,
                _ => NO_CLASS,
            }
        });
        let areas_by_imageproc = |class: &Array2<u8>| {
            let image = image::GrayImage::from_fn(columns as u32, rows as u32, |x, y| {
                image::Luma([class[[y as usize, x as usize]]])
            });
            let labels = connected_components(&image, Connectivity::Eight, image::Luma([NO_CLASS]));
            let mut areas = std::collections::BTreeMap::new();
            for label in labels.pixels().map(|pixel| pixel.0[0]).filter(|&l| l > 0) {
                *areas.entry(label).or_insert(0_usize) += 1;
            }
            let mut areas: Vec<usize> = areas.into_values().collect();
            areas.sort_unstable();
            areas
        };
        let of_one_class = |class: &Array2<u8>| -> Vec<Vec<usize>> {
            let mark = |k: u8| move |&cell: &u8| if cell == k { OPEN } else { 0 };
            let marks = |k: u8| class.iter().map(mark(k)).collect::<Vec<u8>>();
            let patches = |k: u8| Window::of(class).blobs(&mut marks(k));
            (0..NO_CLASS).flat_map(patches).collect()
        };
        let mut ours: Vec<usize> = of_one_class(&class).iter().map(Vec::len).collect();
        ours.sort_unstable();
        assert_eq!(ours, areas_by_imageproc(&class));

        let mut cleaned = class.clone();
        let result = remove_specks(&mut cleaned, 1.0, 12.0);
        assert!(result.specks > 50 && result.cells >= result.specks / 2);
        let outside = |class: &Array2<u8>| class.mapv(|c| c == NO_CLASS);
        assert_eq!(outside(&cleaned), outside(&class));
        // What is still small touches no other class.
        let flat: Vec<u8> = cleaned.iter().copied().collect();
        let window = Window::of(&cleaned);
        for patch in of_one_class(&cleaned) {
            let mut alone = true;
            for &cell in &patch {
                window.around(cell, |next| {
                    alone &= flat[next] == NO_CLASS || flat[next] == flat[cell];
                });
            }
            assert!(patch.len() >= 12 || alone);
        }
    }
}
