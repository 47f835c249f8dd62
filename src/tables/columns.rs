//! The one registry of the piece table's columns: name, unit, decimals, meaning, type, and how a record carries it.

use std::borrow::Cow;
use std::fmt::Write as _;

use jiff::Timestamp;

use super::digits::round_to;
use super::{ClassShare, Flag, PieceRecord};

/// One value of a table.
#[derive(Debug, Clone, PartialEq)]
pub(crate) enum Cell {
    /// Not known or not defined.
    Empty,
    /// Words.
    Text(String),
    /// A count.
    Integer(u32),
    /// A quantity, already rounded to the column's decimals.
    Number(f64),
    /// A moment.
    Time(Timestamp),
}

/// The type of a column.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ColumnKind {
    /// UTF-8 text.
    Text,
    /// A whole number, 0 or larger.
    Integer,
    /// A number.
    Number,
    /// A moment, RFC 3339 in text.
    Time,
}

/// Where a column's value lives in a record.
#[derive(Debug, Clone)]
enum Source {
    Fixed {
        get: fn(&PieceRecord) -> Cell,
        set: fn(&mut PieceRecord, Cell),
    },
    ClassArea(String),
    ClassVolume(String),
}

/// One column of the piece table.
#[derive(Debug, Clone)]
pub struct Column {
    /// Its name, which carries its unit.
    pub name: Cow<'static, str>,
    /// Its unit; empty for text, counts and times, `1` for fractions.
    pub unit: &'static str,
    /// Decimals kept, in every format.
    pub decimals: usize,
    /// Its type.
    pub kind: ColumnKind,
    /// Whether it may be empty.
    pub nullable: bool,
    /// What it means.
    pub meaning: Cow<'static, str>,
    source: Source,
}

/// Columns that tables of version 1 did not always have: a table without them reads as one in which they are empty.
pub(crate) const ADDED: [&str; 4] = ["fat_u_fraction", "area_u_cm2", "length_u_mm", "width_u_mm"];
/// The end of the name of a class's area column.
pub(crate) const CLASS_AREA: &str = "_area_cm2";
/// The end of the name of a class's volume column.
pub(crate) const CLASS_VOLUME: &str = "_volume_cm3";

fn optional_number(value: Option<f64>) -> Cell {
    value.map_or(Cell::Empty, Cell::Number)
}

fn number_of(cell: &Cell) -> Option<f64> {
    match cell {
        Cell::Number(value) => Some(*value),
        _ => None,
    }
}

fn text_of(cell: Cell) -> String {
    match cell {
        Cell::Text(text) => text,
        _ => String::new(),
    }
}

fn integer_of(cell: &Cell) -> Option<u32> {
    match cell {
        Cell::Integer(value) => Some(*value),
        _ => None,
    }
}

/// A column that is always filled with a number.
macro_rules! number {
    ($field:ident, $unit:literal, $decimals:literal, $meaning:literal) => {
        Column {
            name: Cow::Borrowed(stringify!($field)),
            unit: $unit,
            decimals: $decimals,
            kind: ColumnKind::Number,
            nullable: false,
            meaning: Cow::Borrowed($meaning),
            source: Source::Fixed {
                get: |record| Cell::Number(record.$field),
                set: |record, cell| record.$field = number_of(&cell).unwrap_or(f64::NAN),
            },
        }
    };
}

/// A column of numbers that may be empty.
macro_rules! optional {
    ($field:ident, $unit:literal, $decimals:literal, $meaning:literal) => {
        Column {
            name: Cow::Borrowed(stringify!($field)),
            unit: $unit,
            decimals: $decimals,
            kind: ColumnKind::Number,
            nullable: true,
            meaning: Cow::Borrowed($meaning),
            source: Source::Fixed {
                get: |record| optional_number(record.$field),
                set: |record, cell| record.$field = number_of(&cell),
            },
        }
    };
}

/// A column of text.
macro_rules! text {
    ($field:ident, $meaning:literal) => {
        Column {
            name: Cow::Borrowed(stringify!($field)),
            unit: "",
            decimals: 0,
            kind: ColumnKind::Text,
            nullable: false,
            meaning: Cow::Borrowed($meaning),
            source: Source::Fixed {
                get: |record| Cell::Text(record.$field.clone()),
                set: |record, cell| record.$field = text_of(cell),
            },
        }
    };
}

static FIXED: [Column; 28] = [
    text!(
        recording,
        "the recording; a scan that names none is a recording of its own, under its id"
    ),
    text!(scan, "the scan (frame) that holds the piece's centroid"),
    Column {
        name: Cow::Borrowed("piece"),
        unit: "",
        decimals: 0,
        kind: ColumnKind::Integer,
        nullable: false,
        meaning: Cow::Borrowed("number within the recording, from 1, ordered by y then x"),
        source: Source::Fixed {
            get: |record| Cell::Integer(record.piece),
            set: |record, cell| record.piece = integer_of(&cell).unwrap_or(0),
        },
    },
    Column {
        name: Cow::Borrowed("lane"),
        unit: "",
        decimals: 0,
        kind: ColumnKind::Integer,
        nullable: true,
        meaning: Cow::Borrowed("lane, from 1 at x = 0; empty when the scan states no lanes"),
        source: Source::Fixed {
            get: |record| record.lane.map_or(Cell::Empty, Cell::Integer),
            set: |record, cell| record.lane = integer_of(&cell),
        },
    },
    Column {
        name: Cow::Borrowed("time"),
        unit: "",
        decimals: 0,
        kind: ColumnKind::Time,
        nullable: true,
        meaning: Cow::Borrowed(
            "moment at which the centroid passed, UTC; empty when neither belt speed nor row times are known",
        ),
        source: Source::Fixed {
            get: |record| record.time.map_or(Cell::Empty, Cell::Time),
            set: |record, cell| {
                record.time = match cell {
                    Cell::Time(time) => Some(time),
                    _ => None,
                }
            },
        },
    },
    number!(x_mm, "mm", 3, "centroid of the footprint, across the belt"),
    number!(
        y_mm,
        "mm",
        3,
        "centroid of the footprint along the belt, from the start of the recording"
    ),
    number!(
        yaw_mrad,
        "mrad",
        2,
        "direction of the long side from the x axis, in (−π/2, π/2]"
    ),
    number!(
        length_mm,
        "mm",
        3,
        "long side of the smallest rectangle around the footprint"
    ),
    number!(width_mm, "mm", 3, "short side of that rectangle"),
    number!(max_height_mm, "mm", 3, "largest height above the belt"),
    number!(mean_height_mm, "mm", 3, "volume over footprint area"),
    number!(area_cm2, "cm²", 4, "area of the footprint"),
    number!(surface_cm2, "cm²", 4, "area of the upper surface"),
    number!(
        perimeter_mm,
        "mm",
        3,
        "length of the footprint's outer outline"
    ),
    number!(volume_cm3, "cm³", 4, "volume above the belt"),
    number!(
        volume_u_cm3,
        "cm³",
        4,
        "standard uncertainty (k = 1) of the volume"
    ),
    optional!(
        fat_fraction,
        "1",
        6,
        "fat share of the top surface's footprint area; empty without colour or without a class named fat"
    ),
    optional!(
        fat_volume_fraction,
        "1",
        6,
        "fat share of the volume by the depth rule; empty as fat_fraction"
    ),
    optional!(
        fat_mass_fraction,
        "1",
        6,
        "fat share of the mass by the depth rule; empty as fat_fraction"
    ),
    number!(
        mass_g,
        "g",
        3,
        "estimated mass (an estimate, not legal for trade)"
    ),
    number!(mass_u_g, "g", 3, "standard uncertainty (k = 1) of the mass"),
    number!(
        filled_fraction,
        "1",
        6,
        "share of the footprint that no sample was seen for and that was reconstructed"
    ),
    Column {
        name: Cow::Borrowed("flags"),
        unit: "",
        decimals: 0,
        kind: ColumnKind::Text,
        nullable: false,
        meaning: Cow::Borrowed("what is remarkable, separated by spaces; empty when all is well"),
        source: Source::Fixed {
            get: |record| {
                let names: Vec<_> = record.flags.iter().map(|flag| flag.name()).collect();
                Cell::Text(names.join(" "))
            },
            set: |record, cell| {
                record.flags = text_of(cell)
                    .split_whitespace()
                    .filter_map(Flag::from_name)
                    .collect();
            },
        },
    },
    optional!(
        fat_u_fraction,
        "1",
        6,
        "standard uncertainty (k = 1) of fat_fraction; empty as fat_fraction"
    ),
    optional!(
        area_u_cm2,
        "cm²",
        4,
        "standard uncertainty (k = 1) of the area"
    ),
    optional!(
        length_u_mm,
        "mm",
        3,
        "standard uncertainty (k = 1) of the length, the choice of the rectangle's direction included"
    ),
    optional!(
        width_u_mm,
        "mm",
        3,
        "standard uncertainty (k = 1) of the width, likewise"
    ),
];

/// The columns that every piece table has, in order.
pub fn fixed_columns() -> &'static [Column] {
    &FIXED
}

/// The columns of a table for these classes: the fixed ones, then area and volume of each class.
pub fn columns_for(classes: &[String]) -> Vec<Column> {
    let mut columns = FIXED.to_vec();
    for class in classes {
        columns.push(Column {
            name: Cow::Owned(format!("{class}{CLASS_AREA}")),
            unit: "cm²",
            decimals: 4,
            kind: ColumnKind::Number,
            nullable: true,
            meaning: Cow::Owned(format!(
                "footprint area of class {class}; empty without colour"
            )),
            source: Source::ClassArea(class.clone()),
        });
        columns.push(Column {
            name: Cow::Owned(format!("{class}{CLASS_VOLUME}")),
            unit: "cm³",
            decimals: 4,
            kind: ColumnKind::Number,
            nullable: true,
            meaning: Cow::Owned(format!(
                "volume of class {class} by its depth rule; empty without colour"
            )),
            source: Source::ClassVolume(class.clone()),
        });
    }
    columns
}

impl Column {
    /// The record's value in this column, rounded to the column's decimals. A number that is not finite is empty.
    pub(crate) fn get(&self, record: &PieceRecord) -> Cell {
        let class = |name: &str| record.classes.iter().find(|share| share.class == name);
        let cell = match &self.source {
            Source::Fixed { get, .. } => get(record),
            Source::ClassArea(name) => optional_number(class(name).and_then(|c| c.area_cm2)),
            Source::ClassVolume(name) => optional_number(class(name).and_then(|c| c.volume_cm3)),
        };
        match cell {
            Cell::Number(value) if !value.is_finite() => Cell::Empty,
            Cell::Number(value) => Cell::Number(round_to(value, self.decimals)),
            other => other,
        }
    }

    /// Puts a value of this column's type (or none) into the record.
    pub(crate) fn set(&self, record: &mut PieceRecord, cell: Cell) {
        let mut class = |name: &str, put: &dyn Fn(&mut ClassShare)| {
            let at = record
                .classes
                .iter()
                .position(|share| share.class == name)
                .unwrap_or_else(|| {
                    record.classes.push(ClassShare {
                        class: name.to_owned(),
                        area_cm2: None,
                        volume_cm3: None,
                    });
                    record.classes.len() - 1
                });
            put(&mut record.classes[at]);
        };
        match &self.source {
            Source::Fixed { set, .. } => set(record, cell),
            Source::ClassArea(name) => class(name, &|share| share.area_cm2 = number_of(&cell)),
            Source::ClassVolume(name) => class(name, &|share| share.volume_cm3 = number_of(&cell)),
        }
    }
}

/// A record with nothing in it, to be filled column by column.
pub(crate) fn blank_record() -> PieceRecord {
    PieceRecord {
        recording: String::new(),
        scan: String::new(),
        piece: 0,
        lane: None,
        time: None,
        x_mm: f64::NAN,
        y_mm: f64::NAN,
        yaw_mrad: f64::NAN,
        length_mm: f64::NAN,
        width_mm: f64::NAN,
        max_height_mm: f64::NAN,
        mean_height_mm: f64::NAN,
        area_cm2: f64::NAN,
        surface_cm2: f64::NAN,
        perimeter_mm: f64::NAN,
        volume_cm3: f64::NAN,
        volume_u_cm3: f64::NAN,
        fat_fraction: None,
        fat_volume_fraction: None,
        fat_mass_fraction: None,
        mass_g: f64::NAN,
        mass_u_g: f64::NAN,
        filled_fraction: f64::NAN,
        fat_u_fraction: None,
        area_u_cm2: None,
        length_u_mm: None,
        width_u_mm: None,
        flags: Vec::new(),
        classes: Vec::new(),
        budget: Vec::new(),
    }
}

/// The registry as a page of documentation (Markdown).
pub fn describe_columns() -> String {
    let mut page = String::from(
        "# The piece table\n\n\
         One row a piece, ordered by recording, then y, then x. CSV, Parquet and JSON carry the same values: each number\n\
         is rounded to the decimals given here, which lie well below any uncertainty a scan can reach, and an unknown\n\
         value is an empty cell in CSV and null in Parquet and JSON. Masses are estimates, not legal for trade.\n\n\
         Frame: x across the belt, y along it from the start of the recording, z up from the belt. Uncertainties are\n\
         standard uncertainties (k = 1).\n\n\
         | column | type | unit | decimals | may be empty | meaning |\n\
         |---|---|---|---|---|---|\n",
    );
    let example = columns_for(&["<class>".to_owned()]);
    for column in &example {
        let kind = match column.kind {
            ColumnKind::Text => "text",
            ColumnKind::Integer => "integer",
            ColumnKind::Number => "number",
            ColumnKind::Time => "time",
        };
        let decimals = match column.kind {
            ColumnKind::Number => column.decimals.to_string(),
            _ => String::new(),
        };
        let nullable = if column.nullable { "yes" } else { "no" };
        let _ = writeln!(
            page,
            "| `{}` | {kind} | {} | {decimals} | {nullable} | {} |",
            column.name,
            column.unit,
            column.meaning.replace('<', "\\<"),
        );
    }
    page.push_str(
        "\nThe last two columns stand once for each class of the product profile, in the profile's order. A table over\n\
         several products has the classes of all of them, in the order in which they first occur.\n\n\
         ## Flags\n\n| flag | the piece |\n|---|---|\n",
    );
    for flag in Flag::ALL {
        let _ = writeln!(page, "| `{}` | {} |", flag.name(), flag.meaning());
    }
    page.push_str(
        "\n## Where a table came from\n\n\
         Every table carries the program's version, the command, the settings, and for each recording its scans, scanner,\n\
         calibration in force (or `none: taken as true`) and product profile with the BLAKE3 hash of its file.\n\n\
         - JSON: the object `provenance` beside `pieces`; the inputs that were rejected are in `rejected`.\n\
         - Parquet: the same object as text under the file's key `weighlight.provenance`; each column's unit and meaning\n\
         \x20 under the field keys `unit` and `description`. Text is plain UTF-8; times are UTC with nanoseconds.\n\
         - CSV: a CSV file holds the table and nothing else, so the object stands beside it in `NAME.csv.provenance.json`.\n\
         \x20 A CSV written to standard output has no such neighbour: use JSON where the origin must travel along.\n\
         - Text: in the lines under the table.\n",
    );
    page
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_fixed_columns_are_those_of_the_format_in_its_order() {
        let names: Vec<_> = FIXED.iter().map(|column| column.name.as_ref()).collect();
        // The list of the piece table in the format's description, version 1.
        let format = "recording, scan, piece, lane, time, x_mm, y_mm, yaw_mrad, length_mm, width_mm, max_height_mm, \
             mean_height_mm, area_cm2, surface_cm2, perimeter_mm, volume_cm3, volume_u_cm3, fat_fraction, \
             fat_volume_fraction, fat_mass_fraction, mass_g, mass_u_g, filled_fraction, flags, fat_u_fraction, area_u_cm2, \
             length_u_mm, width_u_mm";
        assert_eq!(names.join(", "), format);
    }

    #[test]
    fn names_carry_the_unit_they_are_documented_with() {
        for column in columns_for(&["fat".to_owned()]) {
            if column.kind != ColumnKind::Number {
                continue;
            }
            let ending = match column.unit {
                "mm" => "_mm",
                "mrad" => "_mrad",
                "cm²" => "_cm2",
                "cm³" => "_cm3",
                "g" => "_g",
                "1" => "_fraction",
                other => panic!("unit {other} has no ending"),
            };
            assert!(column.name.ends_with(ending), "{}", column.name);
        }
    }

    #[test]
    fn the_page_about_the_piece_table_is_the_registry() {
        let path = concat!(env!("CARGO_MANIFEST_DIR"), "/docs/piece-table.md");
        if std::env::var_os("BLESS").is_some() {
            std::fs::write(path, describe_columns()).unwrap();
        }
        let written = std::fs::read_to_string(path).unwrap();
        assert!(
            written == describe_columns(),
            "docs/piece-table.md is behind the registry; run the tests with BLESS=1"
        );
    }
}
