//! Several runs made into one: the parts of a shared run, or runs over different archives with the same settings.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

use crate::error::{Error, ErrorKind, Result};
use crate::tables::StreamAbout;

use super::folder::{RunFolder, Written, remove_file};
use super::manifest::{RUN_FILE, RunCounts, RunDescription, complete};
use super::open::Run;
use super::outcome::{RejectedRow, Rows, pieces_csv};
use super::partition::Partition;
use super::partition_files::{read_partition, remove_strangers, write_partition};
use super::shard::Shard;

/// Merges complete runs into `folder`. The tables of all parts of a run, merged, are byte for byte those of the run in one go.
///
/// # Errors
/// The runs do not belong together (version, profiles, calibrations), a part is missing, a file is not as it was written, or a
/// recording is in two runs with different results.
pub fn merge(folder: &RunFolder, runs: &[Run]) -> Result<RunCounts> {
    let mut description = common(runs)?;
    for run in runs {
        run.verify()?;
    }
    remove_file(&folder.path().join(RUN_FILE))?;
    let about = StreamAbout {
        version: description.version.clone(),
        classes: description.classes.clone(),
        metadata: Vec::new(),
    };
    let partitions: BTreeSet<&Partition> = runs.iter().flat_map(|run| &run.partitions).collect();
    let mut counts = RunCounts::default();
    let mut names: BTreeMap<String, &Partition> = BTreeMap::new();
    let mut written: Vec<(String, Vec<Written>)> = Vec::new();
    for partition in &partitions {
        let mut rows = gather(runs, partition)?;
        rows.sort_by(|a, b| order(a).cmp(&order(b)));
        counts.recordings += rows.len() as u64;
        for one in &rows {
            counts.measured += u64::from(one.row.measured);
            counts.pieces += one.row.pieces;
            let before = names.insert(one.row.recording.clone(), partition);
            if let Some(other) = before {
                return Err(twice(folder.path(), &one.row.recording).expected(format!(
                    "it is in {} and in {}: expected each recording once",
                    other.text(),
                    partition.text()
                )));
            }
        }
        let files = write_partition(folder.path(), partition, &about, rows.into_iter().map(Ok))?;
        written.push((partition.text(), files));
    }
    remove_strangers(folder.path(), &|partition| partitions.contains(partition))?;
    let mut rejected: Vec<RejectedRow> = Vec::new();
    for run in runs {
        rejected.extend(run.rejected()?);
    }
    rejected.sort();
    rejected.dedup();
    counts.rejected = rejected.len() as u64;
    description.counts = counts;
    complete(
        folder.path(),
        &description,
        &rejected,
        written
            .iter()
            .map(|(name, files)| (name.as_str(), files.as_slice())),
    )?;
    Ok(counts)
}

fn order(rows: &Rows) -> (jiff::Timestamp, &str, &str) {
    (rows.row.captured, &rows.row.recording, &rows.row.folder)
}

/// The description that the runs share.
fn common(runs: &[Run]) -> Result<RunDescription> {
    let Some(first) = runs.first() else {
        return Err(Error::new(ErrorKind::Mismatch, "no runs").expected("expected two or more"));
    };
    let mut description = first.description.clone();
    for run in &runs[1..] {
        let (one, other) = (&first.description, &run.description);
        let differ = |key: &str, found: String| {
            Error::new(ErrorKind::Mismatch, found)
                .at(run.path.join(RUN_FILE))
                .key(key)
                .expected(format!("expected the same as in {}", first.path.display()))
        };
        if one.version != other.version {
            return Err(differ("version", format!("found {}", other.version)));
        }
        let hashes = |run: &RunDescription, list: fn(&RunDescription) -> &Vec<super::NamedFile>| {
            let files = list(run).iter();
            let all: Vec<_> = files
                .map(|file| (file.name.clone(), file.valid_from, file.blake3.clone()))
                .collect();
            all
        };
        if one.one_product != other.one_product
            || hashes(one, |run| &run.products) != hashes(other, |run| &run.products)
        {
            return Err(differ("product", "found other product profiles".to_owned()));
        }
        if hashes(one, |run| &run.calibrations) != hashes(other, |run| &run.calibrations) {
            return Err(differ("calibration", "found other calibrations".to_owned()));
        }
        if one.shard.count() != other.shard.count() {
            return Err(differ("shard", format!("found part {}", other.shard)));
        }
        for archive in &other.archives {
            if !description.archives.contains(archive) {
                description.archives.push(archive.clone());
            }
        }
    }
    let count = description.shard.count();
    let there: BTreeSet<u32> = runs
        .iter()
        .map(|run| run.description.shard.index())
        .collect();
    let missing = stretches((1..=count).filter(|index| !there.contains(index)));
    if !missing.is_empty() {
        return Err(Error::new(
            ErrorKind::Mismatch,
            format!("of {count} parts these are missing: {missing}"),
        )
        .expected("expected all parts of the run"));
    }
    description.shard = Shard::WHOLE;
    Ok(description)
}

/// Ascending numbers in words, with those that follow on from each other drawn together: `1 to 4, 7`.
fn stretches(numbers: impl Iterator<Item = u32>) -> String {
    let mut stretches: Vec<(u32, u32)> = Vec::new();
    for number in numbers {
        match stretches.last_mut() {
            Some((_, last)) if number - *last == 1 => *last = number,
            _ => stretches.push((number, number)),
        }
    }
    let words = stretches
        .into_iter()
        .map(|(first, last)| match last - first {
            0 => first.to_string(),
            1 => format!("{first}, {last}"),
            _ => format!("{first} to {last}"),
        });
    words.collect::<Vec<_>>().join(", ")
}

/// All rows of a partition; a recording that several runs hold must be the same in all, and counts once.
fn gather(runs: &[Run], partition: &Partition) -> Result<Vec<Rows>> {
    let mut gathered: BTreeMap<String, Rows> = BTreeMap::new();
    for run in runs {
        if !run.partitions.contains(partition) {
            continue;
        }
        read_partition(&run.path, partition, &mut |row, inputs, pieces| {
            let name = row.recording.clone();
            let rows = Rows {
                row,
                inputs,
                pieces_csv: pieces_csv(pieces)?,
            };
            match gathered.get(&name) {
                Some(before) if *before != rows => Err(twice(&run.path, &name)
                    .expected("it has another result in another of the runs: leave one run out")),
                _ => {
                    gathered.insert(name, rows);
                    Ok(())
                }
            }
        })?;
    }
    Ok(gathered.into_values().collect())
}

fn twice(run: &Path, recording: &str) -> Error {
    Error::new(
        ErrorKind::Mismatch,
        format!("recording {recording} is there twice"),
    )
    .at(run)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_in_a_row_are_drawn_together() {
        for (numbers, words) in [
            (&[][..], ""),
            (&[3], "3"),
            (&[1, 2], "1, 2"),
            (&[1, 2, 3, 5, 7, 8, 9, 10], "1 to 3, 5, 7 to 10"),
        ] {
            assert_eq!(stretches(numbers.iter().copied()), words);
        }
    }
}
