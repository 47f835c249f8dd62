//! Frames in TIFF, strip by strip; tiled files are decoded whole.

use std::fs::File;
use std::io::BufReader;
use std::path::Path;

use tiff::ColorType;
use tiff::decoder::{ChunkType, Decoder, DecodingResult, Limits};
use tiff::tags::Tag;

use crate::error::{Error, ErrorKind, Result};

use super::format::{Depth, FrameSize, damaged};

/// The pixel types that are read.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum TiffSample {
    U16,
    F32,
    Rgb8,
}

impl TiffSample {
    fn describe(self) -> &'static str {
        match self {
            Self::U16 => "16-bit grey",
            Self::F32 => "32-bit float grey",
            Self::Rgb8 => "8-bit RGB",
        }
    }
}

/// A TIFF whose header has been read and judged.
pub(super) struct TiffFrame {
    decoder: Decoder<BufReader<File>>,
    size: FrameSize,
    sample: TiffSample,
    lossy: bool,
    tiled: bool,
    next_chunk: u32,
    /// Decoded samples not yet handed out: those of one strip, or of the whole tiled picture.
    held: DecodingResult,
    /// How many of `held` have been handed out.
    used: usize,
}

impl TiffFrame {
    /// Opens `path` and checks that its pixels are of one of the `wanted` types.
    pub(super) fn open(path: &Path, until: Depth, wanted: &[TiffSample]) -> Result<Self> {
        let file = File::open(path).map_err(|e| Error::io(path, &e))?;
        let not_tiff = |e: tiff::TiffError| {
            Error::new(ErrorKind::Image, e.to_string())
                .at(path)
                .expected("expected a TIFF file; it is cut off, damaged or of another format")
        };
        let names: Vec<&str> = wanted.iter().map(|w| w.describe()).collect();
        let expected = format!("expected one picture of {} pixels", names.join(" or "));
        let refuse = |found: String| {
            Error::new(ErrorKind::Image, found)
                .at(path)
                .expected(expected.clone())
        };
        let mut decoder =
            Decoder::new(BufReader::with_capacity(until.buffer_bytes(), file)).map_err(not_tiff)?;
        let (width, height) = decoder.dimensions().map_err(not_tiff)?;
        let size =
            FrameSize::checked(u64::from(height), u64::from(width)).map_err(|e| e.at(path))?;
        let colour = decoder.colortype().map_err(not_tiff)?;
        let mut tag = |tag: Tag, absent: u32| -> Result<u32> {
            match decoder.find_tag(tag).map_err(not_tiff)? {
                // A list has one entry per channel; the types that are read have equal channels.
                Some(tiff::decoder::ifd::Value::List(values)) => match values.into_iter().next() {
                    Some(first) => first.into_u32().map_err(not_tiff),
                    None => Ok(absent),
                },
                Some(value) => value.into_u32().map_err(not_tiff),
                None => Ok(absent),
            }
        };
        // Values of the tags: TIFF 6.0 sections 8 and 19.
        let sample_format = tag(Tag::SampleFormat, 1)?;
        let photometric = tag(Tag::PhotometricInterpretation, 1)?;
        let planar = tag(Tag::PlanarConfiguration, 1)?;
        let compression = tag(Tag::Compression, 1)?;
        if photometric == 0 {
            return Err(refuse("a TIFF in which white is zero".into()));
        }
        let sample = match (colour, sample_format) {
            (ColorType::Gray(16), 1) => Some(TiffSample::U16),
            (ColorType::Gray(32), 3) => Some(TiffSample::F32),
            (ColorType::RGB(8), 1) => Some(TiffSample::Rgb8),
            _ => None,
        };
        let Some(sample) = sample.filter(|s| wanted.contains(s)) else {
            let kind = match sample_format {
                1 => "unsigned",
                2 => "signed",
                3 => "float",
                _ => "unknown",
            };
            return Err(refuse(format!("a TIFF of {colour:?} {kind} pixels")));
        };
        if planar == 2 && sample == TiffSample::Rgb8 {
            return Err(refuse(
                "a TIFF with its colours in separate planes; save it with the colours of a pixel together".into(),
            ));
        }
        if decoder.more_images() {
            return Err(refuse("a TIFF with several pictures".into()));
        }
        let tiled = decoder.get_chunk_type() == ChunkType::Tile;
        // The frame's size is within bounds, so a strip may be as large as the whole frame.
        let bytes_per_pixel = match sample {
            TiffSample::U16 => 2,
            TiffSample::F32 => 4,
            TiffSample::Rgb8 => 3,
        };
        let bytes = size.rows * size.columns * bytes_per_pixel;
        let mut limits = Limits::default();
        limits.decoding_buffer_size = limits.decoding_buffer_size.max(bytes);
        limits.intermediate_buffer_size = limits.intermediate_buffer_size.max(bytes);
        // Strip offsets of one row each take 8 bytes a row.
        limits.ifd_value_size = limits.ifd_value_size.max(size.rows * 8);
        Ok(Self {
            decoder: decoder.with_limits(limits),
            size,
            sample,
            // 6 and 7 are JPEG, 50001 WebP.
            lossy: matches!(compression, 6 | 7 | 50001),
            tiled,
            next_chunk: 0,
            held: DecodingResult::U8(Vec::new()),
            used: 0,
        })
    }

    pub(super) fn size(&self) -> FrameSize {
        self.size
    }

    pub(super) fn sample(&self) -> TiffSample {
        self.sample
    }

    /// Whether the pixels went through a lossy compression.
    pub(super) fn lossy(&self) -> bool {
        self.lossy
    }

    pub(super) fn read_u16(&mut self, path: &Path, first: usize, rows: usize) -> Result<Vec<u16>> {
        self.gather(path, first, rows, 1, |held| match held {
            DecodingResult::U16(samples) => Some(samples),
            _ => None,
        })
    }

    pub(super) fn read_f32(&mut self, path: &Path, first: usize, rows: usize) -> Result<Vec<f32>> {
        self.gather(path, first, rows, 1, |held| match held {
            DecodingResult::F32(samples) => Some(samples),
            _ => None,
        })
    }

    pub(super) fn read_rgb(&mut self, path: &Path, first: usize, rows: usize) -> Result<Vec<u8>> {
        self.gather(path, first, rows, 3, |held| match held {
            DecodingResult::U8(samples) => Some(samples),
            _ => None,
        })
    }

    /// Collects rows from the held samples, decoding strip after strip.
    fn gather<T: Copy>(
        &mut self,
        path: &Path,
        first: usize,
        rows: usize,
        channels: usize,
        samples: impl Fn(&DecodingResult) -> Option<&Vec<T>>,
    ) -> Result<Vec<T>> {
        let row_samples = self.size.columns * channels;
        let wanted = rows * row_samples;
        let mut out = Vec::with_capacity(wanted);
        while out.len() < wanted {
            let row = first + out.len() / row_samples;
            if let Some(held) = samples(&self.held)
                && self.used < held.len()
            {
                let take = (wanted - out.len()).min(held.len() - self.used);
                out.extend_from_slice(&held[self.used..self.used + take]);
                self.used += take;
                continue;
            }
            self.advance(path, row)?;
            if samples(&self.held).is_none_or(Vec::is_empty) {
                return Err(damaged(path, row, "a strip of another pixel type"));
            }
        }
        Ok(out)
    }

    fn advance(&mut self, path: &Path, row: usize) -> Result<()> {
        self.held = if self.tiled {
            if self.next_chunk != 0 {
                return Err(damaged(path, row, "the picture ends"));
            }
            self.decoder.read_image()
        } else {
            self.decoder.read_chunk(self.next_chunk)
        }
        .map_err(|e| damaged(path, row, e))?;
        self.next_chunk += 1;
        self.used = 0;
        Ok(())
    }
}
