//! Scanner and day: how the tables of a run are cut into files.

use std::path::{Path, PathBuf};

use jiff::Timestamp;

use crate::error::{Error, ErrorKind, Result};

/// Longest part of a path that any common file system takes, less some room for a temporary name.
const LONGEST_SEGMENT: usize = 240;

/// The recordings of one scanner that began on one day (UTC). Sorted by scanner, then day.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct Partition {
    /// The scanner.
    pub scanner: String,
    /// The day in UTC, `2026-03-04`.
    pub day: String,
}

impl Partition {
    /// Where a recording of this scanner and time belongs.
    ///
    /// # Errors
    /// The scanner's name is too long for a folder.
    pub fn of(scanner: &str, captured: Timestamp) -> Result<Self> {
        let partition = Self {
            scanner: scanner.to_owned(),
            day: captured.strftime("%Y-%m-%d").to_string(),
        };
        if partition.scanner_segment().len() > LONGEST_SEGMENT {
            return Err(Error::new(
                ErrorKind::Mismatch,
                format!("a name of {} bytes", scanner.len()),
            )
            .key("scanner")
            .expected("expected a name that can be the name of a folder"));
        }
        Ok(partition)
    }

    /// `scanner=…/day=…`, with every byte that is not plain percent-encoded (RFC 3986), as data tools read it.
    #[must_use]
    pub fn path(&self) -> PathBuf {
        Path::new(&self.scanner_segment()).join(format!("day={}", self.day))
    }

    /// The same as text, always with `/`.
    #[must_use]
    pub fn text(&self) -> String {
        format!("{}/day={}", self.scanner_segment(), self.day)
    }

    /// Reads `scanner=…/day=…`.
    #[must_use]
    pub fn from_text(text: &str) -> Option<Self> {
        let (scanner, day) = text.split_once('/')?;
        let partition = Self {
            scanner: decoded(scanner.strip_prefix("scanner=")?)?,
            day: day.strip_prefix("day=")?.to_owned(),
        };
        // Only what would be written so is a partition of ours.
        let is_day = partition.day.parse::<jiff::civil::Date>().is_ok();
        (is_day && partition.text() == text).then_some(partition)
    }

    fn scanner_segment(&self) -> String {
        format!("scanner={}", encoded(&self.scanner))
    }
}

fn is_plain(byte: u8) -> bool {
    byte.is_ascii_alphanumeric() || matches!(byte, b'-' | b'.' | b'_' | b'~')
}

fn encoded(text: &str) -> String {
    text.bytes()
        .map(|byte| match is_plain(byte) {
            true => char::from(byte).to_string(),
            false => format!("%{byte:02X}"),
        })
        .collect()
}

fn decoded(text: &str) -> Option<String> {
    let mut bytes = Vec::new();
    let mut rest = text.bytes();
    while let Some(byte) = rest.next() {
        if byte != b'%' {
            bytes.push(byte);
            continue;
        }
        let digit = |byte: u8| char::from(byte).to_digit(16);
        let value = 16 * digit(rest.next()?)? + digit(rest.next()?)?;
        bytes.push(u8::try_from(value).ok()?);
    }
    String::from_utf8(bytes).ok()
}

/// A path as text that stays one and the same path: what is not UTF-8 in it is written `\xNN`.
#[must_use]
pub fn path_text(path: &Path) -> String {
    let mut text = String::new();
    for chunk in path.as_os_str().as_encoded_bytes().utf8_chunks() {
        text.push_str(chunk.valid());
        for byte in chunk.invalid() {
            text.push_str(&format!("\\x{byte:02x}"));
        }
    }
    text
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    proptest! {
        #[test]
        fn any_scanner_reads_back_from_its_folder(scanner in "[^/\\\\\u{0}-\u{1f}]{1,20}") {
            let partition = Partition { scanner, day: "2026-03-04".to_owned() };
            prop_assert_eq!(Partition::from_text(&partition.text()), Some(partition));
        }
    }

    #[test]
    fn the_day_is_that_of_utc() {
        let at = |text: &str| {
            Partition::of("line-2", text.parse().unwrap())
                .unwrap()
                .text()
        };
        assert_eq!(at("2026-03-04T23:59:59Z"), "scanner=line-2/day=2026-03-04");
        assert_eq!(
            at("2026-03-05T00:30:00+01:00"),
            "scanner=line-2/day=2026-03-04"
        );
    }

    #[test]
    fn names_that_a_shell_or_a_data_tool_would_take_apart_are_encoded() {
        let partition = Partition {
            scanner: "Ofen 3=ü%".to_owned(),
            day: "2026-03-04".to_owned(),
        };
        assert_eq!(
            partition.text(),
            "scanner=Ofen%203%3D%C3%BC%25/day=2026-03-04"
        );
    }

    #[test]
    fn a_name_longer_than_a_folder_may_have_is_refused() {
        assert!(Partition::of(&"ü".repeat(60), Timestamp::UNIX_EPOCH).is_err());
    }

    #[cfg(unix)]
    #[test]
    fn a_name_that_is_not_utf_8_keeps_its_bytes() {
        use std::os::unix::ffi::OsStrExt;
        let path = Path::new(std::ffi::OsStr::from_bytes(b"a/\xff\xfeb"));
        assert_eq!(path_text(path), "a/\\xff\\xfeb");
    }
}
