//! The same piece in two tables, by where it lies.

use kiddo::{ImmutableKdTree, SquaredEuclidean};

use crate::error::{Error, ErrorKind, Result};
use crate::tables::PieceRecord;

/// Two places are of one piece when they are nearer than this share of the smaller one's width: centroids of pieces side by side
/// are a whole width apart (common practice, no source).
const NEAR_WIDTHS: f64 = 0.5;

/// Indices of pieces that are each other's nearest and near enough, in the order of `before`.
pub(super) fn pairs(before: &[PieceRecord], after: &[PieceRecord]) -> Result<Vec<(usize, usize)>> {
    if before.is_empty() || after.is_empty() {
        return Ok(Vec::new());
    }
    let there = nearest(before, after)?;
    let back = nearest(after, before)?;
    let mutual = there.into_iter().enumerate().filter(|(one, other)| {
        let (a, b) = (&before[*one], &after[*other]);
        let off_mm = (a.x_mm - b.x_mm).hypot(a.y_mm - b.y_mm);
        back[*other] == *one && off_mm <= NEAR_WIDTHS * a.width_mm.min(b.width_mm)
    });
    Ok(mutual.collect())
}

/// For each piece of `from` the nearest of `to`, which is not empty.
fn nearest(from: &[PieceRecord], to: &[PieceRecord]) -> Result<Vec<usize>> {
    let place = |piece: &PieceRecord| [piece.x_mm, piece.y_mm];
    let points: Vec<[f64; 2]> = to.iter().map(place).collect();
    let tree = ImmutableKdTree::<f64, 2>::new_from_slice(&points).map_err(|e| {
        Error::new(
            ErrorKind::Mismatch,
            format!("the pieces cannot be searched by place: {e}"),
        )
    })?;
    let found = from.iter().map(|piece| {
        let query = place(piece);
        let near = tree
            .query(&query)
            .nearest_one::<SquaredEuclidean<f64>>()
            .execute();
        near.item as usize
    });
    Ok(found.collect())
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::tables::read_csv;

    /// A piece 60 mm wide at a place.
    fn piece(number: usize, x_mm: f64, y_mm: f64) -> PieceRecord {
        let header = "recording,scan,piece,lane,time,x_mm,y_mm,yaw_mrad,length_mm,width_mm,max_height_mm,mean_height_mm,area_cm2,\
             surface_cm2,perimeter_mm,volume_cm3,volume_u_cm3,fat_fraction,fat_volume_fraction,fat_mass_fraction,mass_g,mass_u_g,\
             filled_fraction,flags";
        let text = format!(
            "{header}\nr,s,{number},,,{x_mm},{y_mm},0,100,60,20,15,50,60,300,75,1,,,,80,1,0,\n"
        );
        read_csv(text.as_bytes()).unwrap().remove(0)
    }

    #[test]
    fn a_piece_that_was_parted_keeps_one_partner_and_the_rest_is_new() {
        let before = [piece(1, 100.0, 100.0), piece(2, 400.0, 100.0)];
        let after = [
            piece(1, 90.0, 100.0),
            piece(2, 125.0, 100.0),
            piece(3, 400.0, 101.0),
        ];
        assert_eq!(pairs(&before, &after).unwrap(), [(0, 0), (1, 2)]);
    }

    #[test]
    fn what_lies_elsewhere_is_no_partner() {
        assert!(
            pairs(&[piece(1, 0.0, 0.0)], &[piece(1, 0.0, 31.0)])
                .unwrap()
                .is_empty()
        );
        assert!(pairs(&[], &[piece(1, 0.0, 31.0)]).unwrap().is_empty());
    }

    proptest! {
        #[test]
        fn shaken_pieces_are_found_again(
            shifts in prop::collection::vec((-9.0..9.0_f64, -9.0..9.0_f64), 1..40),
            turn in 0_usize..40,
        ) {
            // On a grid 80 mm wide, so that a shift of 13 mm at most leaves each nearest to itself.
            let place = |i: usize| ((i % 5) as f64 * 80.0, (i / 5) as f64 * 80.0);
            let before: Vec<_> = (0..shifts.len()).map(|i| piece(i, place(i).0, place(i).1)).collect();
            let mut after: Vec<_> = shifts
                .iter()
                .enumerate()
                .map(|(i, (dx, dy))| piece(i, place(i).0 + dx, place(i).1 + dy))
                .collect();
            let turn = turn % after.len();
            after.rotate_left(turn);
            let matched = pairs(&before, &after).unwrap();
            prop_assert_eq!(matched.len(), before.len());
            for (one, other) in matched {
                prop_assert_eq!(before[one].piece, after[other].piece);
            }
        }
    }
}
