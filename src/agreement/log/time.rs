//! Times as written, and the instants they stand for.

use jiff::civil::{Date, DateTime, Time};
use jiff::tz::{AmbiguousOffset, TimeZone};
use jiff::{SignedDuration, Timestamp};

use super::date::{Parts, parts};
use super::layout::DateOrder;

/// A time cell (with the date cell, where there is one) taken apart.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Written {
    /// With an offset from UTC, or counted from 1970: an instant by itself.
    Absolute(Timestamp),
    /// Local date and time.
    Local(Parts, Time),
    /// Time of day only.
    TimeOfDay(Time),
}

/// What kind of times a log has; shown to the user.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Kind {
    Absolute,
    Local,
    TimeOfDay,
}

impl Written {
    pub(super) fn kind(&self) -> Kind {
        match self {
            Self::Absolute(_) => Kind::Absolute,
            Self::Local(..) => Kind::Local,
            Self::TimeOfDay(_) => Kind::TimeOfDay,
        }
    }
}

/// Seconds since 1970 that are taken for such: the years 2001 to 2096.
const EPOCH_S: std::ops::Range<f64> = 1e9..4e9;

/// Takes a time apart; `None` if it does not look like one.
pub(super) fn written(time: &str, date: Option<&str>) -> Option<Written> {
    let time = time.trim();
    if let Some(date) = date {
        let date = parts(date.trim().split([' ', 'T']).next()?)?;
        // Some write a whole date and time into the time's column, too.
        let time = time
            .rsplit_once([' ', 'T'])
            .map_or(time, |it| if it.1.contains(':') { it.1 } else { time });
        return Some(Written::Local(date, time_of_day(time)?));
    }
    if let Some(instant) = instant(time) {
        return Some(Written::Absolute(instant));
    }
    if let Some(only) = time_of_day(time) {
        return Some(Written::TimeOfDay(only));
    }
    let at = time.find([' ', 'T'])?;
    let date = parts(&time[..at])?;
    Some(Written::Local(date, time_of_day(time[at + 1..].trim())?))
}

fn instant(text: &str) -> Option<Timestamp> {
    let first = text.bytes().next()?;
    if !first.is_ascii_digit() {
        return None;
    }
    if text.bytes().all(|it| it.is_ascii_digit() || it == b'.') {
        let count: f64 = text.parse().ok()?;
        let (whole, fraction) = text.split_once('.').unwrap_or((text, ""));
        let whole: i64 = whole.parse().ok()?;
        if EPOCH_S.contains(&count) {
            let nanoseconds: i64 = format!("{fraction:0<9}").get(..9)?.parse().ok()?;
            return Timestamp::new(whole, i32::try_from(nanoseconds).ok()?).ok();
        }
        if EPOCH_S.contains(&(count / 1e3)) {
            return Timestamp::from_millisecond(whole).ok();
        }
        return None;
    }
    // A comma before the fraction is as good as a point.
    text.replace(',', ".").parse().ok()
}

/// `9:12`, `09:12:33`, `09:12:33.250`, `9:12:33,25`, `9:12:33 PM`.
fn time_of_day(text: &str) -> Option<Time> {
    let upper = text.to_ascii_uppercase();
    let (text, half) = if let Some(rest) = upper.strip_suffix("AM") {
        (rest.trim(), Some(0))
    } else if let Some(rest) = upper.strip_suffix("PM") {
        (rest.trim(), Some(12))
    } else {
        (upper.as_str(), None)
    };
    let mut split = text.split(':');
    let hour: i8 = digits(split.next()?)?;
    let minute: i8 = digits(split.next()?)?;
    let (second, nanosecond) = match split.next() {
        None => (0, 0),
        Some(seconds) => {
            let (whole, fraction) = seconds.split_once(['.', ',']).unwrap_or((seconds, ""));
            if !fraction.bytes().all(|it| it.is_ascii_digit()) {
                return None;
            }
            let nanosecond = format!("{fraction:0<9}").get(..9)?.parse().ok()?;
            (digits(whole)?, nanosecond)
        }
    };
    if split.next().is_some() {
        return None;
    }
    let hour = match half {
        None => hour,
        Some(_) if !(1..=12).contains(&hour) => return None,
        Some(half) => hour % 12 + half,
    };
    Time::new(hour, minute, second, nanosecond).ok()
}

fn digits(text: &str) -> Option<i8> {
    let fits = (1..=2).contains(&text.len()) && text.bytes().all(|it| it.is_ascii_digit());
    fits.then(|| text.parse().ok())?
}

/// Turns what is written into instants, row after row.
#[derive(Debug, Clone)]
pub(super) struct Clock {
    pub(super) zone: Option<TimeZone>,
    pub(super) order: Option<DateOrder>,
    /// Day of the row before, for times of day.
    pub(super) day: Option<Date>,
    last_time: Option<Time>,
    last: Option<Timestamp>,
    /// Times that the clock skipped when it was set forward.
    pub(super) skipped: usize,
    /// Times that came twice when the clock was set back.
    pub(super) twice: usize,
}

/// A fall of the time of day of more than this is a new day, not a row out of order.
const NEW_DAY: SignedDuration = SignedDuration::from_hours(12);
/// How far back a row may lie without the clock having been set back.
const OUT_OF_ORDER: SignedDuration = SignedDuration::from_mins(20);

impl Clock {
    pub(super) fn new(zone: Option<TimeZone>, order: Option<DateOrder>, day: Option<Date>) -> Self {
        Self {
            zone,
            order,
            day,
            last_time: None,
            last: None,
            skipped: 0,
            twice: 0,
        }
    }

    /// The instant; `None` where the clock cannot have shown that.
    pub(super) fn instant(&mut self, written: Written) -> Option<Timestamp> {
        let at = match written {
            Written::Absolute(at) => at,
            Written::Local(parts, time) => self.local(parts.date(self.order)?.to_datetime(time))?,
            Written::TimeOfDay(time) => {
                let day = self.dated(time)?;
                self.local(day.to_datetime(time))?
            }
        };
        self.last = Some(at);
        Some(at)
    }

    /// The day of a time of day, from the rows before it.
    fn dated(&mut self, time: Time) -> Option<Date> {
        let mut day = self.day?;
        if let Some(last) = self.last_time {
            let moved = last.duration_until(time);
            if moved < -NEW_DAY {
                day = day.tomorrow().ok()?;
            } else if moved > NEW_DAY {
                // A row of yesterday evening that stands behind one of today.
                day = day.yesterday().ok()?;
            }
        }
        self.day = Some(day);
        self.last_time = Some(time);
        Some(day)
    }

    fn local(&mut self, local: DateTime) -> Option<Timestamp> {
        let found = self.zone.as_ref()?.to_ambiguous_timestamp(local);
        match found.offset() {
            AmbiguousOffset::Unambiguous { .. } => found.compatible().ok(),
            AmbiguousOffset::Gap { .. } => {
                self.skipped += 1;
                None
            }
            AmbiguousOffset::Fold { before, after } => {
                self.twice += 1;
                let [first, second] = [before, after].map(|it| it.to_timestamp(local).ok());
                // The hour comes twice: the second time once the rows have gone through the first.
                match (self.last, first) {
                    (Some(last), Some(at)) if at.duration_since(last) < -OUT_OF_ORDER => second,
                    _ => first,
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::agreement::log::layout::zone_of;

    fn at(text: &str) -> Timestamp {
        text.parse().unwrap()
    }

    fn berlin() -> Clock {
        Clock::new(
            Some(zone_of("Europe/Berlin").unwrap()),
            None,
            Some(jiff::civil::date(2026, 3, 4)),
        )
    }

    #[test]
    fn times_are_read_as_machines_write_them() {
        let morning = at("2026-03-04T08:12:33.25Z");
        for (time, date) in [
            ("2026-03-04T09:12:33.25+01:00", None),
            ("2026-03-04T08:12:33,25Z", None),
            ("1772611953.25", None),
            ("1772611953250", None),
            ("2026-03-04 09:12:33.25", None),
            ("2026/03/04 9:12:33,25", None),
            ("04.03.2026 09:12:33.250", None),
            ("04.03.2026 09:12:33.250 AM", None),
            ("09:12:33.25", Some("04.03.2026")),
            ("09:12:33.25", Some("2026-03-04")),
            ("9:12:33.25 am", None),
        ] {
            let written = written(time, date).unwrap_or_else(|| panic!("{time}"));
            assert_eq!(berlin().instant(written), Some(morning), "{time} {date:?}");
        }
        for wrong in [
            "",
            "09",
            "25:00",
            "2026-03-04",
            "noon",
            "182.5",
            "46085.38",
            "09:12:61",
        ] {
            assert_eq!(written(wrong, None), None, "{wrong}");
        }
    }

    #[test]
    fn a_time_of_day_that_falls_back_is_of_the_next_day() {
        let mut clock = berlin();
        let mut seen = Vec::new();
        for time in ["23:59:58", "23:59:59", "00:00:01", "23:59:59.5", "00:00:02"] {
            seen.push(clock.instant(written(time, None).unwrap()).unwrap());
        }
        assert_eq!(
            seen[2].duration_since(seen[1]),
            SignedDuration::from_secs(2)
        );
        assert_eq!(
            seen[3].duration_since(seen[2]),
            SignedDuration::from_millis(-1500)
        );
        assert_eq!(
            seen[4].duration_since(seen[2]),
            SignedDuration::from_secs(1)
        );
    }

    #[test]
    fn the_hour_that_comes_twice_goes_on_and_the_one_that_is_skipped_is_refused() {
        // In Berlin the clock went back from 3:00 to 2:00 on 25 October 2026, and forward from 2:00 to 3:00 on 29 March.
        let mut clock = berlin();
        let rows = [
            "01:59", "02:30", "02:59", "02:00", "02:30", "02:59", "03:00",
        ];
        let times: Vec<Timestamp> = rows
            .iter()
            .map(|it| {
                clock
                    .instant(written(it, Some("25.10.2026")).unwrap())
                    .unwrap()
            })
            .collect();
        assert_eq!(times[1], at("2026-10-25T00:30:00Z"));
        assert_eq!(times[4], at("2026-10-25T01:30:00Z"));
        assert!(times.windows(2).all(|pair| pair[0] < pair[1]));
        assert_eq!(clock.twice, 5);
        let skipped = written("02:30", Some("29.03.2026")).unwrap();
        assert_eq!(clock.instant(skipped), None);
        assert_eq!(clock.skipped, 1);
    }
}
