//! Packs: a whole recording in one file, for bulk.
//!
//! A pack is a Zarr v3 hierarchy (<https://zarr-specs.readthedocs.io/en/latest/v3/core/v3.0.html>) in a ZIP whose entries are stored as they are, so that
//! any chunk is a stretch of the file. One group a frame holds `scan.toml` and the encoder's record as they were, and the
//! frames as arrays in chunks of whole rows, each compressed and with the checksums of both Zstandard and the ZIP. A frame that went through a
//! lossy compression is kept as the file it was. `docs/formats.md` has the layout.

mod codec;
mod layout;
mod read;
mod rows;
mod unpack;
mod write;

pub use read::PackedFrame;
pub(super) use read::{hash_of_frame, is_pack, pack_scans, packed_scan};
pub(super) use rows::{PackedColour, PackedHeights};
pub use unpack::unpack_recording;
pub use write::{Packed, pack_recording};

/// What the name of a pack ends in.
pub const PACK_ENDING: &str = ".zarr.zip";
/// What the root group says it is.
pub const PACK_FORMAT: &str = "weighlight-pack/1";
/// Rows to a chunk: what is read at a time anyway.
const CHUNK_ROWS: usize = 256;
