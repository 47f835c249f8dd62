//! A piece table with all that belongs to it, and reading one back.

use std::fs::File;
use std::io::BufReader;
use std::path::Path;

use jiff::Timestamp;

use super::columns::{ADDED, CLASS_AREA, CLASS_VOLUME, Cell, Column, ColumnKind, columns_for};
use super::provenance::Provenance;
use super::{Flag, PieceRecord, csv_format, json_format, parquet_read};
use crate::document::nearest;
use crate::{Error, ErrorKind, Result};

/// An input that could not be measured, and why.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Rejected {
    /// The scan folder, file or recording.
    pub input: String,
    /// Why it was rejected.
    pub reason: String,
}

/// A piece table.
#[derive(Debug, Clone, PartialEq)]
pub struct PieceTable {
    /// The classes that have columns, in order.
    pub classes: Vec<String>,
    /// The pieces, ordered by recording, then y, then x.
    pub pieces: Vec<PieceRecord>,
    /// The inputs that are not in it.
    pub rejected: Vec<Rejected>,
    /// Where it came from.
    pub provenance: Provenance,
}

impl PieceTable {
    /// A table of these pieces; its classes are all that occur, in the order in which they first do.
    pub fn new(pieces: Vec<PieceRecord>, rejected: Vec<Rejected>, provenance: Provenance) -> Self {
        let mut classes: Vec<String> = Vec::new();
        for share in pieces.iter().flat_map(|piece| &piece.classes) {
            if !classes.contains(&share.class) {
                classes.push(share.class.clone());
            }
        }
        Self {
            classes,
            pieces,
            rejected,
            provenance,
        }
    }

    /// Its columns.
    pub fn columns(&self) -> Vec<Column> {
        columns_for(&self.classes)
    }
}

/// Reads a piece table from a `.csv`, `.parquet` or `.json` file.
///
/// Columns are found by name and may stand in any order; further columns are passed over, and those that were added to version 1
/// later may be missing: their values are then not known.
///
/// # Errors
/// A missing file or column, a cell of the wrong type, an unknown flag: with file, line (CSV) and column.
pub fn read_pieces(path: &Path) -> Result<Vec<PieceRecord>> {
    let extension = path
        .extension()
        .and_then(|extension| extension.to_str())
        .map(str::to_ascii_lowercase);
    let open = || File::open(path).map_err(|source| Error::io(path, &source));
    match extension.as_deref() {
        Some("csv") => csv_format::read_csv(BufReader::new(open()?)).map_err(|e| e.at(path)),
        Some("json") => json_format::read_json(BufReader::new(open()?)).map_err(|e| e.at(path)),
        Some("parquet") => parquet_read::read_parquet(open()?).map_err(|e| e.at(path)),
        _ => Err(Error::new(
            ErrorKind::Document,
            "the file's name does not say what kind of table it is",
        )
        .at(path)
        .expected("a piece table ends in .csv, .parquet or .json")),
    }
}

/// The columns of a table to be read, each with its place among the file's columns.
///
/// # Errors
/// A column is missing (with the nearest name that is there), doubled, or half a class's pair is missing.
pub(crate) fn match_columns(names: &[String]) -> Result<Vec<(Column, usize)>> {
    for (at, name) in names.iter().enumerate() {
        if names[..at].contains(name) {
            return Err(Error::new(ErrorKind::Document, "the column is there twice")
                .key(name.as_str())
                .expected("each column once"));
        }
    }
    let mut classes: Vec<String> = Vec::new();
    for name in names {
        let class = name
            .strip_suffix(CLASS_AREA)
            .or_else(|| name.strip_suffix(CLASS_VOLUME));
        if let Some(class) = class
            && !class.is_empty()
            && !classes.iter().any(|known| known == class)
        {
            classes.push(class.to_owned());
        }
    }
    let known: Vec<&str> = names.iter().map(String::as_str).collect();
    let there = |column: &Column| {
        !ADDED.contains(&column.name.as_ref()) || names.iter().any(|name| *name == column.name)
    };
    columns_for(&classes)
        .into_iter()
        .filter(there)
        .map(|column| {
            let at = names.iter().position(|name| *name == column.name);
            at.map(|at| (column.clone(), at)).ok_or_else(|| {
                let error = Error::new(ErrorKind::Document, "the column is missing")
                    .key(column.name.as_ref());
                match nearest(&column.name, &known) {
                    Some(near) => error.expected(format!(
                        "a piece table has it; the nearest name here is {near}"
                    )),
                    None => error.expected("a piece table has it"),
                }
            })
        })
        .collect()
}

/// The cell that `text` stands for in `column`.
pub(crate) fn parse_cell(column: &Column, text: &str) -> Result<Cell> {
    let wrong = |expected: &str| {
        Error::new(ErrorKind::Document, format!("“{text}”"))
            .key(column.name.as_ref())
            .expected(expected)
    };
    if text.is_empty() && column.kind != ColumnKind::Text {
        return Ok(Cell::Empty);
    }
    Ok(match column.kind {
        ColumnKind::Text => Cell::Text(text.to_owned()),
        ColumnKind::Integer => Cell::Integer(
            text.parse()
                .map_err(|_| wrong("expected a whole number, 0 or larger"))?,
        ),
        ColumnKind::Number => match text.parse::<f64>() {
            Ok(value) if value.is_finite() => Cell::Number(value),
            _ => return Err(wrong("expected a finite number")),
        },
        ColumnKind::Time => Cell::Time(
            text.parse::<Timestamp>()
                .map_err(|_| wrong("expected a time as in 2026-03-04T09:12:33Z"))?,
        ),
    })
}

/// Puts a cell into the record after checking that it may be empty and that its flags are known.
pub(crate) fn store_cell(column: &Column, record: &mut PieceRecord, cell: Cell) -> Result<()> {
    if cell == Cell::Empty && !column.nullable {
        return Err(Error::new(ErrorKind::Document, "the cell is empty")
            .key(column.name.as_ref())
            .expected("a value"));
    }
    if column.name == "flags"
        && let Cell::Text(text) = &cell
    {
        for name in text.split_whitespace() {
            if Flag::from_name(name).is_none() {
                let known: Vec<_> = Flag::ALL.iter().map(|flag| flag.name()).collect();
                return Err(
                    Error::new(ErrorKind::Document, format!("unknown flag “{name}”"))
                        .key("flags")
                        .expected(format!("known are {}", known.join(" "))),
                );
            }
        }
    }
    column.set(record, cell);
    Ok(())
}

/// Values that every format is tested with.
#[cfg(test)]
pub(crate) mod samples {
    use super::*;
    use crate::tables::{ClassShare, ProductUsed, RecordingUsed};

    pub(crate) fn piece(number: u32) -> PieceRecord {
        let n = f64::from(number);
        PieceRecord {
            recording: "2026-03-04-early".to_owned(),
            scan: "2026-03-04T09-12-33_0007".to_owned(),
            piece: number,
            lane: Some(2),
            time: Some(
                "2026-03-04T09:12:33.25Z"
                    .parse()
                    .unwrap_or(Timestamp::UNIX_EPOCH),
            ),
            x_mm: 120.0 + n / 3.0,
            y_mm: 310.0 * n,
            yaw_mrad: -12.345_678,
            length_mm: 151.2,
            width_mm: 62.7,
            max_height_mm: 34.2,
            mean_height_mm: 21.0,
            area_cm2: 81.234_567,
            surface_cm2: 99.1,
            perimeter_mm: 402.4,
            volume_cm3: 170.6 + n,
            volume_u_cm3: 0.731,
            fat_fraction: Some(1.0 / 3.0),
            fat_volume_fraction: Some(0.31),
            fat_mass_fraction: Some(0.28),
            mass_g: 178.4 + 10.0 * n,
            mass_u_g: 1.26,
            filled_fraction: 0.0,
            fat_u_fraction: Some(0.0021),
            area_u_cm2: Some(0.05),
            length_u_mm: Some(0.21),
            width_u_mm: None,
            flags: vec![Flag::Touching, Flag::SpecMass],
            classes: vec![
                ClassShare {
                    class: "fat".to_owned(),
                    area_cm2: Some(27.0),
                    volume_cm3: Some(52.9),
                },
                ClassShare {
                    class: "lean, cured".to_owned(),
                    area_cm2: Some(54.2),
                    volume_cm3: Some(117.7),
                },
            ],
            budget: Vec::new(),
        }
    }

    /// Three pieces: an ordinary one, one without anything optional, one with awkward text.
    pub(crate) fn table() -> PieceTable {
        let mut bare = piece(2);
        bare.lane = None;
        bare.time = None;
        bare.fat_fraction = None;
        bare.fat_volume_fraction = None;
        bare.fat_mass_fraction = None;
        bare.fat_u_fraction = None;
        bare.flags = Vec::new();
        for share in &mut bare.classes {
            share.area_cm2 = None;
            share.volume_cm3 = None;
        }
        let mut awkward = piece(1);
        awkward.recording = "late, \"tilted\"; µ\nnew line".to_owned();
        let provenance = Provenance {
            version: "0.0.0-test".to_owned(),
            command: vec!["weighlight".to_owned(), "measure".to_owned()],
            settings: vec![("product".to_owned(), "belly-strips.toml".to_owned())],
            recordings: vec![RecordingUsed {
                recording: "2026-03-04-early".to_owned(),
                scanner: "line-2".to_owned(),
                scans: vec!["2026-03-04T09-12-33_0007".to_owned()],
                calibration: None,
                product: Some(ProductUsed {
                    name: "belly-strips".to_owned(),
                    blake3: "00ff".to_owned(),
                }),
                has_colour: true,
                colour_lossy: false,
                learned: None,
            }],
        };
        let rejected = vec![Rejected {
            input: "archive/0008".to_owned(),
            reason: "height.png: the file ends early".to_owned(),
        }];
        PieceTable::new(vec![piece(1), bare, awkward], rejected, provenance)
    }

    /// The table's pieces as every format gives them back: rounded to the columns' decimals.
    pub(crate) fn rounded(table: &PieceTable) -> Vec<PieceRecord> {
        let columns = table.columns();
        table
            .pieces
            .iter()
            .map(|piece| {
                let mut record = crate::tables::columns::blank_record();
                for column in &columns {
                    column.set(&mut record, column.get(piece));
                }
                record
            })
            .collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_misspelt_column_is_named_with_its_neighbour() {
        let mut names: Vec<String> = columns_for(&[])
            .iter()
            .map(|column| column.name.to_string())
            .collect();
        names[20] = "mass".to_owned();
        let message = match_columns(&names).unwrap_err().to_string();
        assert_eq!(
            message,
            "mass_g: the column is missing; a piece table has it; the nearest name here is mass"
        );
    }

    #[test]
    fn a_table_from_before_the_added_columns_still_reads() {
        let names: Vec<String> = columns_for(&[])
            .iter()
            .map(|column| column.name.to_string())
            .filter(|name| !ADDED.contains(&name.as_str()))
            .collect();
        assert_eq!(match_columns(&names).unwrap().len(), names.len());
    }

    #[test]
    fn half_a_class_is_refused() {
        let mut names: Vec<String> = columns_for(&["fat".to_owned()])
            .iter()
            .map(|column| column.name.to_string())
            .collect();
        names.pop();
        let message = match_columns(&names).unwrap_err().to_string();
        assert!(
            message.starts_with("fat_volume_cm3: the column is missing"),
            "{message}"
        );
    }

    #[test]
    fn a_file_without_a_known_ending_is_refused() {
        let message = read_pieces(Path::new("pieces.xls"))
            .unwrap_err()
            .to_string();
        assert!(message.contains("pieces.xls"), "{message}");
        assert!(message.contains(".csv, .parquet or .json"), "{message}");
    }
}
