//! The library's one error type: what was found, where, what was expected, and what to do.

use std::fmt;
use std::path::{Path, PathBuf};

/// What kind of failure an [`Error`] is. Callers branch on this, people read the message.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[non_exhaustive]
pub enum ErrorKind {
    /// A file or folder could not be read or written.
    Io,
    /// A document (TOML, CSV) does not say what it must, or says something unknown.
    Document,
    /// An image or array file is damaged, of the wrong type, or does not fit its description.
    Image,
    /// Inputs that are each fine do not fit together.
    Mismatch,
    /// The request itself cannot be carried out (for example no belt is seen in the scan).
    Unmeasurable,
}

/// An error that names file, line and key where they are known.
///
/// Shown as `path:line: key: found; expected`.
#[derive(Debug, Clone)]
pub struct Error {
    /// The kind, for branching.
    pub kind: ErrorKind,
    /// The file or folder concerned.
    pub path: Option<PathBuf>,
    /// The 1-based line in that file.
    pub line: Option<usize>,
    /// The key, column or option concerned.
    pub key: Option<String>,
    /// What was found.
    pub found: String,
    /// What was expected, or what to do.
    pub expected: Option<String>,
}

/// The library's result.
pub type Result<T> = std::result::Result<T, Error>;

impl Error {
    /// A new error of `kind` that says what was found.
    pub fn new(kind: ErrorKind, found: impl Into<String>) -> Self {
        Self {
            kind,
            path: None,
            line: None,
            key: None,
            found: found.into(),
            expected: None,
        }
    }

    /// A file that could not be read or written.
    pub fn io(path: impl AsRef<Path>, source: &std::io::Error) -> Self {
        Self::new(ErrorKind::Io, source.to_string()).at(path)
    }

    /// The same error, with the file it is about (kept if already known).
    #[must_use]
    pub fn at(mut self, path: impl AsRef<Path>) -> Self {
        self.path.get_or_insert_with(|| path.as_ref().to_path_buf());
        self
    }

    /// The same error, with the 1-based line it is about.
    #[must_use]
    pub fn line(mut self, line: usize) -> Self {
        self.line = Some(line);
        self
    }

    /// The same error, with the key it is about.
    #[must_use]
    pub fn key(mut self, key: impl Into<String>) -> Self {
        self.key = Some(key.into());
        self
    }

    /// The same error, with what was expected or what to do.
    #[must_use]
    pub fn expected(mut self, expected: impl Into<String>) -> Self {
        self.expected = Some(expected.into());
        self
    }
}

impl fmt::Display for Error {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if let Some(path) = &self.path {
            write!(f, "{}", path.display())?;
            if let Some(line) = self.line {
                write!(f, ":{line}")?;
            }
            write!(f, ": ")?;
        }
        if let Some(key) = &self.key {
            write!(f, "{key}: ")?;
        }
        write!(f, "{}", self.found)?;
        if let Some(expected) = &self.expected {
            write!(f, "; {expected}")?;
        }
        Ok(())
    }
}

impl std::error::Error for Error {}
