//! Which part of a run is done: said outright, or told by what started the program.

use weighlight::runs::Shard;
use weighlight::{Error, ErrorKind, Result};

/// What `--shard` says.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum ShardChoice {
    /// This part.
    Part(Shard),
    /// Part and number of parts from the environment.
    Auto,
    /// The part from the environment, of so many.
    AutoOf(u32),
}

impl ShardChoice {
    pub(crate) fn parse(text: &str) -> std::result::Result<Self, String> {
        match text.split_once('/') {
            None if text == "auto" => Ok(Self::Auto),
            Some(("auto", count)) => match count.parse() {
                Ok(count) if count > 0 => Ok(Self::AutoOf(count)),
                _ => Err("expected auto/N with N parts, such as auto/8".to_owned()),
            },
            _ => text.parse().map(Self::Part).map_err(|_: String| {
                "expected I/N, part I of N counted from 1, such as 3/8, or auto, or auto/N"
                    .to_owned()
            }),
        }
    }
}

/// The part that is to be done.
///
/// # Errors
/// It is to be told by the environment, and that does not tell it.
pub(crate) fn shard(choice: Option<ShardChoice>) -> Result<Shard> {
    let number = |name: &str| -> Option<u32> { std::env::var(name).ok()?.trim().parse().ok() };
    match choice {
        None => Ok(Shard::WHOLE),
        Some(ShardChoice::Part(shard)) => Ok(shard),
        Some(ShardChoice::Auto) => from_array(number),
        Some(ShardChoice::AutoOf(count)) => of_count(number, count),
    }
}

fn wrong(found: String, expected: &str) -> Error {
    Error::new(ErrorKind::Mismatch, found)
        .key("--shard")
        .expected(expected)
}

/// Part and number of parts from a Slurm job array with consecutive numbers.
fn from_array(number: impl Fn(&str) -> Option<u32>) -> Result<Shard> {
    let array = (
        number("SLURM_ARRAY_TASK_ID"),
        number("SLURM_ARRAY_TASK_MIN"),
        number("SLURM_ARRAY_TASK_MAX"),
        number("SLURM_ARRAY_TASK_COUNT"),
    );
    let (Some(id), Some(low), Some(high), Some(count)) = array else {
        return Err(wrong(
            "not a task of a Slurm job array".to_owned(),
            "expected SLURM_ARRAY_TASK_ID, _MIN, _MAX and _COUNT to be set; elsewhere give I/N, or auto/N under Kubernetes",
        ));
    };
    // One task sent again calls itself an array of one; it must not do the work of all.
    let consecutive =
        count > 1 && high.checked_sub(low).and_then(|span| span.checked_add(1)) == Some(count);
    let part = consecutive
        .then(|| Shard::new(id.checked_sub(low)?.checked_add(1)?, count))
        .flatten();
    part.ok_or_else(|| {
        wrong(
            format!("task {id} of {count} numbered {low} to {high}"),
            "expected an array of two or more consecutive numbers, such as --array=1-8; for some tasks of an array give auto/N",
        )
    })
}

/// The part of so many: Slurm's tasks are counted from 1, the indices of a Kubernetes Job from 0.
fn of_count(number: impl Fn(&str) -> Option<u32>, count: u32) -> Result<Shard> {
    let (found, index) = match (
        number("SLURM_ARRAY_TASK_ID"),
        number("JOB_COMPLETION_INDEX"),
    ) {
        (Some(id), None) => (format!("SLURM_ARRAY_TASK_ID {id}"), Some(id)),
        (None, Some(index)) => (
            format!("JOB_COMPLETION_INDEX {index}"),
            index.checked_add(1),
        ),
        (Some(_), Some(_)) => {
            return Err(wrong(
                "both SLURM_ARRAY_TASK_ID and JOB_COMPLETION_INDEX are set".to_owned(),
                "give the part as I/N",
            ));
        }
        (None, None) => {
            return Err(wrong(
                "neither SLURM_ARRAY_TASK_ID nor JOB_COMPLETION_INDEX is set".to_owned(),
                "give the part as I/N",
            ));
        }
    };
    index
        .and_then(|index| Shard::new(index, count))
        .ok_or_else(|| {
            wrong(
                found,
                "expected an array numbered 1 to N, or an Indexed Job of N completions",
            )
        })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn with(pairs: &'static [(&'static str, u32)]) -> impl Fn(&str) -> Option<u32> {
        move |name| pairs.iter().find(|pair| pair.0 == name).map(|pair| pair.1)
    }

    #[test]
    fn a_slurm_array_tells_its_part() {
        let array = with(&[
            ("SLURM_ARRAY_TASK_ID", 7),
            ("SLURM_ARRAY_TASK_MIN", 5),
            ("SLURM_ARRAY_TASK_MAX", 8),
            ("SLURM_ARRAY_TASK_COUNT", 4),
        ]);
        assert_eq!(from_array(array).unwrap().to_string(), "3/4");
    }

    #[test]
    fn a_lone_task_sent_again_is_never_taken_for_the_whole() {
        let gaps = with(&[
            ("SLURM_ARRAY_TASK_ID", 3),
            ("SLURM_ARRAY_TASK_MIN", 1),
            ("SLURM_ARRAY_TASK_MAX", 9),
            ("SLURM_ARRAY_TASK_COUNT", 3),
        ]);
        assert!(from_array(gaps).is_err());
        let alone = with(&[
            ("SLURM_ARRAY_TASK_ID", 3),
            ("SLURM_ARRAY_TASK_MIN", 3),
            ("SLURM_ARRAY_TASK_MAX", 3),
            ("SLURM_ARRAY_TASK_COUNT", 1),
        ]);
        assert!(from_array(alone).is_err());
        let again = with(&[
            ("SLURM_ARRAY_TASK_ID", 3),
            ("SLURM_ARRAY_TASK_MIN", 3),
            ("SLURM_ARRAY_TASK_MAX", 3),
            ("SLURM_ARRAY_TASK_COUNT", 1),
        ]);
        assert_eq!(of_count(again, 8).unwrap().to_string(), "3/8");
    }

    #[test]
    fn kubernetes_counts_from_nought() {
        let index = with(&[("JOB_COMPLETION_INDEX", 0)]);
        assert_eq!(of_count(index, 8).unwrap().to_string(), "1/8");
        assert!(of_count(with(&[("JOB_COMPLETION_INDEX", 8)]), 8).is_err());
        assert!(of_count(with(&[]), 8).is_err());
    }

    #[test]
    fn what_is_no_part_is_refused() {
        assert_eq!(ShardChoice::parse("auto"), Ok(ShardChoice::Auto));
        assert_eq!(ShardChoice::parse("auto/4"), Ok(ShardChoice::AutoOf(4)));
        for text in ["", "0/4", "5/4", "auto/0", "auto/", "slurm"] {
            assert!(ShardChoice::parse(text).is_err(), "{text}");
        }
    }
}
