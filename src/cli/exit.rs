//! How a command ended, the same for every command.

use std::process::ExitCode;

/// How a command, or a part of it, ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Exit {
    /// Done, and all is well.
    Done,
    /// It could not be done.
    Failed,
    /// It was asked for wrongly.
    Usage,
    /// Done, and a verdict is bad.
    BadVerdict,
    /// Done, but some inputs were rejected.
    Rejected,
}

impl Exit {
    /// The number that the shell sees.
    pub(crate) fn code(self) -> u8 {
        match self {
            Self::Done => 0,
            Self::Failed => 1,
            Self::Usage => 2,
            Self::BadVerdict => 3,
            Self::Rejected => 4,
        }
    }

    /// How the whole ended when its parts ended like this.
    ///
    /// What was not done at all comes first. Rejected inputs then hide a bad verdict: a verdict over part of the inputs
    /// is not yet one over all of them, and the verdict is in the result in any case.
    pub(crate) fn and(self, other: Self) -> Self {
        fn weight(exit: Exit) -> u8 {
            match exit {
                Exit::Done => 0,
                Exit::BadVerdict => 1,
                Exit::Rejected => 2,
                Exit::Failed => 3,
                Exit::Usage => 4,
            }
        }
        if weight(other) > weight(self) {
            other
        } else {
            self
        }
    }
}

impl From<Exit> for ExitCode {
    fn from(exit: Exit) -> Self {
        Self::from(exit.code())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const ALL: [Exit; 5] = [
        Exit::Done,
        Exit::Failed,
        Exit::Usage,
        Exit::BadVerdict,
        Exit::Rejected,
    ];

    #[test]
    fn the_numbers_are_those_of_the_format() {
        assert_eq!(ALL.map(Exit::code), [0, 1, 2, 3, 4]);
    }

    #[test]
    fn rejected_inputs_hide_a_bad_verdict_and_failure_hides_both() {
        assert_eq!(Exit::BadVerdict.and(Exit::Rejected), Exit::Rejected);
        assert_eq!(Exit::Rejected.and(Exit::Failed), Exit::Failed);
        assert_eq!(Exit::Done.and(Exit::BadVerdict), Exit::BadVerdict);
    }

    #[test]
    fn the_order_of_the_parts_makes_no_difference() {
        for a in ALL {
            assert_eq!(a.and(Exit::Done), a);
            for b in ALL {
                assert_eq!(a.and(b), b.and(a));
                for c in ALL {
                    assert_eq!(a.and(b).and(c), a.and(b.and(c)));
                }
            }
        }
    }
}
