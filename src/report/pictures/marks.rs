//! Marks on a map: hatching for what was not seen, outlines and numbers of pieces.

use image::Rgb;

use super::layout::{MapPlace, Sheet};
use super::lettering::{DARK, LIGHT};
use super::sampling::Ground;

const UNSEEN: Rgb<u8> = Rgb([150, 150, 150]);
const UNSEEN_LINE: Rgb<u8> = Rgb([176, 176, 176]);
const FILLED: Rgb<u8> = Rgb([112, 112, 112]);
// Okabe and Ito's vermilion (Color Universal Design, 2008): apart from every colour of the height scale.
const FILLED_LINE: Rgb<u8> = Rgb([235, 120, 40]);

/// Spacing of marks at a letter size, px.
pub(super) fn unit(text: f32) -> u32 {
    super::layout::round(text / 9.0).max(2)
}

/// A cell that was not seen: grey, faintly hatched falling to the right.
pub(super) fn unseen(x: u32, y: u32, unit: u32) -> Rgb<u8> {
    let period = 4 * unit;
    match (x + period - y % period) % period < unit {
        true => UNSEEN_LINE,
        false => UNSEEN,
    }
}

/// A cell that was reconstructed: hatched in orange, rising to the right.
pub(super) fn filled(x: u32, y: u32, unit: u32) -> Rgb<u8> {
    match (x + y) % (3 * unit) < unit {
        true => FILLED_LINE,
        false => FILLED,
    }
}

/// For each pixel of the map, the piece it shows (0 for none), row by row from the top.
pub(super) struct PieceMap {
    width: usize,
    height: usize,
    piece: Vec<u32>,
}

impl PieceMap {
    pub(super) fn new(
        map: MapPlace,
        ground: &Ground,
        rows: &[std::ops::Range<usize>],
        columns: &[std::ops::Range<usize>],
    ) -> Self {
        let mut piece = Vec::with_capacity(rows.len() * columns.len());
        for row in rows {
            for column in columns {
                let cell = (
                    usize::midpoint(row.start, row.end),
                    usize::midpoint(column.start, column.end),
                );
                piece.push(ground.piece.get(cell).copied().unwrap_or(0));
            }
        }
        Self {
            width: map.width as usize,
            height: map.height as usize,
            piece,
        }
    }

    fn at(&self, x: i64, y: i64) -> u32 {
        let (Ok(x), Ok(y)) = (usize::try_from(x), usize::try_from(y)) else {
            return 0;
        };
        if x >= self.width || y >= self.height {
            return 0;
        }
        self.piece[y * self.width + x]
    }

    /// Whether any pixel at `distance` in the eight directions shows another piece, or none.
    fn borders(&self, x: i64, y: i64, distance: i64, own: u32) -> bool {
        let d = distance;
        // Seven tenths of the distance both ways is the distance aslant.
        let a = (distance * 7 + 5) / 10;
        [
            (d, 0),
            (-d, 0),
            (0, d),
            (0, -d),
            (a, a),
            (a, -a),
            (-a, a),
            (-a, -a),
        ]
        .into_iter()
        .any(|(dx, dy)| self.at(x + dx, y + dy) != own)
    }
}

/// Draws each piece's outline: a light line inside its rim, a dark one outside, so that one of them always shows.
#[allow(clippy::cast_possible_wrap)] // Pixels of a map.
pub(super) fn outlines(sheet: &mut Sheet, pieces: &PieceMap, thick: i64) {
    let map = sheet.map;
    for y in 0..map.height {
        for x in 0..map.width {
            let (px, py) = (i64::from(x), i64::from(y));
            let own = pieces.at(px, py);
            let colour = if own == 0 {
                let near = (1..=thick).any(|d| pieces.borders(px, py, d, 0));
                near.then_some(DARK)
            } else if (1..=thick).any(|d| pieces.borders(px, py, d, own)) {
                Some(LIGHT)
            } else {
                pieces.borders(px, py, thick + 1, own).then_some(DARK)
            };
            if let Some(colour) = colour {
                sheet.picture.put_pixel(map.left + x, map.top + y, colour);
            }
        }
    }
}

/// Writes each piece's number where the piece is widest, near its middle. `numbers[i]` belongs to label `i + 1`.
pub(super) fn numbers(sheet: &mut Sheet, pieces: &PieceMap, numbers: &[u32]) {
    let anchors = anchors(pieces, numbers.len());
    let (map, text) = (sheet.map, sheet.text);
    for (anchor, number) in anchors.into_iter().zip(numbers) {
        let Some(anchor) = anchor else { continue };
        let label = number.to_string();
        let size = (1.1 * anchor.inside).clamp(0.8 * text, 1.7 * text);
        let half = sheet.lettering.width(&label, size) / 2.0 + 3.0;
        let (left, right) = (map.left as f32 + half, (map.left + map.width) as f32 - half);
        let (top, bottom) = (
            map.top as f32 + 0.6 * size,
            (map.top + map.height) as f32 - 0.6 * size,
        );
        let x = (map.left as f32 + anchor.x).min(right).max(left);
        let y = (map.top as f32 + anchor.y).min(bottom).max(top);
        sheet
            .lettering
            .draw_rimmed(&mut sheet.picture, x, y, size, &label);
    }
}

/// Where a number goes: px from the map's corner, and how far it is from there to the piece's rim.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Anchor {
    x: f32,
    y: f32,
    inside: f32,
}

fn anchors(pieces: &PieceMap, count: usize) -> Vec<Option<Anchor>> {
    let distance = rim_distance(pieces);
    let mut sums = vec![(0.0_f64, 0.0_f64, 0.0_f64); count];
    let labelled = |index: usize| {
        let label = pieces.piece[index] as usize;
        (1..=count).contains(&label).then(|| label - 1)
    };
    for index in 0..pieces.piece.len() {
        if let Some(at) = labelled(index) {
            sums[at].0 += (index % pieces.width) as f64;
            sums[at].1 += (index / pieces.width) as f64;
            sums[at].2 += 1.0;
        }
    }
    let mut best: Vec<Option<(f64, Anchor)>> = vec![None; count];
    for (index, &inside) in distance.iter().enumerate() {
        let Some(at) = labelled(index) else { continue };
        let (x, y) = ((index % pieces.width) as f64, (index / pieces.width) as f64);
        let inside = f64::from(inside) / 3.0;
        let (sum_x, sum_y, all) = sums[at];
        let off = (x - sum_x / all).hypot(y - sum_y / all);
        // Among places that are about equally wide, the one nearest the middle.
        let score = inside - 0.3 * off;
        if best[at].is_none_or(|(known, _)| score > known) {
            let anchor = Anchor {
                x: x as f32,
                y: y as f32,
                inside: inside as f32,
            };
            best[at] = Some((score, anchor));
        }
    }
    best.into_iter()
        .map(|found| found.map(|(_, anchor)| anchor))
        .collect()
}

/// Distance of every pixel from the nearest of another label, in thirds of a pixel: the 3–4 chamfer (Borgefors, 1986).
fn rim_distance(pieces: &PieceMap) -> Vec<u32> {
    let (width, height) = (pieces.width, pieces.height);
    let mut distance = vec![0_u32; pieces.piece.len()];
    let reach = |distance: &[u32], x: usize, y: usize, steps: [(i64, i64, u32); 4]| {
        let own = pieces.piece[y * width + x];
        let mut least = u32::MAX / 2;
        for (dx, dy, cost) in steps {
            let (Ok(nx), Ok(ny)) = (
                usize::try_from(x as i64 + dx),
                usize::try_from(y as i64 + dy),
            ) else {
                return cost.min(least);
            };
            let inside = nx < width && ny < height && pieces.piece[ny * width + nx] == own;
            let there = if inside { distance[ny * width + nx] } else { 0 };
            least = least.min(there + cost);
        }
        least
    };
    for y in 0..height {
        for x in 0..width {
            if pieces.piece[y * width + x] != 0 {
                let before = [(-1, 0, 3), (0, -1, 3), (-1, -1, 4), (1, -1, 4)];
                distance[y * width + x] = reach(&distance, x, y, before);
            }
        }
    }
    for y in (0..height).rev() {
        for x in (0..width).rev() {
            if pieces.piece[y * width + x] != 0 {
                let after = [(1, 0, 3), (0, 1, 3), (1, 1, 4), (-1, 1, 4)];
                let new = reach(&distance, x, y, after);
                let old = &mut distance[y * width + x];
                *old = new.min(*old);
            }
        }
    }
    distance
}

#[cfg(test)]
mod tests {
    use super::*;

    fn piece_map(picture: &str) -> PieceMap {
        let rows: Vec<&str> = picture.split_whitespace().collect();
        PieceMap {
            width: rows[0].len(),
            height: rows.len(),
            piece: rows
                .concat()
                .chars()
                .map(|c| c.to_digit(10).unwrap_or(0))
                .collect(),
        }
    }

    #[test]
    fn a_number_stands_inside_its_piece_where_it_is_widest() {
        // A sickle: its centroid lies outside it.
        let map = piece_map(
            "1111111111
             1111111111
             1111111111
             11........
             11........
             11........
             11........
             1111......",
        );
        let anchor = anchors(&map, 1)[0].unwrap();
        assert_eq!(anchor.y, 1.0);
        assert!((1.0..=7.0).contains(&anchor.x), "{anchor:?}");
    }

    #[test]
    fn touching_pieces_have_their_own_places_and_a_lost_piece_has_none() {
        let map = piece_map("111222 111222 111222");
        let found = anchors(&map, 3);
        assert_eq!((found[0].unwrap().x, found[0].unwrap().y), (1.0, 1.0));
        assert_eq!((found[1].unwrap().x, found[1].unwrap().y), (4.0, 1.0));
        assert_eq!(found[2], None);
    }
}
