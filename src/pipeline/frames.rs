//! The rows of a recording's frames, in order, heights and colour side by side.

use crate::error::{Error, ErrorKind, Result};
use crate::scan::{
    ColourReader, ColourRows, HeightReader, HeightRows, Profiles, Recording, Scan, read_profiles,
};

/// Height rows read at a time: enough work for a core, little memory.
const CHUNK_ROWS: usize = 256;

/// A frame that could not be read to its end.
#[derive(Debug, Clone)]
pub struct BrokenFrame {
    /// Index of the frame in its recording.
    pub index: usize,
    /// Why.
    pub error: Box<Error>,
}

/// What a chunk of rows brings.
#[derive(Debug)]
pub struct Chunk {
    /// Rows that are missing in the recording before this chunk.
    pub missing_before: usize,
    /// First height row of the frame, from the recording's start.
    pub first_profile: u64,
    /// Heights.
    pub height: HeightRows,
    /// The same rows, seen by a second camera.
    pub view: Option<HeightRows>,
    /// Each row's own y, mm, where the frame has an encoder record.
    pub encoder_mm: Option<Vec<f64>>,
    /// Where the frame's colour rows start after its height rows, mm; 0 without colour.
    pub colour_origin_along_mm: f64,
    /// Colour of about the same stretch of belt.
    pub colour: Option<ColourRows>,
}

/// Reads a recording's frames chunk by chunk.
pub struct FrameRows<'a> {
    recording: &'a Recording,
    index: usize,
    open: Option<OpenFrame>,
    next_profile: u64,
}

struct OpenFrame {
    height: HeightReader,
    view: Option<HeightReader>,
    colour: Option<ColourReader>,
    colour_per_height: f64,
    profiles: Option<Profiles>,
    rows: usize,
    read_rows: usize,
    read_colour_rows: usize,
    colour_rows: usize,
}

impl<'a> FrameRows<'a> {
    /// From the recording's first row.
    pub fn new(recording: &'a Recording) -> Self {
        Self {
            recording,
            index: 0,
            open: None,
            next_profile: recording.span().first,
        }
    }

    /// The next rows; `None` after the last.
    ///
    /// # Errors
    /// A frame cannot be opened or is damaged.
    pub fn next(&mut self) -> std::result::Result<Option<Chunk>, BrokenFrame> {
        loop {
            let index = self.index;
            let Some(scan) = self.recording.frames.get(index) else {
                return Ok(None);
            };
            let broken = |error: Error| BrokenFrame {
                index,
                error: Box::new(error),
            };
            let frame = match &mut self.open {
                Some(frame) => frame,
                None => self.open.insert(open(scan).map_err(broken)?),
            };
            let Some(chunk) = frame.read(scan).map_err(broken)? else {
                self.open = None;
                self.index += 1;
                continue;
            };
            let first = chunk.first_profile + chunk.height.first_row as u64;
            let missing_before = first.saturating_sub(self.next_profile) as usize;
            self.next_profile = first + (chunk.height.counts.len() / chunk.height.columns) as u64;
            return Ok(Some(Chunk {
                missing_before,
                ..chunk
            }));
        }
    }
}

fn open(scan: &Scan) -> Result<OpenFrame> {
    let colour_per_height = scan.description.colour.as_ref().map_or(0.0, |colour| {
        scan.description.height.pitch_along_mm / colour.pitch_along_mm
    });
    Ok(OpenFrame {
        height: HeightReader::open(scan)?,
        view: (scan.description.views.first())
            .map(|view| HeightReader::open_view(scan, view))
            .transpose()?,
        colour: scan
            .colour_size
            .is_some()
            .then(|| ColourReader::open(scan))
            .transpose()?,
        colour_per_height,
        profiles: read_profiles(scan)?,
        rows: scan.rows,
        read_rows: 0,
        read_colour_rows: 0,
        colour_rows: scan.colour_size.map_or(0, |size| size.rows),
    })
}

impl OpenFrame {
    fn read(&mut self, scan: &Scan) -> Result<Option<Chunk>> {
        let rows = CHUNK_ROWS.min(self.rows - self.read_rows);
        // Colour keeps up with the heights; the frame's last chunk takes all that is left.
        let colour_end = if self.read_rows + rows == self.rows {
            self.colour_rows
        } else {
            let until = (self.read_rows + rows) as f64 * self.colour_per_height;
            (until.ceil() as usize).min(self.colour_rows)
        };
        let colour_rows = colour_end.saturating_sub(self.read_colour_rows);
        let colour_reader = self.colour.as_mut().filter(|_| colour_rows > 0);
        let (height, colour) = rayon::join(
            || self.height.read(rows.max(1)),
            || colour_reader.map_or(Ok(None), |reader| read_all(reader, colour_rows)),
        );
        let (height, colour) = (height?, colour?);
        let view = match &mut self.view {
            None => None,
            Some(view) => view.read(rows.max(1))?,
        };
        self.read_colour_rows = colour_end;
        let Some(height) = height else {
            return Ok(None);
        };
        let first = self.read_rows;
        self.read_rows += height.counts.len() / height.columns.max(1);
        let encoder_mm = match &self.profiles {
            None => None,
            Some(profiles) => Some(
                profiles
                    .encoder_mm
                    .get(first..self.read_rows)
                    .map(<[f64]>::to_vec)
                    .ok_or_else(|| {
                        Error::new(
                            ErrorKind::Mismatch,
                            "the encoder record is shorter than the frame",
                        )
                        .at(scan.document_path())
                    })?,
            ),
        };
        Ok(Some(Chunk {
            missing_before: 0,
            first_profile: scan.description.height.first_profile,
            height,
            view,
            encoder_mm,
            colour_origin_along_mm: (scan.description.colour.as_ref())
                .map_or(0.0, |part| part.origin_along_mm),
            colour,
        }))
    }
}

/// Exactly the next `rows` rows, or what is left.
fn read_all(reader: &mut ColourReader, rows: usize) -> Result<Option<ColourRows>> {
    let Some(mut all) = reader.read(rows)? else {
        return Ok(None);
    };
    while all.rgb.len() < rows * all.columns * 3 {
        let read = all.rgb.len() / (all.columns * 3);
        match reader.read(rows - read)? {
            Some(more) => all.rgb.extend_from_slice(&more.rgb),
            None => break,
        }
    }
    Ok(Some(all))
}
