//! `main.xml` of an .x3p file: the parts that say how the binary heights are to be read.

use std::collections::BTreeMap;

use quick_xml::XmlVersion;
use quick_xml::events::Event;
use quick_xml::reader::Reader;

use crate::error::{Error, ErrorKind, Result};
use crate::scan::format::FrameSize;

/// How the heights are stored.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum SampleType {
    I16,
    I32,
    F32,
    F64,
}

impl SampleType {
    pub(super) fn bytes(self) -> usize {
        match self {
            Self::I16 => 2,
            Self::I32 | Self::F32 => 4,
            Self::F64 => 8,
        }
    }
}

#[derive(Debug, Clone)]
pub(super) struct Header {
    pub(super) size: FrameSize,
    /// Column and row pitch, m.
    pub(super) pitch_m: [f64; 2],
    pub(super) sample: SampleType,
    pub(super) z_increment: f64,
    pub(super) z_offset_m: f64,
    pub(super) data_file: String,
    pub(super) mask_file: Option<String>,
}

impl Header {
    pub(super) fn parse(xml: &str) -> Result<Self> {
        let values = leaves(xml)?;
        let text = |key: &str| -> Result<&str> {
            values
                .get(key)
                .map(String::as_str)
                .ok_or_else(|| wrong(key, "missing").expected("expected an ISO 25178-72 main.xml"))
        };
        let number = |key: &str, value: &str| -> Result<f64> {
            value
                .parse::<f64>()
                .ok()
                .filter(|v| v.is_finite())
                .ok_or_else(|| {
                    wrong(key, format!("found '{value}'")).expected("expected a finite number")
                })
        };
        let optional = |key: &str, absent: f64| match values.get(key) {
            Some(value) if !value.is_empty() => number(key, value),
            _ => Ok(absent),
        };
        let count = |key: &str| -> Result<u64> {
            let value = text(key)?;
            value.parse().map_err(|_| {
                wrong(key, format!("found '{value}'")).expected("expected a whole number")
            })
        };
        let feature = text("Record1/FeatureType")?;
        if feature != "SUR" {
            return Err(wrong("Record1/FeatureType", format!("found '{feature}'"))
                .expected("expected 'SUR', a surface"));
        }
        for axis in ["CX", "CY"] {
            let key = format!("Record1/Axes/{axis}/AxisType");
            let kind = text(&key)?;
            if kind != "I" {
                return Err(wrong(&key, format!("found '{kind}'"))
                    .expected("expected 'I', evenly spaced samples"));
            }
        }
        let positive = |key: &str| -> Result<f64> {
            let value = number(key, text(key)?)?;
            if 0.0 < value {
                Ok(value)
            } else {
                Err(wrong(key, format!("found {value}"))
                    .expected("expected a pitch in metres, greater than 0"))
            }
        };
        let columns = count("Record3/MatrixDimension/SizeX")?;
        let rows = count("Record3/MatrixDimension/SizeY")?;
        let layers = count("Record3/MatrixDimension/SizeZ")?;
        if layers != 1 {
            return Err(
                wrong("Record3/MatrixDimension/SizeZ", format!("found {layers}"))
                    .expected("expected 1: one surface"),
            );
        }
        let sample = match text("Record1/Axes/CZ/DataType")? {
            "I" => SampleType::I16,
            "L" => SampleType::I32,
            "F" => SampleType::F32,
            "D" => SampleType::F64,
            other => {
                return Err(
                    wrong("Record1/Axes/CZ/DataType", format!("found '{other}'"))
                        .expected("expected I, L, F or D"),
                );
            }
        };
        let z_increment = match sample {
            // Integers mean nothing without their step.
            SampleType::I16 | SampleType::I32 => positive("Record1/Axes/CZ/Increment")?,
            SampleType::F32 | SampleType::F64 => optional("Record1/Axes/CZ/Increment", 1.0)?,
        };
        if z_increment == 0.0 {
            return Err(wrong("Record1/Axes/CZ/Increment", "found 0")
                .expected("expected a factor other than 0"));
        }
        Ok(Self {
            size: FrameSize::checked(rows, columns)?,
            pitch_m: [
                positive("Record1/Axes/CX/Increment")?,
                positive("Record1/Axes/CY/Increment")?,
            ],
            sample,
            z_increment,
            z_offset_m: optional("Record1/Axes/CZ/Offset", 0.0)?,
            data_file: text("Record3/DataLink/PointDataLink")?.to_string(),
            mask_file: values
                .get("Record3/DataLink/ValidPointsLink")
                .filter(|name| !name.is_empty())
                .cloned(),
        })
    }
}

/// The text of each element, by its path below the root, without namespace prefixes.
fn leaves(xml: &str) -> Result<BTreeMap<String, String>> {
    let mut reader = Reader::from_str(xml);
    let mut path: Vec<String> = Vec::new();
    let mut values: BTreeMap<String, String> = BTreeMap::new();
    loop {
        match reader.read_event() {
            Ok(Event::Start(element)) => path.push(element.local_name().as_ref().to_string()),
            Ok(Event::End(_)) => {
                path.pop();
            }
            Ok(Event::Text(text)) => {
                let text = text.xml_content(XmlVersion::Implicit1_0);
                let text = text.trim();
                if !text.is_empty() && 1 < path.len() {
                    values
                        .entry(path[1..].join("/"))
                        .or_default()
                        .push_str(text);
                }
            }
            Ok(Event::Eof) => return Ok(values),
            Ok(_) => {}
            Err(e) => {
                return Err(Error::new(ErrorKind::Image, format!("main.xml: {e}"))
                    .expected("expected well-formed XML"));
            }
        }
    }
}

fn wrong(key: &str, found: impl Into<String>) -> Error {
    Error::new(ErrorKind::Image, found).key(format!("main.xml {key}"))
}
