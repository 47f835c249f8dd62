//! Where the table starts in a log, what separates its cells, and which column is which.

use super::encoding::cell_text;
use super::layout::LogLayout;
use crate::document::nearest;
use crate::error::{Error, ErrorKind, Result};

/// Lines among which the column names are looked for: machines write their name and the product above.
pub(super) const LINES: usize = 60;
const DELIMITERS: [char; 3] = [',', ';', '\t'];

/// What was found.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Head {
    pub(super) delimiter: char,
    /// Lines above the data, the one with the names included.
    pub(super) lines: usize,
    pub(super) names: Vec<String>,
    pub(super) time: usize,
    pub(super) date: Option<usize>,
    pub(super) mass: usize,
    pub(super) lane: Option<usize>,
}

/// Finds the head in a log's first lines.
///
/// # Errors
/// A column is not named, or not there, or there twice; with the names that are there.
pub(super) fn find(lines: &[Vec<u8>], layout: &LogLayout) -> Result<Head> {
    let texts: Vec<String> = lines
        .iter()
        .map(|line| cell_text(line).0.trim_end_matches(['\r', '\n']).to_owned())
        .collect();
    let likeliest = likeliest_head(&texts);
    let Some(likeliest) = likeliest else {
        return Err(
            Error::new(ErrorKind::Document, "no line with several cells")
                .expected("expected a table with cells separated by commas, semicolons or tabs"),
        );
    };
    let listed = likeliest.2.join(", ");
    let (Some(time), Some(mass)) = (&layout.time, &layout.mass) else {
        let missing = if layout.time.is_none() {
            "time"
        } else {
            "mass"
        };
        return Err(Error::new(
            ErrorKind::Document,
            format!("no column is named for the {missing}"),
        )
        .expected(format!(
            "give --{missing} COLUMN, or a TOML file beside the log; the columns are: {listed}"
        )));
    };
    let wanted: Vec<&String> = [
        Some(time),
        layout.date.as_ref(),
        Some(mass),
        layout.lane.as_ref(),
    ]
    .into_iter()
    .flatten()
    .collect();
    let mut found: Option<(usize, char, Vec<String>)> = None;
    'lines: for (at, line) in texts.iter().enumerate() {
        for delimiter in DELIMITERS {
            let cells = cells(line, delimiter);
            let holds = wanted.iter().all(|name| position(&cells, name).is_some());
            if holds && found.as_ref().is_none_or(|it| it.2.len() < cells.len()) {
                found = Some((at, delimiter, cells));
            }
        }
        if found.is_some() {
            break 'lines;
        }
    }
    let Some((at, delimiter, names)) = found else {
        return Err(not_there(&wanted, &likeliest.2, likeliest.0));
    };
    let place = |name: &String| -> Result<usize> {
        let place = position(&names, name).unwrap_or_default();
        let again = names.iter().filter(|it| same(it, name)).count();
        if again > 1 {
            return Err(Error::new(ErrorKind::Document, "the column is there twice")
                .line(at + 1)
                .key(name.as_str())
                .expected("rename one of them in the log's head"));
        }
        Ok(place)
    };
    Ok(Head {
        delimiter,
        lines: at + 1,
        time: place(time)?,
        date: layout.date.as_ref().map(place).transpose()?,
        mass: place(mass)?,
        lane: layout.lane.as_ref().map(place).transpose()?,
        names,
    })
}

fn not_there(wanted: &[&String], names: &[String], line: usize) -> Error {
    let missing = wanted
        .iter()
        .find(|name| position(names, name).is_none())
        .map_or("", |name| name.as_str());
    let known: Vec<&str> = names.iter().map(String::as_str).collect();
    let near =
        nearest(missing, &known).map_or_else(String::new, |near| format!("did you mean {near}? "));
    Error::new(ErrorKind::Document, "there is no such column")
        .line(line + 1)
        .key(missing)
        .expected(format!("{near}The columns are: {}", names.join(", ")))
}

/// The first line that has as many cells as any, taken as the names.
fn likeliest_head(lines: &[String]) -> Option<(usize, char, Vec<String>)> {
    let mut best: Option<(usize, char, Vec<String>)> = None;
    for delimiter in DELIMITERS {
        for (at, line) in lines.iter().enumerate() {
            let cells = cells(line, delimiter);
            if cells.len() > 1 && best.as_ref().is_none_or(|it| it.2.len() < cells.len()) {
                best = Some((at, delimiter, cells));
            }
        }
    }
    best
}

fn same(one: &str, other: &str) -> bool {
    one == other || one.to_lowercase() == other.trim().to_lowercase()
}

fn position(names: &[String], name: &str) -> Option<usize> {
    names
        .iter()
        .position(|it| it == name)
        .or_else(|| names.iter().position(|it| same(it, name)))
}

/// The cells of a line; quotes keep a delimiter inside.
fn cells(line: &str, delimiter: char) -> Vec<String> {
    let mut cells = vec![String::new()];
    let mut quoted = false;
    for c in line.chars() {
        if c == '"' {
            quoted = !quoted;
        } else if c == delimiter && !quoted {
            cells.push(String::new());
        } else if let Some(cell) = cells.last_mut() {
            cell.push(c);
        }
    }
    for cell in &mut cells {
        *cell = cell.trim().to_owned();
    }
    cells
}

#[cfg(test)]
mod tests {
    use super::*;

    fn find_in(text: &str, time: &str, mass: &str) -> Result<Head> {
        let lines: Vec<Vec<u8>> = text.lines().map(|it| it.as_bytes().to_vec()).collect();
        let layout = LogLayout {
            time: (!time.is_empty()).then(|| time.to_owned()),
            mass: (!mass.is_empty()).then(|| mass.to_owned()),
            ..LogLayout::default()
        };
        find(&lines, &layout)
    }

    #[test]
    fn the_names_may_stand_below_other_lines() {
        let head = find_in(
            "Line 4;exported 2026-03-04\n\nNr;Zeit;Gewicht, netto\n1;09:12:33;182,5",
            "zeit",
            "Gewicht, netto",
        )
        .unwrap();
        assert_eq!((head.delimiter, head.lines), (';', 3));
        assert_eq!((head.time, head.mass), (1, 2));
    }

    #[test]
    fn names_that_are_not_there_are_named_with_those_that_are() {
        let text = "time,weight\n09:12:33,182.5";
        let message = find_in(text, "time", "wieght").unwrap_err().to_string();
        assert!(
            message.contains("wieght: there is no such column"),
            "{message}"
        );
        assert!(message.contains("did you mean weight?"), "{message}");
        let message = find_in(text, "", "weight").unwrap_err().to_string();
        assert!(
            message.contains("--time") && message.contains("time, weight"),
            "{message}"
        );
        let message = find_in("time,time,weight", "time", "weight")
            .unwrap_err()
            .to_string();
        assert!(message.contains("twice"), "{message}");
        assert!(find_in("nothing here", "time", "weight").is_err());
    }
}
