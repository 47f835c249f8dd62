//! Dates as written.

use jiff::civil::Date;

use super::layout::DateOrder;

/// The three numbers of a date in the order written, and what is known of their order.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Parts {
    /// Year first, then month and day.
    YearFirst(Date),
    /// Day and month in the order that dots stand for: 04.03.2026.
    Dotted(i16, i8, i8),
    /// Two numbers that may be day and month either way, and the year.
    Either(i16, i8, i8),
}

impl Parts {
    /// The date, where the order is known or told.
    pub(super) fn date(self, order: Option<DateOrder>) -> Option<Date> {
        let (year, month, day) = match (self, order) {
            (Self::YearFirst(date), _) => return Some(date),
            (Self::Dotted(year, one, other), None) => (year, other, one),
            (
                Self::Dotted(year, one, other) | Self::Either(year, one, other),
                Some(DateOrder::DayMonth),
            ) => (year, other, one),
            (
                Self::Dotted(year, one, other) | Self::Either(year, one, other),
                Some(DateOrder::MonthDay),
            ) => (year, one, other),
            (Self::Either(..), None) => return None,
        };
        Date::new(year, month, day).ok()
    }

    /// What this date says about the order.
    pub(super) fn order(self) -> Option<DateOrder> {
        match self {
            Self::Either(_, one, _) if one > 12 => Some(DateOrder::DayMonth),
            Self::Either(_, _, other) if other > 12 => Some(DateOrder::MonthDay),
            _ => None,
        }
    }
}

/// Takes a date apart.
pub(super) fn parts(text: &str) -> Option<Parts> {
    let sign = text.chars().find(|c| !c.is_ascii_digit())?;
    if !matches!(sign, '-' | '/' | '.') {
        return None;
    }
    let mut split = text.split(sign);
    let three = [split.next()?, split.next()?, split.next()?];
    if split.next().is_some() || three.iter().any(|it| it.is_empty() || it.len() > 4) {
        return None;
    }
    if three[0].len() == 4 {
        let date = Date::new(
            three[0].parse().ok()?,
            three[1].parse().ok()?,
            three[2].parse().ok()?,
        );
        return date.ok().map(Parts::YearFirst);
    }
    let year: i16 = three[2].parse().ok()?;
    // Two digits are of this century: no log is older.
    let year = match three[2].len() {
        4 => year,
        2 => 2000 + year,
        _ => return None,
    };
    let (one, other) = (three[0].parse().ok()?, three[1].parse().ok()?);
    Some(if sign == '.' {
        Parts::Dotted(year, one, other)
    } else {
        Parts::Either(year, one, other)
    })
}

#[cfg(test)]
mod tests {
    use jiff::civil::date;

    use super::*;

    #[test]
    fn dates_are_read_as_people_write_them() {
        let day = Some(date(2026, 3, 4));
        assert_eq!(parts("2026-03-04").unwrap().date(None), day);
        assert_eq!(parts("2026/3/4").unwrap().date(None), day);
        assert_eq!(parts("04.03.2026").unwrap().date(None), day);
        assert_eq!(parts("4.3.26").unwrap().date(None), day);
        let either = parts("04/03/2026").unwrap();
        assert_eq!(either.date(None), None);
        assert_eq!(either.date(Some(DateOrder::DayMonth)), day);
        assert_eq!(
            either.date(Some(DateOrder::MonthDay)),
            Some(date(2026, 4, 3))
        );
        assert_eq!(
            parts("25/03/2026").unwrap().order(),
            Some(DateOrder::DayMonth)
        );
        assert_eq!(
            parts("03/25/2026").unwrap().order(),
            Some(DateOrder::MonthDay)
        );
        for wrong in [
            "",
            "2026",
            "2026-13-01",
            "1-2",
            "a/b/c",
            "1/2/3/4",
            "1/2/345",
        ] {
            assert!(
                parts(wrong)
                    .and_then(|it| it.date(Some(DateOrder::DayMonth)))
                    .is_none(),
                "{wrong}"
            );
        }
    }
}
