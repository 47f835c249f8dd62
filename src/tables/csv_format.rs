//! The piece table as CSV (RFC 4180): a header of names, then one line a piece.

use std::io::{Read, Write};

use super::columns::{Cell, blank_record};
use super::digits::fixed;
use super::table::{match_columns, parse_cell, store_cell};
use super::{PieceRecord, PieceTable};
use crate::{Error, ErrorKind, Result};

/// Writes the table as CSV.
///
/// # Errors
/// The writer fails.
pub fn write_csv(table: &PieceTable, to: impl Write) -> std::io::Result<()> {
    let columns = table.columns();
    let mut writer = csv::Writer::from_writer(to);
    let failed = |error: csv::Error| match error.into_kind() {
        csv::ErrorKind::Io(source) => source,
        other => std::io::Error::other(format!("{other:?}")),
    };
    writer
        .write_record(columns.iter().map(|column| column.name.as_bytes()))
        .map_err(failed)?;
    for piece in &table.pieces {
        let cells = columns.iter().map(|column| match column.get(piece) {
            Cell::Empty => String::new(),
            Cell::Text(text) => text,
            Cell::Integer(value) => value.to_string(),
            Cell::Number(value) => fixed(value, column.decimals),
            Cell::Time(time) => time.to_string(),
        });
        writer.write_record(cells).map_err(failed)?;
    }
    writer.flush()
}

/// Reads pieces from CSV.
///
/// # Errors
/// With the 1-based line and the column, but not the path.
pub fn read_csv(from: impl Read) -> Result<Vec<PieceRecord>> {
    let mut reader = csv::Reader::from_reader(from);
    let names: Vec<String> = reader
        .headers()
        .map_err(|error| read_error(&error))?
        .iter()
        .enumerate()
        // A byte order mark before the first name is the editor's, not the name's.
        .map(|(at, name)| match at {
            0 => name.trim_start_matches('\u{feff}').to_owned(),
            _ => name.to_owned(),
        })
        .collect();
    let columns = match_columns(&names).map_err(|error| error.line(1))?;
    let mut pieces = Vec::new();
    for row in reader.records() {
        let row = row.map_err(|error| read_error(&error))?;
        let line = row.position().map_or(0, |position| position.line());
        let located = |error: Error| error.line(usize::try_from(line).unwrap_or(usize::MAX));
        let mut record = blank_record();
        for (column, at) in &columns {
            let text = row.get(*at).unwrap_or_default();
            let cell = parse_cell(column, text).map_err(located)?;
            store_cell(column, &mut record, cell).map_err(located)?;
        }
        pieces.push(record);
    }
    Ok(pieces)
}

fn read_error(error: &csv::Error) -> Error {
    let line = error
        .position()
        .and_then(|position| usize::try_from(position.line()).ok());
    let found = match error.kind() {
        csv::ErrorKind::Io(source) => Error::new(ErrorKind::Io, source.to_string()),
        csv::ErrorKind::UnequalLengths {
            expected_len, len, ..
        } => Error::new(ErrorKind::Document, format!("{len} cells"))
            .expected(format!("the header has {expected_len}")),
        csv::ErrorKind::Utf8 { .. } => Error::new(ErrorKind::Document, "text that is not UTF-8")
            .expected("save the file as UTF-8"),
        other => Error::new(ErrorKind::Document, format!("{other:?}")),
    };
    match line {
        Some(line) => found.line(line),
        None => found,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::tables::table::samples;

    fn text() -> String {
        let mut bytes = Vec::new();
        write_csv(&samples::table(), &mut bytes).unwrap();
        String::from_utf8(bytes).unwrap()
    }

    #[test]
    fn what_is_written_reads_back_to_the_last_kept_digit() {
        assert_eq!(
            read_csv(text().as_bytes()).unwrap(),
            samples::rounded(&samples::table())
        );
    }

    #[test]
    fn columns_in_another_order_with_strangers_among_them_read_the_same() {
        let shuffled: String = {
            let mut reader = csv::Reader::from_reader(text().as_bytes().to_vec().leak() as &[u8]);
            let mut writer = csv::Writer::from_writer(Vec::new());
            let turn = |row: &csv::StringRecord, extra: &str| {
                let mut cells: Vec<String> = row.iter().map(str::to_owned).collect();
                cells.reverse();
                cells.push(extra.to_owned());
                cells
            };
            writer
                .write_record(turn(reader.headers().unwrap(), "remark"))
                .unwrap();
            for row in reader.records() {
                writer.write_record(turn(&row.unwrap(), "hello")).unwrap();
            }
            String::from_utf8(writer.into_inner().unwrap()).unwrap()
        };
        let read = read_csv(shuffled.as_bytes()).unwrap();
        let mut expected = samples::rounded(&samples::table());
        for piece in &mut expected {
            piece.classes.reverse();
        }
        assert_eq!(read, expected);
    }

    #[test]
    fn a_bad_cell_is_named_with_its_line_and_column() {
        let broken = text().replacen("188.400", "188,4", 1);
        let message = read_csv(broken.as_bytes()).unwrap_err().to_string();
        assert!(message.contains("cells; the header has"), "{message}");
        let broken = text().replacen("188.400", "heavy", 1);
        let error = read_csv(broken.as_bytes()).unwrap_err();
        assert_eq!(error.line, Some(2));
        assert_eq!(error.key.as_deref(), Some("mass_g"));
        let broken = text().replacen("touching spec-mass", "touching spec-taste", 1);
        let error = read_csv(broken.as_bytes()).unwrap_err();
        assert!(error.to_string().contains("spec-taste"), "{error}");
    }

    #[test]
    fn an_empty_cell_is_refused_where_a_value_must_be() {
        let broken = text().replacen("188.400", "", 1);
        let error = read_csv(broken.as_bytes()).unwrap_err();
        assert_eq!(error.to_string(), "mass_g: the cell is empty; a value");
        assert_eq!(error.line, Some(2));
    }

    #[test]
    fn an_empty_file_is_refused() {
        assert!(read_csv(&b""[..]).is_err());
    }
}
