//! Scans on disk: the scan folder, its frames, and the recordings they join into.

mod alike;
mod archive;
mod colour;
mod colour_lattice;
mod description;
mod folder;
mod format;
mod head;
mod height;
mod inputs;
mod pack;
mod png_rows;
mod profiles;
mod recording;
mod rows;
mod text;
mod tiff;
mod walk;
mod wire;
mod write;

pub use archive::{
    Archive, ArchiveHeads, ArchiveReading, Listing, find_scans, list_scans, read_archive,
};
pub use colour::ColourReader;
pub use colour_lattice::ColourLattice;
pub use description::{
    ColourPart, HeightKind, HeightPart, ProfilesPart, ScanDescription, ViewPart, ViewSide,
};
pub use folder::{SCAN_FILE, Scan, read_scan};
pub use format::{FrameSize, MAX_FRAME_SAMPLES, SampleKind};
pub use head::ScanHead;
pub use height::HeightReader;
pub use inputs::{HashedFile, StatedFile, hashed_files, hashed_files_of, stated_files};
pub use pack::{PACK_ENDING, PACK_FORMAT, Packed, PackedFrame, pack_recording, unpack_recording};
pub use profiles::{Profiles, read_profile_file, read_profiles};
pub use recording::{Recording, RecordingHead, Rejected, RowSpan, group_recordings};
pub use rows::{ColourRows, Counts, HeightRows};
pub use wire::{SCAN_FORMAT, scan_schema};
pub use write::{write_scan, write_scan_views};
