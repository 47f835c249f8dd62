//! Which of up to 64 cells are so: a bit each, so that the few that change from one row to the next are found without a look at the others.

/// Cells to a word.
pub const WORD: usize = 64;

/// Bit k says whether `is` holds for the k-th of up to 64 cells.
pub fn bits<T: Copy>(cells: &[T], is: impl Fn(T) -> bool) -> u64 {
    let mut flags = [0_u8; WORD];
    for (flag, &cell) in flags.iter_mut().zip(cells) {
        *flag = u8::from(is(cell));
    }
    // Eight flags at a time: the factor moves the k-th byte's lowest bit to bit 56 + k, and no two bits to the same place.
    const GATHER: u64 = 0x0102_0408_1020_4080;
    let eights = flags.as_chunks::<8>().0.iter().rev();
    eights.fold(0, |word, eight| {
        word << 8 | u64::from_le_bytes(*eight).wrapping_mul(GATHER) >> 56
    })
}

/// The numbers of the set bits, the lowest first.
pub fn set(mut word: u64) -> impl Iterator<Item = usize> {
    std::iter::from_fn(move || {
        let bit = word.trailing_zeros() as usize;
        (word != 0).then(|| {
            word &= word - 1;
            bit
        })
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_bit_is_a_cell() {
        let mut state = 1_u64;
        for length in [0, 1, 7, 8, 63, 64] {
            state = state
                .wrapping_mul(6_364_136_223_846_793_005)
                .wrapping_add(length);
            let cells: Vec<f32> = (0..length)
                .map(|k| {
                    if state >> k & 1 == 1 {
                        f32::NAN
                    } else {
                        k as f32
                    }
                })
                .collect();
            let found: Vec<usize> = set(bits(&cells, f32::is_nan)).collect();
            let expected = cells.iter().enumerate().filter(|(_, cell)| cell.is_nan());
            assert_eq!(found, expected.map(|(k, _)| k).collect::<Vec<_>>());
        }
    }
}
