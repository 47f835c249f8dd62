//! The scanner held against the limits that an automatic catchweigher of a class would have to meet.

use serde::Serialize;

use super::Limits;
use crate::{Error, ErrorKind, Result};

/// Accuracy classes of category X of OIML R 51.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub enum XClass {
    /// XI.
    #[serde(rename = "XI")]
    One,
    /// XII.
    #[serde(rename = "XII")]
    Two,
    /// XIII.
    #[serde(rename = "XIII")]
    Three,
    /// XIIII.
    #[serde(rename = "XIIII")]
    Four,
}

/// Whether limits at first verification or those in service are meant.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub enum ClassStage {
    /// First verification.
    #[serde(rename = "initial")]
    Initial,
    /// In service.
    #[serde(rename = "in service")]
    InService,
}

/// A class of category X with its factor and interval, such as XIII(1) with e = 1 g.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct ScaleClass {
    /// The class.
    pub class: XClass,
    /// The factor (x): at most 2, of the form 1, 2 or 5 times a power of ten.
    pub factor: f64,
    /// Verification scale interval e, g.
    pub interval_g: f64,
    /// Which limits.
    pub stage: ClassStage,
}

/// How the differences stand to the limits of a class, at their mean mass.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct ClassYardstick {
    /// The class.
    pub class: ScaleClass,
    /// Mean mass that the limits are for, g.
    pub load_g: f64,
    /// Mean difference, g.
    pub mean_error_g: f64,
    /// Limit of the mean error, g.
    pub mean_limit_g: f64,
    /// Standard deviation of the differences, the checkweigher's own taken off where known, g.
    pub sd_g: f64,
    /// Limit of the standard deviation, g.
    pub sd_limit_g: f64,
    /// Both within.
    pub within: bool,
}

impl XClass {
    /// Loads in e up to which the mean error may be 0.5, 1 and 1.5 e (initial).
    fn steps(self) -> [f64; 3] {
        match self {
            Self::One => [50_000.0, 200_000.0, f64::INFINITY],
            Self::Two => [5_000.0, 20_000.0, 100_000.0],
            Self::Three => [500.0, 2_000.0, 10_000.0],
            Self::Four => [50.0, 200.0, 1_000.0],
        }
    }
}

impl std::str::FromStr for ScaleClass {
    type Err = Error;

    /// Reads `XIII(1)/1`: class, factor, interval in g; `/initial` after it for first verification, in service otherwise.
    fn from_str(text: &str) -> Result<Self> {
        let wrong = || {
            Error::new(ErrorKind::Document, format!("found {text:?}")).expected(
                "expected class, factor and interval in g, such as XIII(1)/0.5 or XIII(0.5)/1/initial",
            )
        };
        let mut parts = text.split('/');
        let class = parts.next().ok_or_else(wrong)?;
        let interval_g = parts
            .next()
            .and_then(|it| it.trim().parse().ok())
            .ok_or_else(wrong)?;
        let stage = match parts.next() {
            None => ClassStage::InService,
            Some("initial") => ClassStage::Initial,
            Some(_) => return Err(wrong()),
        };
        let (class, factor) = class
            .strip_suffix(')')
            .and_then(|it| it.split_once('('))
            .ok_or_else(wrong)?;
        let class = match class.trim() {
            "XI" => XClass::One,
            "XII" => XClass::Two,
            "XIII" => XClass::Three,
            "XIIII" => XClass::Four,
            _ => return Err(wrong()),
        };
        let factor = factor.parse().map_err(|_| wrong())?;
        let made = Self {
            class,
            factor,
            interval_g,
            stage,
        };
        if parts.next().is_some() {
            return Err(wrong());
        }
        made.check()?;
        Ok(made)
    }
}

impl ScaleClass {
    fn check(&self) -> Result<()> {
        let wrong = |found: String, expected: &str| {
            Err(Error::new(ErrorKind::Mismatch, found).expected(expected))
        };
        let digits = self.factor / 10_f64.powf(self.factor.log10().floor());
        let of_form = [1.0, 2.0, 5.0].iter().any(|it| (digits - it).abs() < 1e-9);
        if !(self.factor > 0.0 && self.factor <= 2.0 && of_form) {
            return wrong(
                format!("a factor of {}", self.factor),
                "expected 1, 2 or 5 times a power of ten, at most 2",
            );
        }
        if !(self.interval_g > 0.0 && self.interval_g.is_finite()) {
            return wrong(
                format!("an interval of {} g", self.interval_g),
                "expected more than 0 g",
            );
        }
        Ok(())
    }

    /// Limit of the mean error at a load, g; `None` above the class's range. OIML R 51-1:2006; the first step of each class as in Directive 2014/32/EU, annex
    /// VIII, the others and the errors from memory.
    #[must_use]
    pub fn mean_limit_g(&self, load_g: f64) -> Option<f64> {
        let load_e = load_g / self.interval_g;
        let [first, second, third] = self.class.steps();
        let initial_e = if load_e <= first {
            0.5
        } else if load_e <= second {
            1.0
        } else if load_e <= third {
            1.5
        } else {
            return None;
        };
        let stage = match self.stage {
            ClassStage::Initial => 1.0,
            ClassStage::InService => 2.0,
        };
        (load_g > 0.0).then_some(initial_e * stage * self.interval_g)
    }

    /// Limit of the standard deviation at a load, g. OIML R 51-1:2006 for class X(1), times the factor; from memory, every row is 0.8/15 (initial)
    /// and 1/15 (in service) of the tolerable negative error of 76/211/EEC before rounding.
    #[must_use]
    pub fn sd_limit_g(&self, load_g: f64) -> f64 {
        // (up to g, percent (true) or g, initial, in service)
        const TABLE: [(f64, bool, f64, f64); 9] = [
            (50.0, true, 0.48, 0.6),
            (100.0, false, 0.24, 0.3),
            (200.0, true, 0.24, 0.3),
            (300.0, false, 0.48, 0.6),
            (500.0, true, 0.16, 0.2),
            (1_000.0, false, 0.8, 1.0),
            (10_000.0, true, 0.08, 0.1),
            (15_000.0, false, 8.0, 10.0),
            (f64::INFINITY, true, 0.053, 0.067),
        ];
        let row = TABLE
            .iter()
            .find(|(up_to, ..)| load_g <= *up_to)
            .unwrap_or(&TABLE[8]);
        let value = match self.stage {
            ClassStage::Initial => row.2,
            ClassStage::InService => row.3,
        };
        self.factor * if row.1 { value / 100.0 * load_g } else { value }
    }
}

/// Holds the differences against the limits of a class. It is a yardstick only: no scanner is a verified instrument, and weights by it are not legal for
/// trade.
///
/// # Errors
/// A class whose factor or interval makes no sense, or whose range ends below the mean mass.
pub fn class_yardstick(
    limits: &Limits,
    sd_g: f64,
    mean_mass_g: f64,
    class: ScaleClass,
) -> Result<ClassYardstick> {
    class.check()?;
    let mean_limit_g = class.mean_limit_g(mean_mass_g).ok_or_else(|| {
        Error::new(
            ErrorKind::Mismatch,
            format!(
                "a mean mass of {mean_mass_g:.1} g with an interval of {} g",
                class.interval_g
            ),
        )
        .expected("expected a load within the class's range: a larger interval, or another class")
    })?;
    let sd_limit_g = class.sd_limit_g(mean_mass_g);
    let mean_error_g = limits.bias.value;
    Ok(ClassYardstick {
        class,
        load_g: mean_mass_g,
        mean_error_g,
        mean_limit_g,
        sd_g,
        sd_limit_g,
        within: mean_error_g.abs() <= mean_limit_g && sd_g <= sd_limit_g,
    })
}

#[cfg(test)]
mod tests {
    use super::super::{LimitsInterval, limits_of_agreement};
    use super::*;

    #[test]
    fn classes_are_read_as_they_are_written() {
        let class: ScaleClass = "XIII(0.5)/1/initial".parse().unwrap();
        assert_eq!(
            (class.class, class.factor, class.interval_g),
            (XClass::Three, 0.5, 1.0)
        );
        assert_eq!(class.stage, ClassStage::Initial);
        // XIII(0.5) at 400 g, initial: 0.5·0.16 %·400 g = 0.32 g.
        assert!((class.sd_limit_g(400.0) - 0.32).abs() < 1e-12);
        assert_eq!(class.mean_limit_g(400.0), Some(0.5));
        assert_eq!(class.mean_limit_g(501.0), Some(1.0));
        assert_eq!(class.mean_limit_g(10_001.0), None);
        for wrong in [
            "XIII",
            "XIII(1)",
            "XV(1)/1",
            "XIII(3)/1",
            "XIII(5)/1",
            "XIII(1)/0",
            "XIII(1)/1/x",
            "XIII(x)/1",
        ] {
            assert!(wrong.parse::<ScaleClass>().is_err(), "{wrong}");
        }
    }

    /// The table is steady at its steps, and in service 1/15 of the tolerable negative error.
    #[test]
    fn the_limits_of_spread_have_no_jumps() {
        let class = |stage| ScaleClass {
            class: XClass::Three,
            factor: 1.0,
            interval_g: 1.0,
            stage,
        };
        for stage in [ClassStage::Initial, ClassStage::InService] {
            for at in [50.0, 100.0, 200.0, 300.0, 500.0, 1_000.0, 10_000.0] {
                let (below, above) = (
                    class(stage).sd_limit_g(at),
                    class(stage).sd_limit_g(at + 1e-6),
                );
                assert!((below - above).abs() < 1e-6, "{at} g");
            }
        }
        for nominal_g in [50.0, 100.0, 200.0, 250.0, 400.0, 700.0, 5_000.0, 12_000.0] {
            let error_g = super::super::tolerable_negative_error_g(nominal_g).unwrap();
            let limit_g = class(ClassStage::InService).sd_limit_g(nominal_g);
            assert!((limit_g - error_g / 15.0).abs() < 1e-9, "{nominal_g} g");
        }
    }

    #[test]
    fn both_limits_must_be_met() {
        let limits =
            limits_of_agreement(&[0.1, -0.1, 0.2, -0.2], 1.96, LimitsInterval::Exact).unwrap();
        let class: ScaleClass = "XIII(1)/1".parse().unwrap();
        assert!(class_yardstick(&limits, 0.18, 150.0, class).unwrap().within);
        assert!(!class_yardstick(&limits, 0.5, 150.0, class).unwrap().within);
        assert!(class_yardstick(&limits, 0.18, 15_000.0, class).is_err());
    }
}
