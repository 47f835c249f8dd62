//! Every pair of pieces as a table.

use std::path::Path;

use crate::error::{Error, ErrorKind, Result};
use crate::runs::folder::NewFile;
use crate::runs::plain_table::{Cell, Column, Kind, Layout, PlainStream};
use crate::tables::{Flag, PieceRecord};

use super::PiecePair;

const fn column(
    name: &'static str,
    unit: &'static str,
    kind: Kind,
    meaning: &'static str,
) -> Column {
    Column {
        name,
        unit,
        kind,
        nullable: true,
        meaning,
    }
}

#[rustfmt::skip]
const COLUMNS: [Column; 19] = [
    column("scanner", "", Kind::Text, "the scanner"),
    column("day", "", Kind::Text, "day on which the recording began, UTC"),
    column("product", "", Kind::Text, "the product, as the second run names it"),
    column("recording", "", Kind::Text, "the recording"),
    column("scan", "", Kind::Text, "the scan that holds the piece's centroid in the second run"),
    column("piece_before", "", Kind::Whole, "number in the first run"),
    column("piece_after", "", Kind::Whole, "number in the second run"),
    column("x_mm", "mm", Kind::Number(3), "centroid across the belt in the second run"),
    column("y_mm", "mm", Kind::Number(3), "centroid along the belt in the second run"),
    column("mass_before_g", "g", Kind::Number(3), "estimated mass in the first run (not legal for trade)"),
    column("mass_after_g", "g", Kind::Number(3), "estimated mass in the second run (not legal for trade)"),
    column("mass_change_g", "g", Kind::Number(3), "after less before"),
    column("mass_u_after_g", "g", Kind::Number(3), "standard uncertainty (k = 1) of the mass in the second run"),
    column("volume_change_cm3", "cm³", Kind::Number(4), "volume after less before"),
    column("fat_before_fraction", "1", Kind::Number(6), "fat share of the top surface in the first run"),
    column("fat_after_fraction", "1", Kind::Number(6), "the same in the second run"),
    column("fat_change_fraction", "1", Kind::Number(6), "after less before"),
    column("flags_before", "", Kind::Text, "flags in the first run, separated by spaces"),
    column("flags_after", "", Kind::Text, "flags in the second run"),
];

const LAYOUT: Layout = Layout {
    format: "weighlight-pairs/1",
    columns: &COLUMNS,
};

/// A table of pairs being written.
pub struct PairTable(Form);

enum Form {
    Csv(csv::Writer<NewFile>),
    Parquet(PlainStream<NewFile>),
}

impl PairTable {
    /// Starts a table; the name's ending says which kind.
    ///
    /// # Errors
    /// It ends in neither `.csv` nor `.parquet`, or cannot be written.
    pub fn create(path: &Path) -> Result<Self> {
        let ending = path.extension().and_then(|ending| ending.to_str());
        match ending.map(str::to_ascii_lowercase).as_deref() {
            Some("csv") => {
                let mut writer = csv::Writer::from_writer(NewFile::create(path)?);
                let names = COLUMNS.iter().map(|column| column.name);
                writer.write_record(names).map_err(failed)?;
                Ok(Self(Form::Csv(writer)))
            }
            Some("parquet") => {
                let file = NewFile::create(path)?;
                let version = env!("CARGO_PKG_VERSION");
                Ok(Self(Form::Parquet(PlainStream::new(
                    file, LAYOUT, version,
                )?)))
            }
            _ => Err(Error::new(ErrorKind::Io, "no kind of table")
                .at(path)
                .expected("expected a name that ends in .csv or .parquet")),
        }
    }

    /// Adds a pair.
    ///
    /// # Errors
    /// The disk takes no more.
    pub fn push(&mut self, pair: &PiecePair) -> Result<()> {
        let row = cells(pair);
        match &mut self.0 {
            Form::Parquet(table) => table.push(row),
            Form::Csv(writer) => {
                let texts =
                    row.iter()
                        .zip(&COLUMNS)
                        .map(|(cell, column)| match (cell, column.kind) {
                            (Cell::Text(text), _) => text.clone(),
                            (Cell::Whole(value), _) => value.to_string(),
                            (Cell::Number(value), Kind::Number(decimals)) => {
                                format!("{value:.decimals$}")
                            }
                            _ => String::new(),
                        });
                writer.write_record(texts).map_err(failed)
            }
        }
    }

    /// Ends the table and gives it its name.
    ///
    /// # Errors
    /// As for [`push`](Self::push).
    pub fn finish(self) -> Result<()> {
        let file = match self.0 {
            Form::Parquet(table) => table.finish()?,
            Form::Csv(writer) => writer
                .into_inner()
                .map_err(|e| Error::new(ErrorKind::Io, e.to_string()))?,
        };
        file.publish().map(|_| ())
    }
}

fn failed(error: csv::Error) -> Error {
    Error::new(
        ErrorKind::Io,
        format!("the table could not be written: {error}"),
    )
}

fn flags(piece: &PieceRecord) -> Cell {
    let names: Vec<&str> = piece.flags.iter().map(|flag: &Flag| flag.name()).collect();
    Cell::Text(names.join(" "))
}

fn cells(pair: &PiecePair) -> Vec<Cell> {
    let (before, after) = (&pair.before, &pair.after);
    vec![
        Cell::Text(pair.partition.scanner.clone()),
        Cell::Text(pair.partition.day.clone()),
        Cell::Text(pair.product.clone()),
        Cell::Text(after.recording.clone()),
        Cell::Text(after.scan.clone()),
        Cell::Whole(u64::from(before.piece)),
        Cell::Whole(u64::from(after.piece)),
        Cell::Number(after.x_mm),
        Cell::Number(after.y_mm),
        Cell::Number(before.mass_g),
        Cell::Number(after.mass_g),
        Cell::Number(pair.mass_g()),
        Cell::Number(after.mass_u_g),
        Cell::Number(pair.volume_cm3()),
        Cell::number(before.fat_fraction),
        Cell::number(after.fat_fraction),
        Cell::number(pair.fat_fraction()),
        flags(before),
        flags(after),
    ]
}
