//! The rim of a piece, whose colours are mixed with what lies beside it.

use std::cmp::Reverse;

use ndarray::Array2;

use super::spans::{row_of, spans};
use crate::colour::NO_CLASS;

/// Gives the cells of the outermost `depth` rings of a piece the class of what lies inside them, and tells which they are.
///
/// A rim cell's colour is mixed with that of the belt or a neighbour, and may match any class. Ring by ring from the
/// inside out, a cell takes the most frequent class among those neighbours that lie further in (over a side 2 votes,
/// over a corner 1; of equals the first class). Cells that have none further in keep their class.
pub fn settle_rim(class: &mut Array2<u8>, covered: &Array2<bool>, depth: usize) -> Array2<bool> {
    let size = class.dim();
    let mut ring_of = Array2::from_elem(size, 0_u8);
    let mut rings: Vec<Vec<(usize, usize)>> = vec![outermost(covered)];
    for &at in &rings[0] {
        ring_of[at] = 1;
    }
    for ring in 2..=depth {
        let mut next = Vec::new();
        for &at in rings.last().into_iter().flatten() {
            around(at, size, |at| {
                if covered[at] && ring_of[at] == 0 {
                    ring_of[at] = ring as u8;
                    next.push(at);
                }
            });
        }
        rings.push(next);
    }
    for (index, cells) in rings.iter().enumerate().rev() {
        let ring = index + 1;
        for &own in cells {
            // Of at most eight classes about a cell, each with its votes.
            let mut votes = [(NO_CLASS, 0_u8); 8];
            let mut classes = 0;
            around(own, size, |at| {
                let further_in = ring_of[at] == 0 || usize::from(ring_of[at]) > ring;
                let of = class[at];
                if further_in && covered[at] && of != NO_CLASS {
                    let vote = 1 + u8::from(at.0 == own.0 || at.1 == own.1);
                    let known = votes[..classes].iter().position(|known| known.0 == of);
                    let place = known.unwrap_or(classes);
                    classes = classes.max(place + 1);
                    votes[place] = (of, votes[place].1 + vote);
                }
            });
            let best = votes[..classes]
                .iter()
                .max_by_key(|(of, votes)| (*votes, Reverse(*of)));
            if let Some(&(best, _)) = best {
                class[own] = best;
            }
        }
    }
    ring_of.mapv(|ring| ring > 0)
}

/// Calls `visit` with a cell and those over its sides and corners, row by row.
fn around(
    (row, column): (usize, usize),
    (rows, columns): (usize, usize),
    mut visit: impl FnMut((usize, usize)),
) {
    for near_row in row.saturating_sub(1)..(row + 2).min(rows) {
        for near_column in column.saturating_sub(1)..(column + 2).min(columns) {
            visit((near_row, near_column));
        }
    }
}

/// Covered cells with a side to an uncovered one or to the window's end, row by row.
fn outermost(covered: &Array2<bool>) -> Vec<(usize, usize)> {
    const BLOCK: usize = 32;
    let (rows, columns) = covered.dim();
    let outside = vec![false; columns];
    let mut found = Vec::new();
    // With a cell outside at either end.
    let mut own = vec![false; columns + 2];
    for (row, span) in spans(covered) {
        let beside = |row: Option<usize>| match row.filter(|&row| row < rows) {
            Some(row) => row_of(covered, row, &span),
            None => &outside[span.clone()],
        };
        let (above, below) = (beside(row.checked_sub(1)), beside(Some(row + 1)));
        // Nothing of the row is covered before its span or after it.
        let own = &mut own[..span.len() + 2];
        own[span.len() + 1] = false;
        own[1..=span.len()].copy_from_slice(row_of(covered, row, &span));
        let own = &*own;
        let (left, middle, right) = (own, &own[1..], &own[2..]);
        for first in (0..span.len()).step_by(BLOCK) {
            let block = first..(first + BLOCK).min(span.len());
            let mut flags = [false; BLOCK];
            let sides = left[block.clone()].iter().zip(&right[block.clone()]);
            let sides = sides.zip(above[block.clone()].iter().zip(&below[block.clone()]));
            for ((flag, &own), ((left, right), (above, below))) in
                flags.iter_mut().zip(&middle[block]).zip(sides)
            {
                *flag = own & !(left & right & above & below);
            }
            if flags.iter().fold(false, |any, &flag| any | flag) {
                let rim = flags.iter().enumerate().filter(|(_, flag)| **flag);
                found.extend(rim.map(|(within, _)| (row, span.start + first + within)));
            }
        }
    }
    found
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_rim_takes_the_class_inside_it() {
        let mut covered = Array2::from_elem((12, 12), false);
        covered.slice_mut(ndarray::s![2..10, 2..10]).fill(true);
        let inner = |at: usize| (4..8).contains(&at);
        let mut class = Array2::from_shape_fn((12, 12), |(r, c)| match covered[(r, c)] {
            false => NO_CLASS,
            true => u8::from(inner(r) && inner(c)),
        });
        let rim = settle_rim(&mut class, &covered, 2);
        assert_eq!(rim.iter().filter(|&&rim| rim).count(), 64 - 16);
        assert!(class.iter().all(|&k| k == 1 || k == NO_CLASS));
    }
}
