//! What pieces come to together.

use super::record::PieceRecord;

/// Sums over pieces.
///
/// Density and calibration are shared by all pieces, so their uncertainties add and do not average out. Adding all of it is the
/// upper bound, whatever the share (JCGM 100:2008, 5.2.2 with correlations of 1).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Totals {
    /// Pieces.
    pub pieces: usize,
    /// Pieces that bear a flag of the spec.
    pub outside_spec: usize,
    /// Mass of all, g.
    pub mass_g: f64,
    /// Its standard uncertainty at most, g.
    pub mass_u_g: f64,
    /// Fat share of the top surface of all together; `None` where none has one.
    pub fat_fraction: Option<f64>,
    /// Its standard uncertainty at most; `None` where that of a piece is not known.
    pub fat_u_fraction: Option<f64>,
}

impl Totals {
    /// Of these pieces.
    pub fn of<'a>(pieces: impl IntoIterator<Item = &'a PieceRecord>) -> Self {
        let mut totals = Self {
            pieces: 0,
            outside_spec: 0,
            mass_g: 0.0,
            mass_u_g: 0.0,
            fat_fraction: None,
            fat_u_fraction: None,
        };
        let (mut area_cm2, mut fat_cm2, mut fat_u_cm2) = (0.0, 0.0, Some(0.0));
        for piece in pieces {
            totals.pieces += 1;
            let outside = piece.flags.iter().any(|it| it.name().starts_with("spec-"));
            totals.outside_spec += usize::from(outside);
            totals.mass_g += piece.mass_g;
            totals.mass_u_g += piece.mass_u_g;
            if let Some(fat) = piece.fat_fraction {
                area_cm2 += piece.area_cm2;
                fat_cm2 += fat * piece.area_cm2;
                fat_u_cm2 = fat_u_cm2
                    .zip(piece.fat_u_fraction)
                    .map(|(sum, u)| sum + u * piece.area_cm2);
            }
        }
        if area_cm2 > 0.0 {
            totals.fat_fraction = Some(fat_cm2 / area_cm2);
            totals.fat_u_fraction = fat_u_cm2.map(|u| u / area_cm2);
        }
        totals
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::tables::Flag;
    use crate::tables::table::samples;

    #[test]
    fn masses_and_uncertainties_add_and_fat_is_weighted_by_area() {
        let mut pieces = [samples::piece(1), samples::piece(2)];
        for (piece, (mass_g, area_cm2, fat)) in pieces
            .iter_mut()
            .zip([(100.0, 30.0, 0.2), (50.0, 10.0, 0.6)])
        {
            piece.mass_g = mass_g;
            piece.mass_u_g = 0.01 * mass_g;
            piece.area_cm2 = area_cm2;
            piece.fat_fraction = Some(fat);
            piece.fat_u_fraction = Some(0.1 * fat);
            piece.flags.clear();
        }
        pieces[1].flags = vec![Flag::Edge, Flag::SpecMass, Flag::SpecFat];
        let totals = Totals::of(&pieces);
        assert_eq!((totals.pieces, totals.outside_spec), (2, 1));
        assert!((totals.mass_g - 150.0).abs() < 1e-12 && (totals.mass_u_g - 1.5).abs() < 1e-12);
        assert!((totals.fat_fraction.unwrap() - 0.3).abs() < 1e-12);
        assert!((totals.fat_u_fraction.unwrap() - 0.03).abs() < 1e-12);
        pieces[0].fat_u_fraction = None;
        assert_eq!(Totals::of(&pieces).fat_u_fraction, None);
        assert_eq!(Totals::of([]).fat_fraction, None);
    }
}
