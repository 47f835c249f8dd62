//! Random streams: one for each purpose and index, all from one seed.
//!
//! Every row and every piece draws from a stream of its own, so neither the cutting into frames nor the number of
//! threads changes a single byte.

use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;

/// What a stream of random numbers is for.
#[derive(Debug, Clone, Copy)]
pub(super) enum Purpose {
    /// Where the pieces lie.
    Layout,
    /// Form and pattern of one piece.
    Piece,
    /// Height noise of one row.
    HeightRow,
    /// Colour noise of one row.
    ColourRow,
    /// The belt's look.
    Belt,
    /// Height noise of one row of the second camera.
    SecondHeightRow,
}

/// The stream for `purpose` and `index`.
///
/// ChaCha's 64-bit stream number keeps them apart: purpose in the top byte, index below.
pub(super) fn stream(seed: u64, purpose: Purpose, index: u64) -> ChaCha8Rng {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    rng.set_stream(((purpose as u64) << 56) | (index & 0x00ff_ffff_ffff_ffff));
    rng
}
