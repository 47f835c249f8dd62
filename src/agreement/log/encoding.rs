//! Texts in UTF-8, UTF-16 with a byte order mark, or Latin-1.

use std::io::{BufRead, BufReader, Read};

use crate::error::{Error, ErrorKind, Result};

/// Bytes that are looked at to tell.
const LOOKED_AT: usize = 4096;

/// How the text is written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Encoding {
    /// UTF-8, or Latin-1 where a cell is no UTF-8.
    Bytes,
    Utf16Little,
    Utf16Big,
}

/// The text as UTF-8 (or Latin-1) without a byte order mark.
pub(super) fn decoded<'a>(from: impl Read + 'a) -> Result<(Box<dyn BufRead + 'a>, Encoding)> {
    let mut reader = BufReader::with_capacity(1 << 16, from);
    let start = reader
        .fill_buf()
        .map_err(|e| Error::new(ErrorKind::Io, e.to_string()))?;
    let start = &start[..start.len().min(LOOKED_AT)];
    let (skip, encoding) = match start {
        [0xef, 0xbb, 0xbf, ..] => (3, Encoding::Bytes),
        [0xff, 0xfe, ..] => (2, Encoding::Utf16Little),
        [0xfe, 0xff, ..] => (2, Encoding::Utf16Big),
        _ if start.contains(&0) => {
            return Err(Error::new(
                ErrorKind::Document,
                "zero bytes: the file is no text, or UTF-16 without a byte order mark",
            )
            .expected("expected a table of text; save it as CSV in UTF-8"));
        }
        _ => (0, Encoding::Bytes),
    };
    reader.consume(skip);
    Ok(match encoding {
        Encoding::Bytes => (Box::new(reader), encoding),
        Encoding::Utf16Little | Encoding::Utf16Big => (
            Box::new(BufReader::with_capacity(
                1 << 16,
                Utf16 {
                    from: reader,
                    big: encoding == Encoding::Utf16Big,
                    high: None,
                    ready: Vec::new(),
                    given: 0,
                },
            )),
            encoding,
        ),
    })
}

/// UTF-16 to UTF-8, piece by piece.
struct Utf16<R> {
    from: R,
    big: bool,
    /// First half of a pair.
    high: Option<u16>,
    ready: Vec<u8>,
    given: usize,
}

impl<R: Read> Utf16<R> {
    fn refill(&mut self) -> std::io::Result<()> {
        self.ready.clear();
        self.given = 0;
        let mut bytes = [0u8; 8192];
        let mut filled = 0;
        // Whole units only.
        while filled == 0 || filled % 2 == 1 {
            let count = self.from.read(&mut bytes[filled..])?;
            if count == 0 {
                break;
            }
            filled += count;
        }
        let units: Vec<u16> = self
            .high
            .take()
            .into_iter()
            .chain(bytes[..filled].chunks_exact(2).map(|pair| {
                let pair = [pair[0], pair[1]];
                if self.big {
                    u16::from_be_bytes(pair)
                } else {
                    u16::from_le_bytes(pair)
                }
            }))
            .collect();
        let (last, whole) = match units.split_last() {
            Some((last, rest)) if (0xd800..0xdc00).contains(last) && filled > 0 => {
                (Some(*last), rest)
            }
            _ => (None, units.as_slice()),
        };
        self.high = last;
        let text: String = char::decode_utf16(whole.iter().copied())
            .map(|it| it.unwrap_or(char::REPLACEMENT_CHARACTER))
            .collect();
        self.ready = text.into_bytes();
        Ok(())
    }
}

impl<R: Read> Read for Utf16<R> {
    fn read(&mut self, into: &mut [u8]) -> std::io::Result<usize> {
        if self.given == self.ready.len() {
            self.refill()?;
        }
        let rest = &self.ready[self.given..];
        let count = rest.len().min(into.len());
        into[..count].copy_from_slice(&rest[..count]);
        self.given += count;
        Ok(count)
    }
}

/// A cell as text: UTF-8, or else Latin-1, in which every byte is a character. Says which.
pub(super) fn cell_text(bytes: &[u8]) -> (std::borrow::Cow<'_, str>, bool) {
    match std::str::from_utf8(bytes) {
        Ok(text) => (text.into(), false),
        Err(_) => (
            bytes
                .iter()
                .map(|&byte| char::from(byte))
                .collect::<String>()
                .into(),
            true,
        ),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(bytes: &[u8]) -> String {
        let (mut reader, _) = decoded(bytes).unwrap();
        let mut text = Vec::new();
        reader.read_to_end(&mut text).unwrap();
        String::from_utf8(text).unwrap()
    }

    #[test]
    fn all_encodings_with_a_mark_give_the_same_text() {
        // Long enough for several reads, with characters of two and four bytes across their edges.
        let text = "Zeit;Gewicht;Größe 𝛼\n".repeat(3000);
        let little: Vec<u8> = [0xff, 0xfe]
            .into_iter()
            .chain(text.encode_utf16().flat_map(u16::to_le_bytes))
            .collect();
        let big: Vec<u8> = [0xfe, 0xff]
            .into_iter()
            .chain(text.encode_utf16().flat_map(u16::to_be_bytes))
            .collect();
        let marked: Vec<u8> = [0xef, 0xbb, 0xbf].into_iter().chain(text.bytes()).collect();
        for bytes in [&little, &big, &marked, &text.clone().into_bytes()] {
            assert_eq!(read(bytes), text);
        }
    }

    #[test]
    fn zero_bytes_without_a_mark_are_refused() {
        let message = decoded(&b"T\0i\0m\0e\0"[..]).err().unwrap().to_string();
        assert!(
            message.contains("UTF-16 without a byte order mark"),
            "{message}"
        );
    }

    #[test]
    fn what_is_no_utf_8_is_latin_1() {
        assert_eq!(cell_text(b"Gr\xf6\xdfe").0, "Größe");
        assert!(!cell_text("Größe".as_bytes()).1);
    }
}
