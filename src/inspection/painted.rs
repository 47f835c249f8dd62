//! Pixels of a colour frame that somebody has named by painting them.

use image::ImageFormat;

use crate::calibration::Calibration;
use crate::colour::{
    Correction, CorrectionRow, PaintedColour, encode_srgb8, is_clipped, lab_from_srgb8,
};
use crate::error::{Error, ErrorKind, Result};
use crate::scan::{ColourReader, Scan};

/// Rows read at a time.
const BLOCK_ROWS: usize = 256;
/// Side of the squares whose pixels go together when rules are tried, pixels.
pub const PART_PX: usize = 48;

/// What a painted picture names.
#[derive(Debug, Clone, PartialEq)]
pub struct PaintedFrame {
    /// The named pixels with their corrected colours.
    pub painted: Vec<PaintedColour>,
    /// Named pixels that were left out because a channel is at its end: their colour is not known.
    pub clipped: usize,
}

/// Reads the colours of those pixels of a scan's colour frame that bear one of the `labels` in a PNG of the same size; `labels` are colours and classes.
/// All other pixels are unnamed, so that a copy of the frame may be painted on.
///
/// Colours go the way they go when pieces are measured: raw, corrected by the calibration, rounded to 8-bit sRGB, CIELAB.
///
/// # Errors
/// No colour frame, a picture that cannot be read or has another size, a label whose colour is nowhere in it.
pub fn painted_colours(
    scan: &Scan,
    picture_png: &[u8],
    labels: &[([u8; 3], usize)],
    calibration: Option<&Calibration>,
) -> Result<PaintedFrame> {
    let mut reader = ColourReader::open(scan)?;
    let picture = image::load_from_memory_with_format(picture_png, ImageFormat::Png)
        .map_err(|error| {
            Error::new(ErrorKind::Image, error.to_string())
                .expected("expected a PNG of the colour frame's size")
        })?
        .to_rgb8();
    let (columns, rows) = (picture.width() as usize, picture.height() as usize);
    let size = scan
        .colour_size
        .map_or((0, 0), |size| (size.columns, size.rows));
    if size != (columns, rows) {
        return Err(Error::new(
            ErrorKind::Mismatch,
            format!("a picture of {columns} × {rows} pixels"),
        )
        .expected(format!(
            "expected {} × {}, as the colour frame",
            size.0, size.1
        )));
    }
    let correction = correction(scan, columns, calibration)?;
    let named = picture.into_raw();
    let mut found = PaintedFrame {
        painted: Vec::new(),
        clipped: 0,
    };
    let mut seen = vec![false; labels.len()];
    let mut row = 0;
    while let Some(block) = reader.read(BLOCK_ROWS)? {
        for line in block.rgb.chunks_exact(3 * columns) {
            for (column, pixel) in line.chunks_exact(3).enumerate() {
                let at = 3 * (row * columns + column);
                let Some(label) = labels
                    .iter()
                    .position(|(colour, _)| named.get(at..at + 3) == Some(colour.as_slice()))
                else {
                    continue;
                };
                seen[label] = true;
                let raw = [pixel[0], pixel[1], pixel[2]];
                if is_clipped(raw) {
                    found.clipped += 1;
                    continue;
                }
                let corrected = match &correction {
                    Some(correction) => match correction.linear(column, raw) {
                        Some(linear) => linear.map(encode_srgb8),
                        None => continue,
                    },
                    None => raw,
                };
                found.painted.push(PaintedColour {
                    lab: lab_from_srgb8(corrected),
                    class: labels[label].1,
                    block: (row / PART_PX) * columns.div_ceil(PART_PX) + column / PART_PX,
                });
            }
            row += 1;
        }
    }
    if let Some(at) = seen.iter().position(|seen| !seen) {
        let [r, g, b] = labels[at].0;
        return Err(Error::new(
            ErrorKind::Mismatch,
            format!("no pixel is painted #{r:02x}{g:02x}{b:02x}"),
        )
        .expected("expected the label's colour exactly: paint without smooth edges, save as PNG"));
    }
    Ok(found)
}

/// The calibration's correction for this frame, as when pieces are measured.
fn correction(
    scan: &Scan,
    columns: usize,
    calibration: Option<&Calibration>,
) -> Result<Option<CorrectionRow>> {
    let (Some(calibration), Some(part)) = (calibration, &scan.description.colour) else {
        return Ok(None);
    };
    let Some(colour) = &calibration.colour else {
        return Ok(None);
    };
    let width_mm = scan.columns as f64 * scan.description.height.pitch_across_mm;
    let correction = Correction::new(colour.matrix, colour.flat_field.clone(), width_mm)?;
    let origin_mm = part.origin_across_mm + calibration.registration.dx_mm;
    Ok(Some(correction.row(
        columns,
        part.pitch_across_mm,
        origin_mm,
    )))
}
