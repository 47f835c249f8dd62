//! The two tables beside the pieces: one row a recording, one row an input file.

use jiff::Timestamp;

use super::plain_table::{Cell, Column, Kind, Layout};

/// One recording of a run, measured or not.
#[derive(Debug, Clone, PartialEq)]
pub struct RecordingRow {
    /// Its name.
    pub recording: String,
    /// When its first row was taken.
    pub captured: Timestamp,
    /// Whether it could be measured; if not, the reason is in the list of rejected inputs.
    pub measured: bool,
    /// The product profile; `None` where none could be told.
    pub product: Option<String>,
    /// `valid_from` of the calibration in force; `None`: the scanner was taken as already true.
    pub calibration_from: Option<Timestamp>,
    /// The folder of its first frame, as it was found.
    pub folder: String,
    /// Frames that went into it.
    pub frames: u64,
    /// Rows in those frames.
    pub rows: u64,
    /// Rows missing between them.
    pub missing_rows: u64,
    /// Columns.
    pub columns: u64,
    /// Belt width seen, mm, before calibration.
    pub width_mm: f64,
    /// Belt length seen, mm, before calibration, without what is missing.
    pub length_mm: f64,
    /// Time the belt took from first row to last, missing rows included, s; `None` when neither belt speed nor row times are known.
    pub duration_s: Option<f64>,
    /// Lanes.
    pub lanes: Option<u64>,
    /// Stated belt speed, mm/s.
    pub belt_speed_mm_s: Option<f64>,
    /// Pieces found.
    pub pieces: u64,
    /// Whether there was colour.
    pub has_colour: bool,
    /// Whether the colour went through a lossy compression.
    pub colour_lossy: bool,
    /// Standard deviation of single samples about the belt, mm.
    pub noise_mm: Option<f64>,
    /// Share of samples without a return.
    pub dropout_fraction: Option<f64>,
    /// Share of the area that is belt.
    pub belt_fraction: Option<f64>,
    /// What was learned of a limit between classes, in words.
    pub learned: Option<String>,
    /// BLAKE3 over the hashes of all its input files.
    pub inputs_blake3: String,
}

/// One file that a recording was read from.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct InputRow {
    /// The recording.
    pub recording: String,
    /// The scan's id.
    pub scan: String,
    /// The scan's folder, as it was found.
    pub folder: String,
    /// The file's name in it.
    pub file: String,
    /// Its size.
    pub bytes: u64,
    /// BLAKE3 of what is in it.
    pub blake3: String,
}

const fn column(
    name: &'static str,
    unit: &'static str,
    kind: Kind,
    nullable: bool,
    meaning: &'static str,
) -> Column {
    Column {
        name,
        unit,
        kind,
        nullable,
        meaning,
    }
}

#[rustfmt::skip]
const RECORDING_COLUMNS: [Column; 23] = [
    column("recording", "", Kind::Text, false, "the recording; a scan that names none is a recording of its own, under its id"),
    column("captured", "", Kind::Time, false, "when its first row was taken, UTC"),
    column("measured", "", Kind::Flag, false, "whether it could be measured; if not, rejected.csv says why"),
    column("product", "", Kind::Text, true, "the product profile by which it was measured"),
    column("calibration_from", "", Kind::Time, true, "from when the calibration in force holds; empty: none, the scanner was taken as already true"),
    column("folder", "", Kind::Text, false, "folder of its first frame, as it was found"),
    column("frames", "", Kind::Whole, false, "frames that went into it"),
    column("rows", "", Kind::Whole, false, "rows in those frames"),
    column("missing_rows", "", Kind::Whole, false, "rows missing between its first and its last"),
    column("columns", "", Kind::Whole, false, "columns of its frames"),
    column("width_mm", "mm", Kind::Number(3), false, "width of the belt that was seen, before calibration"),
    column("length_mm", "mm", Kind::Number(3), false, "length of the belt that was seen, before calibration, without missing rows"),
    column("duration_s", "s", Kind::Number(3), true, "time from its first row to its last, missing rows included; empty when neither belt speed nor row times are known"),
    column("lanes", "", Kind::Whole, true, "lanes that its scans state"),
    column("belt_speed_mm_s", "mm/s", Kind::Number(3), true, "belt speed that its scans state"),
    column("pieces", "", Kind::Whole, false, "pieces found"),
    column("has_colour", "", Kind::Flag, false, "whether there was colour"),
    column("colour_lossy", "", Kind::Flag, false, "whether the colour went through a lossy compression, which moves colours near edges"),
    column("noise_mm", "mm", Kind::Number(4), true, "standard deviation of single samples about the belt"),
    column("dropout_fraction", "1", Kind::Number(6), true, "share of samples without a return"),
    column("belt_fraction", "1", Kind::Number(6), true, "share of the area that is belt"),
    column("learned", "", Kind::Text, true, "what was learned of a limit between classes"),
    column("inputs_blake3", "", Kind::Text, false, "BLAKE3 over the names and hashes of its input files; empty when they could not all be read"),
];

#[rustfmt::skip]
const INPUT_COLUMNS: [Column; 6] = [
    column("recording", "", Kind::Text, false, "the recording that was read from the file"),
    column("scan", "", Kind::Text, false, "id of the scan"),
    column("folder", "", Kind::Text, false, "folder of the scan, as it was found"),
    column("file", "", Kind::Text, false, "name of the file in it"),
    column("bytes", "byte", Kind::Whole, false, "size of the file"),
    column("blake3", "", Kind::Text, false, "BLAKE3 of the file's bytes, hexadecimal"),
];

/// The table of recordings.
pub(super) const RECORDINGS: Layout = Layout {
    format: "weighlight-recordings/1",
    columns: &RECORDING_COLUMNS,
};

/// The table of inputs.
pub(super) const INPUTS: Layout = Layout {
    format: "weighlight-inputs/1",
    columns: &INPUT_COLUMNS,
};

impl RecordingRow {
    pub(super) fn cells(&self) -> Vec<Cell> {
        vec![
            Cell::Text(self.recording.clone()),
            Cell::Time(self.captured),
            Cell::Flag(self.measured),
            Cell::text(self.product.as_deref()),
            Cell::time(self.calibration_from),
            Cell::Text(self.folder.clone()),
            Cell::Whole(self.frames),
            Cell::Whole(self.rows),
            Cell::Whole(self.missing_rows),
            Cell::Whole(self.columns),
            Cell::Number(self.width_mm),
            Cell::Number(self.length_mm),
            Cell::number(self.duration_s),
            Cell::whole(self.lanes),
            Cell::number(self.belt_speed_mm_s),
            Cell::Whole(self.pieces),
            Cell::Flag(self.has_colour),
            Cell::Flag(self.colour_lossy),
            Cell::number(self.noise_mm),
            Cell::number(self.dropout_fraction),
            Cell::number(self.belt_fraction),
            Cell::text(self.learned.as_deref()),
            Cell::Text(self.inputs_blake3.clone()),
        ]
    }

    /// `None`: cells are missing that every row has.
    pub(super) fn from_cells(cells: Vec<Cell>) -> Option<Self> {
        let mut cells = cells.into_iter();
        let mut next = || cells.next();
        Some(Self {
            recording: next()?.into_text()?,
            captured: next()?.as_time()?,
            measured: next()?.as_flag(),
            product: next()?.into_text(),
            calibration_from: next()?.as_time(),
            folder: next()?.into_text()?,
            frames: next()?.as_whole()?,
            rows: next()?.as_whole()?,
            missing_rows: next()?.as_whole()?,
            columns: next()?.as_whole()?,
            width_mm: next()?.as_number()?,
            length_mm: next()?.as_number()?,
            duration_s: next()?.as_number(),
            lanes: next()?.as_whole(),
            belt_speed_mm_s: next()?.as_number(),
            pieces: next()?.as_whole()?,
            has_colour: next()?.as_flag(),
            colour_lossy: next()?.as_flag(),
            noise_mm: next()?.as_number(),
            dropout_fraction: next()?.as_number(),
            belt_fraction: next()?.as_number(),
            learned: next()?.into_text(),
            inputs_blake3: next()?.into_text()?,
        })
    }
}

impl InputRow {
    pub(super) fn cells(&self) -> Vec<Cell> {
        vec![
            Cell::Text(self.recording.clone()),
            Cell::Text(self.scan.clone()),
            Cell::Text(self.folder.clone()),
            Cell::Text(self.file.clone()),
            Cell::Whole(self.bytes),
            Cell::Text(self.blake3.clone()),
        ]
    }

    /// `None`: cells are missing that every row has.
    pub(super) fn from_cells(cells: Vec<Cell>) -> Option<Self> {
        let mut cells = cells.into_iter();
        let mut next = || cells.next();
        Some(Self {
            recording: next()?.into_text()?,
            scan: next()?.into_text()?,
            folder: next()?.into_text()?,
            file: next()?.into_text()?,
            bytes: next()?.as_whole()?,
            blake3: next()?.into_text()?,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rows_read_back_from_their_cells() {
        let row = RecordingRow {
            recording: "early".to_owned(),
            captured: "2026-03-04T09:12:33Z".parse().unwrap(),
            measured: true,
            product: Some("rolls".to_owned()),
            calibration_from: None,
            folder: "a/0001".to_owned(),
            frames: 3,
            rows: 3000,
            missing_rows: 7,
            columns: 1500,
            width_mm: 600.0,
            length_mm: 1200.0,
            duration_s: Some(2.67),
            lanes: Some(4),
            belt_speed_mm_s: None,
            pieces: 8,
            has_colour: true,
            colour_lossy: false,
            noise_mm: Some(0.05),
            dropout_fraction: Some(0.01),
            belt_fraction: None,
            learned: None,
            inputs_blake3: "00ff".to_owned(),
        };
        let cells = row.cells();
        assert_eq!(cells.len(), RECORDINGS.columns.len());
        assert_eq!(RecordingRow::from_cells(cells), Some(row));
        let input = InputRow {
            recording: "early".to_owned(),
            scan: "early_0".to_owned(),
            folder: "a/0001".to_owned(),
            file: "height.png".to_owned(),
            bytes: 12,
            blake3: "ff".to_owned(),
        };
        assert_eq!(input.cells().len(), INPUTS.columns.len());
        assert_eq!(InputRow::from_cells(input.cells()), Some(input));
    }
}
