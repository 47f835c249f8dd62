//! Files in and out: frames, descriptions, recordings, product profiles, calibrations, and everything that can be wrong
//! with them.

mod calibrations;
mod contract;
mod descriptions;
mod frames;
mod packs;
mod products;
mod recordings;
mod targets;
mod written;

use std::path::{Path, PathBuf};

/// A frame that other software wrote.
fn reference_frame(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("tests/reference/frames")
        .join(name)
}

/// Checks that an error says each of `parts`.
#[track_caller]
fn says(error: &weighlight::Error, parts: &[&str]) {
    let message = error.to_string();
    for part in parts {
        assert!(message.contains(part), "{message:?} does not say {part:?}");
    }
    assert!(!message.contains('\n'), "{message:?} is one line");
}

/// A pack that other software wrote.
fn reference_pack() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/reference/packs/other-writer.zarr.zip")
}
