//! The sRGB transfer function, exact and by table.
//!
//! Reference: IEC 61966-2-1:1999, with the limits 0.04045 (encoded) and 0.0031308 (linear).

use std::sync::LazyLock;

/// Linear light (0 to 1) of an encoded value (0 to 1).
#[must_use]
pub fn linear_from_srgb(encoded: f64) -> f64 {
    if encoded <= 0.04045 {
        encoded / 12.92
    } else {
        ((encoded + 0.055) / 1.055).powf(2.4)
    }
}

/// Encoded value (0 to 1) of linear light (0 to 1).
#[must_use]
pub fn encode_srgb(linear: f64) -> f64 {
    if linear <= 0.003_130_8 {
        linear * 12.92
    } else {
        1.055 * linear.powf(1.0 / 2.4) - 0.055
    }
}

/// Linear light (0 to 1) of an 8-bit code, by table.
#[must_use]
pub fn linear_from_srgb8(code: u8) -> f32 {
    LINEAR[usize::from(code)]
}

/// Linear light (0 to 1) of all 8-bit codes, to be fetched once before a loop.
#[must_use]
pub fn linear_codes() -> &'static [f32; 256] {
    &LINEAR
}

/// Nearest 8-bit code of linear light; what lies outside 0…1 is clipped, NaN becomes 0.
///
/// Exact: the code changes where linear light passes the decoded midpoint between two codes, rounded to `f32`. A bin of the
/// table is narrower than the closest two midpoints (1 / 4096 < 1 / (12.92 · 255)), so one comparison settles it.
#[must_use]
pub fn encode_srgb8(linear: f32) -> u8 {
    ENCODER.encode(linear)
}

/// Linear light of each 8-bit code.
pub(super) static LINEAR: LazyLock<[f32; 256]> =
    LazyLock::new(|| std::array::from_fn(|code| linear_from_srgb(code as f64 / 255.0) as f32));

/// The encoder's tables, to be fetched once before a loop.
pub(super) static ENCODER: LazyLock<Encoder> = LazyLock::new(Encoder::new);

/// Bins over 0…1.
const BINS: f32 = 4096.0;
/// Entries of the bins' table: a power of two, so that a masked number is always inside.
const ENTRIES: usize = 8192;
/// 2²³: added to a smaller positive `f32`, it leaves the nearest whole number in the lowest bits.
const WHOLE: f32 = 8_388_608.0;

/// Linear light to 8-bit code by table.
pub(super) struct Encoder {
    /// Code at the lower edge of each bin; bins are centred on multiples of 1/4096.
    code: Box<[u8; ENTRIES]>,
    /// Linear light from which a code's successor takes over; infinite for 255.
    next_from: [f32; 256],
}

impl Encoder {
    fn new() -> Self {
        let next_from: [f32; 256] = std::array::from_fn(|code| {
            if code == 255 {
                f32::INFINITY
            } else {
                linear_from_srgb((code as f64 + 0.5) / 255.0) as f32
            }
        });
        let mut current = 0_u8;
        let mut code = Box::new([0_u8; ENTRIES]);
        for (bin, slot) in code.iter_mut().enumerate() {
            let lower_edge = (bin as f32 - 0.5) / BINS;
            while next_from[usize::from(current)] <= lower_edge {
                current += 1;
            }
            *slot = current;
        }
        Self { code, next_from }
    }

    /// The nearest code; clips to 0…1 first, NaN becomes 0.
    pub(super) fn encode(&self, linear: f32) -> u8 {
        let clipped = if linear.is_nan() {
            0.0
        } else {
            linear.clamp(0.0, 1.0)
        };
        self.encode_in_bin(clipped, bin(clipped))
    }

    /// The nearest code of linear light in 0…1 whose [`bin`] is known.
    #[inline]
    pub(super) fn encode_in_bin(&self, clipped: f32, bin: u32) -> u8 {
        let low = self.code[bin as usize % ENTRIES];
        low + u8::from(clipped >= self.next_from[usize::from(low)])
    }
}

/// The bin of linear light in 0…1.
#[inline]
pub(super) fn bin(clipped: f32) -> u32 {
    (clipped * BINS + WHOLE).to_bits() % ENTRIES as u32
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The definition, without tables: the code changes at the decoded midpoint.
    fn encode_by_search(linear: f32) -> u8 {
        (0..255_u8)
            .take_while(|&code| linear >= linear_from_srgb((f64::from(code) + 0.5) / 255.0) as f32)
            .count() as u8
    }

    #[test]
    fn every_code_survives_the_way_there_and_back() {
        for code in 0..=255_u8 {
            assert_eq!(encode_srgb8(linear_from_srgb8(code)), code);
        }
    }

    #[test]
    fn the_table_rounds_as_the_definition_does() {
        for step in 0..=1_000_000_u32 {
            let linear = step as f32 / 1_000_000.0;
            assert_eq!(encode_srgb8(linear), encode_by_search(linear), "{linear}");
        }
        for code in 0..255_u8 {
            let edge = linear_from_srgb((f64::from(code) + 0.5) / 255.0) as f32;
            assert_eq!(encode_srgb8(edge), code + 1);
            assert_eq!(encode_srgb8(edge.next_down()), code);
        }
    }

    #[test]
    fn what_is_out_of_range_is_clipped() {
        assert_eq!(encode_srgb8(-0.5), 0);
        assert_eq!(encode_srgb8(1.7), 255);
        assert_eq!(encode_srgb8(f32::INFINITY), 255);
        assert_eq!(encode_srgb8(f32::NAN), 0);
    }

    /// The two branches of the standard meet: 8-bit 10 lies on the linear one, 11 on the power one.
    #[test]
    fn branches_are_chosen_at_the_limit_of_the_standard() {
        assert!((linear_from_srgb(10.0 / 255.0) - 10.0 / 255.0 / 12.92).abs() < 1e-15);
        assert!((linear_from_srgb(11.0 / 255.0) - 0.003_346_54).abs() < 1e-8);
        for step in 0..=1000 {
            let encoded = f64::from(step) / 1000.0;
            assert!((encode_srgb(linear_from_srgb(encoded)) - encoded).abs() < 1e-6);
        }
    }
}
