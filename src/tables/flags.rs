//! The flags' written names and what each means.

use super::Flag;

impl Flag {
    /// Every flag, in the order in which they are written.
    pub const ALL: [Self; 13] = [
        Self::Edge,
        Self::Cut,
        Self::Touching,
        Self::Doubtful,
        Self::Filled,
        Self::Clipped,
        Self::Belt,
        Self::Learned,
        Self::SpecMass,
        Self::SpecLength,
        Self::SpecWidth,
        Self::SpecHeight,
        Self::SpecFat,
    ];

    /// The name written in tables.
    pub fn name(self) -> &'static str {
        match self {
            Self::Edge => "edge",
            Self::Cut => "cut",
            Self::Touching => "touching",
            Self::Doubtful => "doubtful",
            Self::Filled => "filled",
            Self::Clipped => "clipped",
            Self::Belt => "belt",
            Self::Learned => "learned",
            Self::SpecMass => "spec-mass",
            Self::SpecLength => "spec-length",
            Self::SpecWidth => "spec-width",
            Self::SpecHeight => "spec-height",
            Self::SpecFat => "spec-fat",
        }
    }

    /// What it means, for people.
    pub fn meaning(self) -> &'static str {
        match self {
            Self::Edge => "reaches the side of the frame: part of it may lie outside",
            Self::Cut => {
                "reaches the start or end of the recording, or missing rows: part of it may be missing"
            }
            Self::Touching => "was parted from a neighbour it touches",
            Self::Doubtful => {
                "whether it is one piece or several is not clear from its form: it was near to being parted, or to being left whole"
            }
            Self::Filled => {
                "more than a twentieth of its footprint was not seen and was reconstructed"
            }
            Self::Clipped => {
                "so much of its colour is clipped or missing that the class shares are doubtful"
            }
            Self::Belt => "no belt was seen near it: its height rests on belt seen far away",
            Self::Learned => {
                "a limit between its classes was learned from the recording, not taken from the profile"
            }
            Self::SpecMass => "its mass is outside the spec",
            Self::SpecLength => "its length is outside the spec",
            Self::SpecWidth => "its width is outside the spec",
            Self::SpecHeight => "its largest height is outside the spec",
            Self::SpecFat => "its fat share is outside the spec",
        }
    }

    /// The flag of that written name.
    pub fn from_name(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|flag| flag.name() == name)
    }

    /// Whether it says that a limit of the product's spec is missed.
    pub fn is_spec(self) -> bool {
        self.name().starts_with("spec-")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_are_unique_sorted_like_the_flags_and_read_back() {
        for pair in Flag::ALL.windows(2) {
            assert!(pair[0] < pair[1]);
        }
        for flag in Flag::ALL {
            assert_eq!(Flag::from_name(flag.name()), Some(flag));
            assert!(!flag.name().contains(' '));
        }
        assert_eq!(Flag::from_name("spec"), None);
        assert_eq!(Flag::ALL.iter().filter(|flag| flag.is_spec()).count(), 5);
    }
}
