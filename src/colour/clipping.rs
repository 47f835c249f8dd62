//! Saturated pixels, whose colour is not known.

/// A channel at or above this 8-bit code counts as saturated.
///
/// Two codes below full scale, because a lossy colour file brings a saturated pixel back a code or two lower (common
/// practice, no source).
pub const CLIPPED_FROM: u8 = 253;

/// Whether a *raw* camera pixel is saturated in any channel.
///
/// One saturated channel is enough: its true value is unknown, so hue and chroma are too. Ask this of the camera's value,
/// before any correction, which would move the limit.
#[must_use]
pub fn is_clipped(raw_rgb: [u8; 3]) -> bool {
    raw_rgb.iter().any(|&code| code >= CLIPPED_FROM)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_saturated_channel_is_enough() {
        assert!(is_clipped([255, 90, 80]));
        assert!(is_clipped([10, 10, CLIPPED_FROM]));
        assert!(!is_clipped([CLIPPED_FROM - 1; 3]));
        assert!(!is_clipped([0, 0, 0]));
    }
}
