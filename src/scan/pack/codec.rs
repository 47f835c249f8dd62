//! Chunks to bytes and back.
//!
//! Heights hardly change from one sample to the next, so differences are packed, their low bytes first and then their high bytes, which are all but
//! alike. Colours are told apart by channel within each row first.

use crate::error::{Error, ErrorKind, Result};

/// Zstandard's level: what is left after the differences is noise, in which higher levels look for likeness in vain (level 3 makes
/// pictures of simulated scans larger, not smaller, and takes longer).
pub(super) const ZSTD_LEVEL: i32 = 1;

fn compress(bytes: &[u8]) -> Result<Vec<u8>> {
    let packed = || -> std::io::Result<Vec<u8>> {
        let mut compressor = zstd::bulk::Compressor::new(ZSTD_LEVEL)?;
        compressor.include_checksum(true)?;
        compressor.compress(bytes)
    };
    packed().map_err(|e| Error::new(ErrorKind::Io, e.to_string()))
}

/// Exactly `size` bytes.
fn decompress(packed: &[u8], size: usize) -> Result<Vec<u8>> {
    let damaged = |found: String| {
        Error::new(ErrorKind::Image, found)
            .expected("expected a whole pack; it is cut off or damaged, pack the recording again")
    };
    let bytes = zstd::bulk::decompress(packed, size).map_err(|e| damaged(e.to_string()))?;
    match bytes.len() == size {
        true => Ok(bytes),
        false => Err(damaged(format!(
            "a chunk of {} bytes where {size} belong",
            bytes.len()
        ))),
    }
}

/// Counts: differences, then low bytes, then high bytes.
pub(super) fn pack_u16(counts: &[u16]) -> Result<Vec<u8>> {
    let mut bytes = vec![0_u8; 2 * counts.len()];
    let (low, high) = bytes.split_at_mut(counts.len());
    let before = std::iter::once(0).chain(counts.iter().copied());
    for ((&count, before), (low, high)) in counts.iter().zip(before).zip(low.iter_mut().zip(high)) {
        [*low, *high] = count.wrapping_sub(before).to_le_bytes();
    }
    compress(&bytes)
}

pub(super) fn unpack_u16(packed: &[u8], samples: usize) -> Result<Vec<u16>> {
    let bytes = decompress(packed, 2 * samples)?;
    let (low, high) = bytes.split_at(samples);
    let mut last = 0_u16;
    let differences = low.iter().zip(high);
    Ok(differences
        .map(|(&low, &high)| {
            last = last.wrapping_add(u16::from_le_bytes([low, high]));
            last
        })
        .collect())
}

/// Floats: the four bytes of all samples, one after the other.
pub(super) fn pack_f32(values: &[f32]) -> Result<Vec<u8>> {
    let mut bytes = vec![0_u8; 4 * values.len()];
    for (place, value) in values.iter().enumerate() {
        for (part, byte) in value.to_le_bytes().into_iter().enumerate() {
            bytes[part * values.len() + place] = byte;
        }
    }
    compress(&bytes)
}

pub(super) fn unpack_f32(packed: &[u8], samples: usize) -> Result<Vec<f32>> {
    let bytes = decompress(packed, 4 * samples)?;
    let part = |part: usize, place: usize| bytes[part * samples + place];
    Ok((0..samples)
        .map(|place| f32::from_le_bytes([0, 1, 2, 3].map(|k| part(k, place))))
        .collect())
}

/// Colours, `columns` to a row: each row's red, green and blue, then differences over all of them.
pub(super) fn pack_rgb(rgb: &[u8], columns: usize) -> Result<Vec<u8>> {
    let mut bytes = Vec::with_capacity(rgb.len());
    for row in rgb.chunks(3 * columns.max(1)) {
        let pixels = row.as_chunks::<3>().0;
        for channel in 0..3 {
            bytes.extend(pixels.iter().map(|pixel| pixel[channel]));
        }
    }
    let mut before = 0_u8;
    for byte in &mut bytes {
        before = std::mem::replace(byte, byte.wrapping_sub(before));
    }
    compress(&bytes)
}

pub(super) fn unpack_rgb(packed: &[u8], pixels: usize, columns: usize) -> Result<Vec<u8>> {
    let mut bytes = decompress(packed, 3 * pixels)?;
    let mut last = 0_u8;
    for byte in &mut bytes {
        last = last.wrapping_add(*byte);
        *byte = last;
    }
    let mut rgb = vec![0_u8; bytes.len()];
    let row = 3 * columns.max(1);
    for (planes, out) in bytes.chunks(row).zip(rgb.chunks_mut(row)) {
        let (red, rest) = planes.split_at(planes.len() / 3);
        let (green, blue) = rest.split_at(rest.len() / 2);
        let pixels = out.as_chunks_mut::<3>().0.iter_mut();
        for (pixel, ((&r, &g), &b)) in pixels.zip(red.iter().zip(green).zip(blue)) {
            *pixel = [r, g, b];
        }
    }
    Ok(rgb)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn counts_come_back(counts in prop::collection::vec(any::<u16>(), 0..700)) {
            let packed = pack_u16(&counts).unwrap();
            prop_assert_eq!(unpack_u16(&packed, counts.len()).unwrap(), counts);
        }

        #[test]
        fn floats_come_back_to_the_bit(bits in prop::collection::vec(any::<u32>(), 0..700)) {
            let values: Vec<f32> = bits.iter().map(|&bits| f32::from_bits(bits)).collect();
            let back = unpack_f32(&pack_f32(&values).unwrap(), values.len()).unwrap();
            prop_assert_eq!(back.iter().map(|v| v.to_bits()).collect::<Vec<_>>(), bits);
        }

        #[test]
        fn colours_come_back(columns in 1_usize..20, rows in 0_usize..20, seed in any::<u64>()) {
            let mut state = seed | 1;
            let rgb: Vec<u8> = (0..3 * columns * rows)
                .map(|_| { state = state.wrapping_mul(6364136223846793005).wrapping_add(1); (state >> 56) as u8 })
                .collect();
            let packed = pack_rgb(&rgb, columns).unwrap();
            prop_assert_eq!(unpack_rgb(&packed, columns * rows, columns).unwrap(), rgb);
        }
    }

    #[test]
    fn damage_is_found() {
        let counts: Vec<u16> = (0..5000).map(|at| (at * at / 7) as u16).collect();
        let packed = pack_u16(&counts).unwrap();
        assert!(unpack_u16(&packed, 4999).is_err());
        assert!(unpack_u16(&packed, 5001).is_err());
        let mut bent = packed.clone();
        let middle = bent.len() / 2;
        bent[middle] ^= 0x10;
        assert!(unpack_u16(&bent, 5000).is_err(), "the checksum fails");
        assert!(unpack_u16(&packed[..middle], 5000).is_err());
    }
}
