//! Decodes the frames of an archive as `measure` does, with the same readers, threads and overlap, and does nothing else: what
//! `measure` costs beyond this is its own.
//!
//! `cargo bench --bench decode_only -- ARCHIVE [--threads N]`

use std::path::PathBuf;

use rayon::prelude::*;
use weighlight::Result;
use weighlight::scan::{ColourReader, HeightReader, Recording, Scan, read_archive};

/// Height rows read at a time, as in the pipeline.
const CHUNK_ROWS: usize = 256;

fn main() -> Result<()> {
    let mut archive: Vec<PathBuf> = Vec::new();
    let mut arguments = std::env::args().skip(1);
    while let Some(argument) = arguments.next() {
        match argument.as_str() {
            "--threads" => {
                let threads = arguments.next().and_then(|text| text.parse().ok());
                let pool = rayon::ThreadPoolBuilder::new().num_threads(threads.unwrap_or(0));
                if let Err(error) = pool.build_global() {
                    eprintln!("decode_only: {error}");
                }
            }
            "--bench" => {}
            path => archive.push(PathBuf::from(path)),
        }
    }
    if archive.is_empty() {
        println!("decode_only: give an archive: cargo bench --bench decode_only -- ARCHIVE");
        return Ok(());
    }
    let archive = read_archive(&archive)?;
    let decoded: Result<Vec<[u64; 2]>> = archive.recordings.par_iter().map(decode).collect();
    let bytes = decoded?
        .iter()
        .fold([0, 0], |all, one| [all[0] + one[0], all[1] + one[1]]);
    println!(
        "{} recordings: {:.1} megapixels of height, {:.1} of colour",
        archive.recordings.len(),
        bytes[0] as f64 / 1e6,
        bytes[1] as f64 / 3e6
    );
    Ok(())
}

/// Samples of height and bytes of colour.
fn decode(recording: &Recording) -> Result<[u64; 2]> {
    let mut all = [0, 0];
    for scan in &recording.frames {
        let frame = decode_frame(scan)?;
        all = [all[0] + frame[0], all[1] + frame[1]];
    }
    Ok(all)
}

fn decode_frame(scan: &Scan) -> Result<[u64; 2]> {
    let mut height = HeightReader::open(scan)?;
    let mut colour = match scan.colour_size {
        Some(_) => Some(ColourReader::open(scan)?),
        None => None,
    };
    let colour_rows = scan.colour_size.map_or(0, |size| size.rows);
    let chunks = scan.rows.div_ceil(CHUNK_ROWS).max(1);
    let mut samples = [0, 0];
    for chunk in 0..chunks {
        let until = colour_rows * (chunk + 1) / chunks;
        let rows = until - colour_rows * chunk / chunks;
        let (height, colour) = rayon::join(
            || height.read(CHUNK_ROWS),
            || match &mut colour {
                Some(reader) if rows > 0 => reader.read(rows),
                _ => Ok(None),
            },
        );
        samples[0] += height?.map_or(0, |rows| rows.counts.len() as u64);
        samples[1] += colour?.map_or(0, |rows| rows.rgb.len() as u64);
    }
    Ok(samples)
}
