//! The known key nearest to a mistyped one.

/// The candidate with the fewest single-character edits from `word`, when it is near enough to be meant: at most one
/// edit in three characters, and two in any case (common practice, no source). Ties go to the earlier candidate.
#[must_use]
pub fn nearest<'a>(word: &str, candidates: &[&'a str]) -> Option<&'a str> {
    let limit = (word.chars().count() / 3).max(2);
    candidates
        .iter()
        .map(|candidate| (edits(word, candidate), *candidate))
        .filter(|(distance, candidate)| *distance <= limit && *distance < candidate.chars().count())
        .min_by_key(|(distance, _)| *distance)
        .map(|(_, candidate)| candidate)
}

/// Insertions, deletions and replacements that turn `a` into `b` (Wagner and Fischer 1974, the two-row form).
fn edits(a: &str, b: &str) -> usize {
    let b: Vec<char> = b.chars().collect();
    let mut row: Vec<usize> = (0..=b.len()).collect();
    for (i, from) in a.chars().enumerate() {
        let mut diagonal = row[0];
        row[0] = i + 1;
        for (j, to) in b.iter().enumerate() {
            let replace = diagonal + usize::from(from != *to);
            diagonal = row[j + 1];
            row[j + 1] = replace.min(diagonal + 1).min(row[j] + 1);
        }
    }
    row[b.len()]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn distances_of_textbook_pairs() {
        // The pairs usually quoted for this distance: kitten/sitting 3, Saturday/Sunday 3 (from memory).
        for (a, b, distance) in [
            ("kitten", "sitting", 3),
            ("saturday", "sunday", 3),
            ("", "abc", 3),
            ("abc", "", 3),
            ("same", "same", 0),
        ] {
            assert_eq!(edits(a, b), distance, "{a} to {b}");
        }
    }

    #[test]
    fn a_slip_finds_its_key_and_another_word_does_not() {
        let keys = ["pitch_across_mm", "pitch_along_mm", "scale_mm"];
        assert_eq!(nearest("pitch_acros_mm", &keys), Some("pitch_across_mm"));
        assert_eq!(nearest("scale", &keys), None);
        assert_eq!(nearest("scale_m", &keys), Some("scale_mm"));
        assert_eq!(nearest("banana", &keys), None);
    }
}
