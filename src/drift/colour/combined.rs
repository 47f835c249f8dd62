//! The colours of several target scans together.

use super::check::ColourOutcome;
use crate::calibration::{ColourCalibration, Registration};
use crate::error::{Error, ErrorKind, Result};

/// Registrations of scans that differ by more than this contradict each other, mm.
const MOST_APART_MM: f64 = 0.3;

/// One colour calibration and registration from the checks of several scans: means of the matrices, of the flat fields and
/// of the registrations.
///
/// # Errors
/// [`ErrorKind::Unmeasurable`] when a scan gives no matrix or no registration, when one tells the flat field and another
/// does not, or when registrations contradict each other.
pub fn combine_colours(outcomes: &[ColourOutcome]) -> Result<(ColourCalibration, Registration)> {
    let refuse = |found: String, expected: &str| {
        Err(Error::new(ErrorKind::Unmeasurable, found)
            .key("colour")
            .expected(expected))
    };
    let mut sum: Option<(ColourCalibration, Registration)> = None;
    let mut first = None;
    let share = 1.0 / outcomes.len().max(1) as f64;
    for outcome in outcomes {
        let (Some(colour), Some(place)) = (&outcome.calibration, &outcome.registration) else {
            let reasons = outcome.findings.join("; ");
            return refuse(
                format!("a scan tells no colour correction or registration: {reasons}"),
                "expected all patches in the colour frame and none saturated; leave --colour away to keep the baseline's",
            );
        };
        let before = *first.get_or_insert(*place);
        let apart_mm = (place.dx_mm - before.dx_mm).hypot(place.dy_mm - before.dy_mm);
        if apart_mm > MOST_APART_MM {
            return refuse(
                format!(
                    "the colour frame lies {apart_mm:.2} mm elsewhere in one scan than in another"
                ),
                "look for what moved between the scans",
            );
        }
        let (total, registration) = sum.get_or_insert_with(|| {
            let zero = ColourCalibration {
                matrix: [[0.0; 3]; 3],
                flat_field: colour.flat_field.clone().map(|c| vec![0.0; c.len()]),
            };
            (zero, Registration::default())
        });
        for channel in 0..3 {
            if total.flat_field[channel].len() != colour.flat_field[channel].len() {
                return refuse(
                    "one scan tells how evenly light falls across the belt, and another does not"
                        .to_owned(),
                    "expected scans with bare belt at both sides of the target",
                );
            }
            for (total, value) in total.flat_field[channel]
                .iter_mut()
                .zip(&colour.flat_field[channel])
            {
                *total += share * value;
            }
            for column in 0..3 {
                total.matrix[channel][column] += share * colour.matrix[channel][column];
            }
        }
        registration.dx_mm += share * place.dx_mm;
        registration.dy_mm += share * place.dy_mm;
    }
    match sum {
        Some(sum) => Ok(sum),
        None => refuse(
            "no scan with colour".to_owned(),
            "expected scans with a [colour] part",
        ),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn outcome(dx_mm: f64, diagonal: f64) -> ColourOutcome {
        ColourOutcome {
            check: None,
            findings: vec!["a reason".to_owned()],
            calibration: Some(ColourCalibration {
                matrix: [
                    [diagonal, 0.0, 0.0],
                    [0.0, diagonal, 0.0],
                    [0.0, 0.0, diagonal],
                ],
                flat_field: [0, 1, 2].map(|_| vec![0.9, diagonal]),
            }),
            registration: Some(Registration { dx_mm, dy_mm: -0.6 }),
        }
    }

    #[test]
    fn scans_are_averaged_unless_they_contradict_each_other() {
        let (colour, place) =
            combine_colours(&[outcome(0.2, 1.0), outcome(0.4, 0.8)]).expect("alike");
        assert!((colour.matrix[1][1] - 0.9).abs() < 1e-12);
        assert!((colour.flat_field[2][1] - 0.9).abs() < 1e-12);
        assert!((place.dx_mm - 0.3).abs() < 1e-12 && (place.dy_mm + 0.6).abs() < 1e-12);
        let error = combine_colours(&[outcome(0.2, 1.0), outcome(0.9, 1.0)]).unwrap_err();
        assert!(error.to_string().contains("0.70 mm"), "{error}");
        let mut blind = outcome(0.2, 1.0);
        blind.calibration = None;
        let error = combine_colours(&[outcome(0.2, 1.0), blind]).unwrap_err();
        assert!(error.to_string().contains("a reason"), "{error}");
        assert!(combine_colours(&[]).is_err());
    }
}
