//! The hash by which a file is known again.

use std::path::Path;

use crate::error::{Error, Result};

/// BLAKE3 of a file's bytes, in hexadecimal.
///
/// # Errors
/// It cannot be read.
pub fn file_hash(path: &Path) -> Result<String> {
    let bytes = std::fs::read(path).map_err(|source| Error::io(path, &source))?;
    Ok(blake3::hash(&bytes).to_hex().to_string())
}
