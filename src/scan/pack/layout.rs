//! The `zarr.json` of groups and arrays.

use serde::{Deserialize, Serialize};
use serde_json::{Map, Value, json};

use super::codec::ZSTD_LEVEL;
use super::{CHUNK_ROWS, PACK_FORMAT};
use crate::error::{Error, ErrorKind, Result};
use crate::scan::format::FrameSize;

/// The name of every node's metadata.
pub(super) const METADATA: &str = "zarr.json";
/// The version of Zarr's specification.
const ZARR: u32 = 3;

/// What a frame's array holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Content {
    U16,
    F32,
    Rgb,
}

impl Content {
    fn data_type(self) -> &'static str {
        match self {
            Self::U16 => "uint16",
            Self::F32 => "float32",
            Self::Rgb => "uint8",
        }
    }

    pub(super) fn sample_bytes(self) -> usize {
        match self {
            Self::U16 => 2,
            Self::F32 => 4,
            Self::Rgb => 3,
        }
    }

    fn codecs(self) -> Value {
        let zstd =
            json!({"name": "zstd", "configuration": {"level": ZSTD_LEVEL, "checksum": true}});
        let shuffle = |size: usize| json!({"name": "numcodecs.shuffle", "configuration": {"elementsize": size}});
        let delta = |kind: &str| json!({"name": "numcodecs.delta", "configuration": {"dtype": kind, "astype": kind}});
        let bytes = json!({"name": "bytes", "configuration": {"endian": "little"}});
        match self {
            Self::U16 => json!([delta("<u2"), bytes, shuffle(2), zstd]),
            Self::F32 => json!([bytes, shuffle(4), zstd]),
            Self::Rgb => json!([
                {"name": "transpose", "configuration": {"order": [0, 2, 1]}},
                delta("|u1"),
                {"name": "bytes"},
                zstd
            ]),
        }
    }
}

/// A frame of the recording, as the root group lists it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(super) struct ListedFrame {
    /// Its group.
    pub(super) group: String,
    /// Its scan's id.
    pub(super) id: String,
}

/// The root group's `zarr.json`.
pub(super) fn root(recording: &str, frames: &[ListedFrame]) -> Value {
    group(json!({"format": PACK_FORMAT, "recording": recording, "frames": frames}))
}

/// A group's `zarr.json`.
pub(super) fn group(attributes: Value) -> Value {
    json!({"zarr_format": ZARR, "node_type": "group", "attributes": attributes})
}

/// The frames that a root group lists.
pub(super) fn listed(root: &Value) -> Result<Vec<ListedFrame>> {
    let attributes = &root["attributes"];
    match attributes["format"].as_str() {
        Some(PACK_FORMAT) => {}
        found => {
            let found = found.map_or("no format".to_string(), |f| format!("format \"{f}\""));
            return Err(Error::new(ErrorKind::Document, found)
                .expected(format!("expected \"{PACK_FORMAT}\" in the root group")));
        }
    }
    Vec::deserialize(&attributes["frames"]).map_err(|e| {
        Error::new(ErrorKind::Document, format!("frames: {e}"))
            .expected("expected group and id of each frame in the root group")
    })
}

/// An array's `zarr.json`.
pub(super) fn array(content: Content, size: FrameSize) -> Value {
    let mut shape = vec![size.rows, size.columns];
    let mut chunk = vec![CHUNK_ROWS, size.columns];
    let mut names = vec!["along", "across"];
    if content == Content::Rgb {
        shape.push(3);
        chunk.push(3);
        names.push("channel");
    }
    json!({
        "zarr_format": ZARR, "node_type": "array",
        "shape": shape, "data_type": content.data_type(),
        "chunk_grid": {"name": "regular", "configuration": {"chunk_shape": chunk}},
        "chunk_key_encoding": {"name": "default", "configuration": {"separator": "/"}},
        "fill_value": 0, "codecs": content.codecs(),
        "attributes": {}, "dimension_names": names,
    })
}

/// The same without Zstandard's settings: they say how it was packed, and change nothing of how it is unpacked.
fn any_level(value: &Value) -> Value {
    let mut value = value.clone();
    for codec in value.as_array_mut().into_iter().flatten() {
        if codec["name"] == "zstd" {
            codec["configuration"] = Value::Null;
        }
    }
    value
}

/// What an array holds and its size, if it is laid out as packs are.
pub(super) fn of_array(metadata: &Value) -> Result<(Content, FrameSize)> {
    let other = |key: &str| {
        Error::new(
            ErrorKind::Document,
            format!("{key}: found {}", metadata[key]),
        )
        .expected("expected an array as packs hold them; other layouts are not read")
    };
    let content = match metadata["data_type"].as_str() {
        Some("uint16") => Content::U16,
        Some("float32") => Content::F32,
        Some("uint8") => Content::Rgb,
        _ => return Err(other("data_type")),
    };
    let side = |at: usize| metadata["shape"][at].as_u64().ok_or_else(|| other("shape"));
    let size = FrameSize::checked(side(0)?, side(1)?)?;
    let expected = array(content, size);
    let (Some(found), Value::Object(expected)) = (metadata.as_object(), expected) else {
        return Err(other("shape"));
    };
    // What else another writer says of the array changes no sample.
    let free = ["attributes", "dimension_names"];
    let differs = |found: &Map<String, Value>, key: &str, value: &Value| {
        found.get(key).map(any_level) != Some(any_level(value))
    };
    match expected
        .iter()
        .find(|(key, value)| !free.contains(&key.as_str()) && differs(found, key, value))
    {
        Some((key, _)) => Err(other(key)),
        None => Ok((content, size)),
    }
}
