//! How times and masses of a log are written: told by its first rows, or by the user.

use csv::ByteRecord;

use super::encoding::cell_text;
use super::head::Head;
use super::layout::{DateOrder, DecimalMark, LogLayout, MassUnit, zone_of};
use super::number::{self, decimal_mark, unit_in_name};
use super::time::{self, Clock, Kind};
use crate::error::{Error, ErrorKind, Result};

/// How a log is written.
pub(super) struct Form {
    pub(super) decimal: DecimalMark,
    pub(super) unit: MassUnit,
    pub(super) unit_from: &'static str,
    pub(super) kind: Kind,
    pub(super) time_words: String,
    pub(super) clock: Clock,
}

impl Form {
    /// How times and masses are written.
    pub(super) fn of(layout: &LogLayout, head: &Head, sample: &[ByteRecord]) -> Result<Self> {
        if sample.is_empty() {
            return Err(Error::new(
                ErrorKind::Document,
                "there are no rows below the column names",
            ));
        }
        let texts = |at: usize| {
            sample
                .iter()
                .filter_map(move |row| row.get(at))
                .map(|cell| cell_text(cell).0.trim().to_owned())
        };
        // Masses.
        let mass_name = &head.names[head.mass];
        let masses: Vec<String> = texts(head.mass).collect();
        let written: Vec<number::Written<'_>> = masses
            .iter()
            .filter_map(|cell| number::written(cell))
            .collect();
        if written.is_empty() {
            let example = masses.iter().find(|it| !it.is_empty());
            return Err(Error::new(
                ErrorKind::Document,
                format!(
                    "no cell is a number (the first is “{}”)",
                    example.map_or("", |it| it)
                ),
            )
            .key(mass_name.as_str())
            .expected("give the column of the masses with --mass"));
        }
        let decimal = match layout.decimal {
            Some(decimal) => decimal,
            None => decimal_mark(written.iter().map(|it| it.digits), mass_name)?,
        };
        let in_cells = written.iter().find_map(|it| it.unit);
        let (unit, unit_from) = match (layout.unit, in_cells, unit_in_name(mass_name)) {
            (Some(unit), _, _) => (unit, "as given"),
            (None, Some(unit), _) => (unit, "from its cells"),
            (None, None, Some(unit)) => (unit, "from its name"),
            (None, None, None) => {
                return Err(
                    Error::new(ErrorKind::Document, "the unit of the masses is not known")
                        .key(mass_name.as_str())
                        .expected("give --unit g, kg, lb or oz"),
                );
            }
        };
        // Times.
        let time_name = &head.names[head.time];
        let times: Vec<time::Written> = sample
            .iter()
            .filter_map(|row| written_time(row, head))
            .collect();
        let Some(kind) = most_common(&times) else {
            let example = texts(head.time)
                .find(|it| !it.is_empty())
                .unwrap_or_default();
            return Err(Error::new(
                ErrorKind::Document,
                format!("no cell is a time (the first is “{example}”)"),
            )
            .key(time_name.as_str())
            .expected("expected times such as 2026-03-04T09:12:33+01:00, 04.03.2026 09:12:33 or 09:12:33; give the column with --time, a date of its own with --date"));
        };
        let order = date_order(layout, &times, head, sample)?;
        let zone = match (&layout.zone, kind) {
            (Some(name), _) => Some(zone_of(name).map_err(|error| error.key("--zone"))?),
            (None, Kind::Absolute) => None,
            (None, _) => {
                return Err(Error::new(ErrorKind::Document, "the times have no offset from UTC")
                    .key(time_name.as_str())
                    .expected("give the zone that the clock shows with --zone, such as Europe/Berlin or UTC"));
            }
        };
        if kind == Kind::TimeOfDay && layout.day.is_none() {
            return Err(Error::new(ErrorKind::Document, "the times have no date")
                .key(time_name.as_str())
                .expected("give the column of the date with --date, or the first row's day with --day 2026-03-04"));
        }
        let zone_words = layout.zone.as_deref().unwrap_or_default();
        let order_words = match (
            order,
            times
                .iter()
                .any(|it| matches!(it, time::Written::Local(super::date::Parts::Dotted(..), _))),
        ) {
            (Some(DateOrder::DayMonth), _) | (None, true) => ", day before month",
            (Some(DateOrder::MonthDay), _) => ", month before day",
            (None, false) => "",
        };
        let time_words = match kind {
            Kind::Absolute => "instants (with their offset from UTC)".to_owned(),
            Kind::Local => format!("local time, {zone_words}{order_words}"),
            Kind::TimeOfDay => format!("time of day, {zone_words}, new days by the order of rows"),
        };
        Ok(Form {
            decimal,
            unit,
            unit_from,
            kind,
            time_words,
            clock: Clock::new(zone, order, layout.day),
        })
    }
}

fn date_order(
    layout: &LogLayout,
    times: &[time::Written],
    head: &Head,
    sample: &[ByteRecord],
) -> Result<Option<DateOrder>> {
    if layout.date_order.is_some() {
        return Ok(layout.date_order);
    }
    let dates = || {
        times.iter().filter_map(|it| match it {
            time::Written::Local(parts, _) => Some(*parts),
            _ => None,
        })
    };
    let mut orders: Vec<DateOrder> = dates().filter_map(|it| it.order()).collect();
    orders.dedup();
    let column = head.date.unwrap_or(head.time);
    let example = sample
        .first()
        .and_then(|row| row.get(column))
        .map(|cell| cell_text(cell).0.trim().to_owned())
        .unwrap_or_default();
    match orders.as_slice() {
        [order] => Ok(Some(*order)),
        [] if dates().any(|it| matches!(it, super::date::Parts::Either(..))) => Err(Error::new(
            ErrorKind::Document,
            format!("“{example}” can be day and month or month and day"),
        )
        .key(head.names[column].as_str())
        .expected("give --date-order day-month or month-day")),
        [] => Ok(None),
        _ => Err(Error::new(
            ErrorKind::Document,
            "some dates have the day first, others the month",
        )
        .key(head.names[column].as_str())
        .expected("give --date-order day-month or month-day; the others count as unreadable")),
    }
}

pub(super) fn written_time(row: &ByteRecord, head: &Head) -> Option<time::Written> {
    let (time, _) = cell_text(row.get(head.time)?);
    match head.date {
        Some(at) => time::written(&time, Some(&cell_text(row.get(at)?).0)),
        None => time::written(&time, None),
    }
}

fn most_common(times: &[time::Written]) -> Option<Kind> {
    [Kind::Absolute, Kind::Local, Kind::TimeOfDay]
        .into_iter()
        .map(|kind| (times.iter().filter(|it| it.kind() == kind).count(), kind))
        .filter(|it| it.0 > 0)
        .max_by_key(|it| it.0)
        .map(|it| it.1)
}
