//! Which column of a log is what: as named by the user, on the command line or in a file beside the log.

use std::path::{Path, PathBuf};

use jiff::civil::Date;
use serde::Deserialize;

use crate::document::Document;
use crate::error::{Error, ErrorKind, Result};

/// The format of the file beside a log.
const LAYOUT_FORMAT: &str = "weighlight-checkweigher/1";

/// A unit of mass.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum MassUnit {
    /// Gram.
    Gram,
    /// Kilogram.
    Kilogram,
    /// Avoirdupois pound, 453.59237 g exactly (international yard and pound agreement, 1959).
    Pound,
    /// Avoirdupois ounce, a sixteenth of the pound.
    Ounce,
}

impl MassUnit {
    /// The unit of this sign: `g`, `kg`, `lb` or `oz`.
    #[must_use]
    pub fn of_sign(sign: &str) -> Option<Self> {
        Some(match sign.to_ascii_lowercase().as_str() {
            "g" => Self::Gram,
            "kg" => Self::Kilogram,
            "lb" | "lbs" => Self::Pound,
            "oz" => Self::Ounce,
            _ => return None,
        })
    }

    /// Its sign.
    #[must_use]
    pub fn sign(self) -> &'static str {
        match self {
            Self::Gram => "g",
            Self::Kilogram => "kg",
            Self::Pound => "lb",
            Self::Ounce => "oz",
        }
    }

    /// Grams in one.
    #[must_use]
    pub fn grams(self) -> f64 {
        match self {
            Self::Gram => 1.0,
            Self::Kilogram => 1000.0,
            Self::Pound => 453.592_37,
            Self::Ounce => 453.592_37 / 16.0,
        }
    }
}

/// Which of two numbers of a date is the day, where the year comes last.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum DateOrder {
    /// 04/03/2026 is the 4th of March.
    DayMonth,
    /// 03/04/2026 is the 4th of March.
    MonthDay,
}

impl DateOrder {
    /// The order that this word names: `day-month` or `month-day`.
    #[must_use]
    pub fn of_word(word: &str) -> Option<Self> {
        match word {
            "day-month" => Some(Self::DayMonth),
            "month-day" => Some(Self::MonthDay),
            _ => None,
        }
    }
}

/// What stands between whole and fraction.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum DecimalMark {
    /// 182.5
    Point,
    /// 182,5
    Comma,
}

impl DecimalMark {
    /// The sign that this word names: `point` or `comma`.
    #[must_use]
    pub fn of_word(word: &str) -> Option<Self> {
        match word {
            "point" => Some(Self::Point),
            "comma" => Some(Self::Comma),
            _ => None,
        }
    }

    /// The sign itself.
    #[must_use]
    pub fn sign(self) -> char {
        match self {
            Self::Point => '.',
            Self::Comma => ',',
        }
    }
}

/// Which column is what; `None` where nothing was said.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct LogLayout {
    /// Column of the time, or of date and time in one.
    pub time: Option<String>,
    /// Column of the date, where it stands apart.
    pub date: Option<String>,
    /// Column of the mass.
    pub mass: Option<String>,
    /// Column of the lane.
    pub lane: Option<String>,
    /// Unit of the masses.
    pub unit: Option<MassUnit>,
    /// Zone of local times, a name of the IANA time zone database, or `UTC`.
    pub zone: Option<String>,
    /// Day of the first row, for times without a date.
    pub day: Option<Date>,
    /// Order of dates whose year comes last.
    pub date_order: Option<DateOrder>,
    /// Decimal mark of the masses.
    pub decimal: Option<DecimalMark>,
    /// Test weights that are put on the scale, g.
    pub test_weights_g: Vec<f64>,
}

impl LogLayout {
    /// This, and where it says nothing, what `other` says.
    #[must_use]
    pub fn or(self, other: &Self) -> Self {
        let mut test_weights_g = self.test_weights_g;
        if test_weights_g.is_empty() {
            test_weights_g.clone_from(&other.test_weights_g);
        }
        Self {
            time: self.time.or_else(|| other.time.clone()),
            date: self.date.or_else(|| other.date.clone()),
            mass: self.mass.or_else(|| other.mass.clone()),
            lane: self.lane.or_else(|| other.lane.clone()),
            unit: self.unit.or(other.unit),
            zone: self.zone.or_else(|| other.zone.clone()),
            day: self.day.or(other.day),
            date_order: self.date_order.or(other.date_order),
            decimal: self.decimal.or(other.decimal),
            test_weights_g,
        }
    }
}

/// The file beside a log: `weigher.csv.toml` for `weigher.csv`.
#[must_use]
pub fn layout_beside(log: &Path) -> PathBuf {
    let mut name = log.as_os_str().to_owned();
    name.push(".toml");
    PathBuf::from(name)
}

/// As written.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct LayoutRecord {
    #[serde(rename = "format")]
    _format: String,
    time: Option<String>,
    date: Option<String>,
    mass: Option<String>,
    lane: Option<String>,
    unit: Option<String>,
    zone: Option<String>,
    day: Option<String>,
    date_order: Option<String>,
    decimal: Option<String>,
    #[serde(default)]
    test_weights_g: Vec<f64>,
}

/// Reads the file beside a log.
///
/// # Errors
/// It cannot be read, or a value is wrong; with file, line and key.
pub fn read_layout(path: &Path) -> Result<LogLayout> {
    let document = Document::read(path)?;
    document.expect_format(LAYOUT_FORMAT)?;
    let record: LayoutRecord = document.decode()?;
    let wrong = |key: &str, found: &str, expected: &str| {
        document
            .wrong(key, format!("found \"{found}\""))
            .expected(expected.to_owned())
    };
    let unit = record
        .unit
        .map(|text| {
            MassUnit::of_sign(&text).ok_or_else(|| wrong("unit", &text, "expected g, kg, lb or oz"))
        })
        .transpose()?;
    let day = record
        .day
        .map(|text| {
            text.parse::<Date>()
                .map_err(|_| wrong("day", &text, "expected a date such as \"2026-03-04\""))
        })
        .transpose()?;
    let date_order = record
        .date_order
        .map(|text| {
            DateOrder::of_word(&text)
                .ok_or_else(|| wrong("date_order", &text, "expected day-month or month-day"))
        })
        .transpose()?;
    let decimal = record
        .decimal
        .map(|text| {
            DecimalMark::of_word(&text)
                .ok_or_else(|| wrong("decimal", &text, "expected point or comma"))
        })
        .transpose()?;
    for (at, mass) in record.test_weights_g.iter().enumerate() {
        document.positive(&format!("test_weights_g[{at}]"), *mass)?;
    }
    if let Some(zone) = &record.zone {
        zone_of(zone).map_err(|error| error.at(path).key("zone"))?;
    }
    Ok(LogLayout {
        time: record.time,
        date: record.date,
        mass: record.mass,
        lane: record.lane,
        unit,
        zone: record.zone,
        day,
        date_order,
        decimal,
        test_weights_g: record.test_weights_g,
    })
}

/// A time zone by name, from the database in the program: the same on every machine.
pub(super) fn zone_of(name: &str) -> Result<jiff::tz::TimeZone> {
    if name.eq_ignore_ascii_case("utc") || name == "Z" {
        return Ok(jiff::tz::TimeZone::UTC);
    }
    jiff::tz::TimeZoneDatabase::bundled()
        .get(name)
        .map_err(|_| {
            Error::new(ErrorKind::Document, format!("the zone \"{name}\" is not known")).expected(
                "expected UTC or a name such as Europe/Berlin or America/Chicago (IANA time zone database)",
            )
        })
}
