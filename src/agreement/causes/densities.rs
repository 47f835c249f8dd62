//! The densities a piece table was made with, found from the table itself.

use nalgebra::DMatrix;

use crate::stats::least_squares;
use crate::tables::PieceRecord;

/// What turns class volumes into the masses of a table.
#[derive(Debug, Clone, PartialEq)]
pub struct ImpliedDensities {
    /// Classes in the table's order, each with its density times the profile's scale, g/cm³.
    pub g_cm3: Vec<(String, f64)>,
    /// The profile's offset, g; 0 where none is needed.
    pub offset_g: f64,
}

/// Largest misfit at which a table counts as made by one set of densities, relative to the mean mass: masses are written to 0.01 g and
/// volumes to 0.001 cm³, which is far less.
const MISFIT: f64 = 5e-4;

/// Recovers densities and offset from `mass = Σ ρᵢ·Vᵢ + offset`, which holds exactly in a table measured by one profile at one temperature.
///
/// `None` where pieces carry no class volumes, the classes' shares do not vary enough to part them, or masses do not follow any such set.
#[must_use]
pub fn implied_densities<'a>(
    records: impl IntoIterator<Item = &'a PieceRecord>,
) -> Option<ImpliedDensities> {
    let records: Vec<&PieceRecord> = records.into_iter().collect();
    let first = records.first()?;
    let classes: Vec<String> = first.classes.iter().map(|it| it.class.clone()).collect();
    // Classes without volume have no density to find.
    let volume = |record: &PieceRecord, class: &String| {
        let share = record.classes.iter().find(|it| it.class == *class)?;
        share.volume_cm3.filter(|it| it.is_finite())
    };
    let held: Vec<&String> = classes
        .iter()
        .filter(|class| {
            records
                .iter()
                .any(|it| volume(it, class).is_some_and(|v| v > 0.0))
        })
        .collect();
    if held.is_empty() {
        return None;
    }
    let rows: Vec<(Vec<f64>, f64)> = records
        .iter()
        .filter_map(|record| {
            let volumes: Option<Vec<f64>> =
                held.iter().map(|class| volume(record, class)).collect();
            Some((volumes?, record.mass_g)).filter(|(_, mass_g)| mass_g.is_finite())
        })
        .collect();
    let masses: Vec<f64> = rows.iter().map(|row| row.1).collect();
    let mean_g = masses.iter().sum::<f64>() / masses.len().max(1) as f64;
    let fit = |offset: bool| {
        let columns = held.len() + usize::from(offset);
        let design = DMatrix::from_fn(rows.len(), columns, |i, j| {
            rows[i].0.get(j).copied().unwrap_or(1.0)
        });
        least_squares(&design, &masses).filter(|fit| fit.residual_sd <= MISFIT * mean_g)
    };
    let found = fit(false).or_else(|| fit(true))?;
    Some(ImpliedDensities {
        offset_g: found.coefficients.get(held.len()).copied().unwrap_or(0.0),
        g_cm3: held
            .into_iter()
            .cloned()
            .zip(found.coefficients.iter().copied())
            .collect(),
    })
}
