//! Where runs are: those that were opened, by their place in the list, and those in the folder that the page saves into, by name.

use std::path::{Path, PathBuf};

use weighlight::{Error, ErrorKind};

use super::super::super::Opened;
use super::super::Refused;

/// Where runs lie in the folder that the page saves into.
const FOLDER: &str = "runs";
/// Longest name, characters.
const LONGEST_NAME: usize = 60;

/// A run that the page may name.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Place {
    /// `opened-0`, or `saved-` and its name.
    pub(super) id: String,
    /// The name for people.
    pub(super) name: String,
    /// Its folder.
    pub(super) path: PathBuf,
    /// Whether it lies in the folder that the page saves into, so that the page may go on with it.
    pub(super) saved: bool,
}

/// A name as a folder may have it: nothing that leads elsewhere.
pub(super) fn clean_name(text: &str) -> Result<String, Refused> {
    let name = text.trim();
    let plain = |c: char| c.is_alphanumeric() || matches!(c, ' ' | '-' | '_' | '.');
    let fits = (1..=LONGEST_NAME).contains(&name.chars().count())
        && name.chars().all(plain)
        && !name.starts_with('.')
        && !name.ends_with('.');
    match fits {
        true => Ok(name.to_owned()),
        false => Err(Refused::Failed(
            Error::new(ErrorKind::Mismatch, format!("\"{name}\" is no name for a run")).expected(
                format!("expected 1 to {LONGEST_NAME} letters, digits, spaces, - _ and dots, with a dot neither first nor last"),
            ),
        )),
    }
}

/// The folder of a saved run of that name. It need not be there; a link is refused: it may lead out of the folder.
pub(super) fn saved(opened: &Opened, name: &str) -> Result<Place, Refused> {
    let name = clean_name(name)?;
    let path = opened.save_to.join(FOLDER).join(&name);
    let real = |path: &Path| std::fs::canonicalize(path).ok();
    let is_link = std::fs::symlink_metadata(&path).is_ok_and(|data| data.is_symlink());
    let inside = match (path.parent().and_then(real), real(&opened.save_to)) {
        (Some(folder), Some(save_to)) => folder.starts_with(save_to),
        // Nothing is there yet.
        (None, _) => true,
        (Some(_), None) => false,
    };
    match inside && !is_link {
        true => Ok(Place {
            id: format!("saved-{name}"),
            name,
            path,
            saved: true,
        }),
        false => Err(Refused::Failed(
            Error::new(
                ErrorKind::Io,
                "a link, which may lead out of the folder to save into",
            )
            .at(path)
            .expected("expected another name, or the link removed"),
        )),
    }
}

/// The run of an id.
pub(super) fn find(opened: &Opened, id: &str) -> Result<Place, Refused> {
    let missing = || Refused::Missing(format!("there is no run {id} among those opened or saved"));
    if let Some(name) = id.strip_prefix("saved-") {
        let place = saved(opened, name).map_err(|_| missing())?;
        return match place.path.is_dir() {
            true => Ok(place),
            false => Err(missing()),
        };
    }
    let at = id.strip_prefix("opened-").and_then(|at| at.parse().ok());
    at.and_then(|at| place_opened(opened, at))
        .ok_or_else(missing)
}

fn place_opened(opened: &Opened, at: usize) -> Option<Place> {
    let path = opened.runs.get(at)?;
    let name = path.file_name().map_or_else(
        || path.display().to_string(),
        |name| name.to_string_lossy().into_owned(),
    );
    Some(Place {
        id: format!("opened-{at}"),
        name,
        path: path.clone(),
        saved: false,
    })
}

/// All of them: what was opened in its order, then what was saved, by name.
pub(super) fn all(opened: &Opened) -> Vec<Place> {
    let mut places: Vec<Place> = (0..opened.runs.len())
        .filter_map(|at| place_opened(opened, at))
        .collect();
    let known: Vec<PathBuf> = opened
        .runs
        .iter()
        .filter_map(|path| std::fs::canonicalize(path).ok())
        .collect();
    let entries = std::fs::read_dir(opened.save_to.join(FOLDER)).into_iter();
    let mut names: Vec<String> = entries
        .flatten()
        .flatten()
        .filter_map(|entry| entry.file_name().into_string().ok())
        .collect();
    names.sort();
    for name in names {
        let Ok(place) = saved(opened, &name) else {
            continue;
        };
        let twice = std::fs::canonicalize(&place.path).is_ok_and(|path| known.contains(&path));
        if !twice && weighlight::runs::Run::is_one(&place.path) {
            places.push(place);
        }
    }
    places
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_that_lead_elsewhere_are_refused() {
        for name in ["week 10", "2026-03-04_new", "Früh.2", " trimmed "] {
            assert_eq!(
                clean_name(name).ok(),
                Some(name.trim().to_owned()),
                "{name}"
            );
        }
        let long = "x".repeat(61);
        for name in [
            "", " ", ".", "..", "../x", "a/b", "a\\b", "a\0b", ".part", "a.", "con:", "a\nb", &long,
        ] {
            assert!(clean_name(name).is_err(), "{name:?}");
        }
    }
}
