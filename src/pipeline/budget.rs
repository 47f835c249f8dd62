//! Uncertainties of a piece beside those of volume and density, and what they are made of.

use super::piece::Method;
use crate::measure::{ExtentBudget, ShareBudget};
use crate::tables::{BudgetPart, PieceRecord};

/// Uncertainties of area, length and width.
pub fn put_extent(record: &mut PieceRecord, budget: &ExtentBudget) {
    let combined = budget.combined();
    record.area_u_cm2 = Some(combined.area_mm2 / 100.0);
    record.length_u_mm = Some(combined.length_mm);
    record.width_u_mm = Some(combined.width_mm);
    for (source, part) in budget.parts() {
        let out = part_of(&mut record.budget, source);
        out.area_u_cm2 = part.area_mm2 / 100.0;
        out.length_u_mm = part.length_mm;
        out.width_u_mm = part.width_mm;
    }
}

/// Uncertainty of the fat fraction, and what it means for the mass.
///
/// Fat's volume goes with its share of the surface; where fat takes the place of the rest, the mass changes by the difference of their
/// densities: `u(m) = scale·|ρ_fat − ρ_rest|·V_fat·u(f)/f`.
pub fn put_fat(record: &mut PieceRecord, budget: &ShareBudget, fat: usize, method: &Method<'_>) {
    let u = budget.combined();
    record.fat_u_fraction = Some(u);
    for (source, part) in budget.parts() {
        part_of(&mut record.budget, source).fat_u_fraction = part;
    }
    let volume = |index: usize| {
        let share = record.classes.get(index);
        share.and_then(|share| share.volume_cm3).unwrap_or(0.0)
    };
    let (mut rest_cm3, mut rest_weighted) = (0.0, 0.0);
    for (index, density) in method.densities_kg_m3.iter().enumerate() {
        if index != fat {
            rest_cm3 += volume(index);
            rest_weighted += volume(index) * density;
        }
    }
    let (Some(share), Some(own)) = (record.fat_fraction, method.densities_kg_m3.get(fat)) else {
        return;
    };
    if rest_cm3 <= 0.0 || share <= 0.0 {
        return;
    }
    let apart_g_cm3 = (own - rest_weighted / rest_cm3).abs() / 1000.0;
    let mass_u_g = method.product.weight.scale * apart_g_cm3 * volume(fat) * u / share;
    part_of(&mut record.budget, "shares").mass_u_g = mass_u_g;
    record.mass_u_g = record.mass_u_g.hypot(mass_u_g);
}

/// The entry of this source, made if there is none.
fn part_of<'a>(budget: &'a mut Vec<BudgetPart>, source: &str) -> &'a mut BudgetPart {
    let at = budget
        .iter()
        .position(|part| part.source == source)
        .unwrap_or_else(|| {
            budget.push(BudgetPart {
                source: source.to_string(),
                ..BudgetPart::default()
            });
            budget.len() - 1
        });
    &mut budget[at]
}
