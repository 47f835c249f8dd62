//! Masses as written.

use super::layout::{DecimalMark, MassUnit};
use crate::error::{Error, ErrorKind, Result};

/// A mass cell taken apart: digits with their marks, and a unit if one stands behind them.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Written<'a> {
    pub(super) digits: &'a str,
    pub(super) unit: Option<MassUnit>,
}

/// Takes a cell apart; `None` if it does not look like a number.
pub(super) fn written(cell: &str) -> Option<Written<'_>> {
    let cell = cell.trim().trim_start_matches('+').trim_start();
    let end = cell.rfind(|c: char| c.is_ascii_digit()).map(|at| at + 1)?;
    let (digits, rest) = cell.split_at(end);
    let rest = rest.trim();
    let unit = if rest.is_empty() {
        None
    } else {
        Some(MassUnit::of_sign(rest)?)
    };
    let fits = digits
        .char_indices()
        .all(|(at, c)| c.is_ascii_digit() || is_mark(c) || is_blank(c) || (at == 0 && c == '-'));
    fits.then_some(Written { digits, unit })
}

fn is_mark(c: char) -> bool {
    matches!(c, '.' | ',')
}

/// What groups thousands besides the marks.
fn is_blank(c: char) -> bool {
    matches!(c, ' ' | '\'' | '\u{a0}' | '\u{202f}' | '’')
}

/// The number, with this decimal mark; the other mark groups thousands.
pub(super) fn value(digits: &str, mark: DecimalMark) -> Option<f64> {
    let mut plain = String::with_capacity(digits.len());
    let (whole, fraction) = match digits.split_once(mark.sign()) {
        Some((whole, fraction)) => (whole, Some(fraction)),
        None => (digits, None),
    };
    // Groups have three digits; what has not is not a group but another mark.
    let mut groups = whole.split(|c| is_mark(c) || is_blank(c));
    plain.push_str(groups.next()?);
    for group in groups {
        if group.len() != 3 {
            return None;
        }
        plain.push_str(group);
    }
    if let Some(fraction) = fraction {
        if !fraction.bytes().all(|it| it.is_ascii_digit()) {
            return None;
        }
        plain.push('.');
        plain.push_str(fraction);
    }
    plain.parse().ok().filter(|it: &f64| it.is_finite())
}

/// The decimal mark that the cells are written with.
///
/// # Errors
/// The cells can be read with either mark; the option is named.
pub(super) fn decimal_mark<'a>(
    cells: impl Iterator<Item = &'a str> + Clone,
    column: &str,
) -> Result<DecimalMark> {
    let votes = |mark: DecimalMark, other: DecimalMark| {
        cells.clone().any(|cell| {
            // Readable this way and not the other, or a fraction that cannot be a group of thousands.
            value(cell, mark).is_some() && value(cell, other).is_none()
                || starts_with_zero(cell, mark)
        })
    };
    let point = votes(DecimalMark::Point, DecimalMark::Comma);
    let comma = votes(DecimalMark::Comma, DecimalMark::Point);
    match (point, comma) {
        (true, false) => return Ok(DecimalMark::Point),
        (false, true) => return Ok(DecimalMark::Comma),
        (false, false) => {}
        (true, true) => {
            return Err(Error::new(
                ErrorKind::Document,
                "some masses have a decimal point, others a decimal comma",
            )
            .key(column)
            .expected("give --decimal point or --decimal comma; the others count as unreadable"));
        }
    }
    // Only three digits behind every mark, or no mark at all.
    let marked = |sign: char| cells.clone().filter(|cell| cell.contains(sign)).count();
    let (points, commas, all) = (marked('.'), marked(','), cells.clone().count());
    if points == 0 && commas == 0 {
        return Ok(DecimalMark::Point);
    }
    // A fixed number of decimals in every cell; groups of thousands are missing in small numbers.
    if points == all && commas == 0 {
        return Ok(DecimalMark::Point);
    }
    if commas == all && points == 0 {
        return Ok(DecimalMark::Comma);
    }
    let example = cells
        .clone()
        .find(|cell| cell.contains(['.', ',']))
        .unwrap_or_default();
    Err(Error::new(
        ErrorKind::Document,
        format!("“{example}” can be thousands or a fraction"),
    )
    .key(column)
    .expected("give --decimal point or --decimal comma"))
}

/// `0.182` is no group of thousands.
fn starts_with_zero(cell: &str, mark: DecimalMark) -> bool {
    cell.trim_start_matches('-')
        .split_once(mark.sign())
        .is_some_and(|(whole, _)| whole == "0")
}

/// A unit in a column's name: `mass_g`, `Weight (kg)`, `Gewicht [g]`.
pub(super) fn unit_in_name(name: &str) -> Option<MassUnit> {
    let name = name.trim();
    if let Some(inner) = name.strip_suffix([')', ']'])
        && let Some(at) = inner.rfind(['(', '['])
    {
        return MassUnit::of_sign(inner[at + 1..].trim());
    }
    let at = name.rfind(['_', ' ', '/'])?;
    MassUnit::of_sign(&name[at + 1..])
}

#[cfg(test)]
mod tests {
    use super::*;

    fn mark(cells: &[&str]) -> Result<DecimalMark> {
        decimal_mark(cells.iter().copied(), "mass")
    }

    #[test]
    fn numbers_are_read_with_either_mark_and_with_groups() {
        assert_eq!(value("182.5", DecimalMark::Point), Some(182.5));
        assert_eq!(value("182,5", DecimalMark::Comma), Some(182.5));
        assert_eq!(value("1.182,5", DecimalMark::Comma), Some(1182.5));
        assert_eq!(value("1 182.25", DecimalMark::Point), Some(1182.25));
        assert_eq!(value("-3", DecimalMark::Point), Some(-3.0));
        assert_eq!(value("182,5", DecimalMark::Point), None);
        assert_eq!(value("1.2.3", DecimalMark::Point), None);
    }

    #[test]
    fn the_mark_follows_from_the_cells_or_is_asked_for() {
        assert_eq!(mark(&["182.5", "90"]).unwrap(), DecimalMark::Point);
        assert_eq!(mark(&["182,5", "90,25"]).unwrap(), DecimalMark::Comma);
        assert_eq!(mark(&["0,182", "1,250"]).unwrap(), DecimalMark::Comma);
        assert_eq!(mark(&["1.250", "1.311"]).unwrap(), DecimalMark::Point);
        assert_eq!(mark(&["182", "90"]).unwrap(), DecimalMark::Point);
        let error = mark(&["1,250", "980"]).unwrap_err().to_string();
        assert!(error.contains("--decimal"), "{error}");
        let error = mark(&["182,5", "182.5"]).unwrap_err().to_string();
        assert!(error.contains("others a decimal comma"), "{error}");
    }

    #[test]
    fn a_unit_is_seen_in_cells_and_names() {
        assert_eq!(
            written(" 182.5 g "),
            Some(Written {
                digits: "182.5",
                unit: Some(MassUnit::Gram)
            })
        );
        assert_eq!(written("OVER"), None);
        assert_eq!(written("182.5 mm"), None);
        for (name, unit) in [
            ("mass_g", Some(MassUnit::Gram)),
            ("Weight (kg)", Some(MassUnit::Kilogram)),
            ("Gewicht [g]", Some(MassUnit::Gram)),
            ("net lb", Some(MassUnit::Pound)),
            ("weight", None),
        ] {
            assert_eq!(unit_in_name(name), unit, "{name}");
        }
    }
}
