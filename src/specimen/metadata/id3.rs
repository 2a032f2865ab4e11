//! Text frames of an ID3v2.3 or ID3v2.4 tag, as it stands in an `id3 ` chunk, and the names by
//! which tags of all kinds are kept.
//!
//! In: bytes. Out: tags by lower-case name. Source: ID3 tag version 2.3.0, clauses 3.1 to 4.2;
//! version 2.4.0 structure, clauses 3 to 5 (sizes without the top bit of each byte).

use std::collections::BTreeMap;

use super::super::text;
use super::{MAX_ENTRIES, MAX_TEXT_BYTES};

/// Names in plain words for the frames of ID3 and the atoms of MP4 that people ask for; others
/// keep their own, in lower case.
const NAMES: &[(&str, &str)] = &[
    ("TIT2", "title"),
    ("TPE1", "artist"),
    ("TPE2", "albumartist"),
    ("TALB", "album"),
    ("TRCK", "tracknumber"),
    ("TPOS", "discnumber"),
    ("TDRC", "date"),
    ("TYER", "date"),
    ("TCON", "genre"),
    ("TSRC", "isrc"),
    ("TCOM", "composer"),
    ("TCOP", "copyright"),
    ("TENC", "encoded-by"),
    ("TSSE", "encoder"),
    ("COMM", "comment"),
    ("©nam", "title"),
    ("©ART", "artist"),
    ("aART", "albumartist"),
    ("©alb", "album"),
    ("trkn", "tracknumber"),
    ("©day", "date"),
    ("©gen", "genre"),
    ("©wrt", "composer"),
    ("cprt", "copyright"),
    ("©too", "encoder"),
    ("©cmt", "comment"),
];

/// The name by which a tag is kept.
pub(in super::super) fn name_of(raw: &str) -> String {
    let known = NAMES.iter().find(|(of, _)| *of == raw);
    known.map_or_else(|| raw.to_lowercase(), |(_, name)| (*name).to_owned())
}

/// Adds the tag's texts; a name that is there already is left. Returns `false` where this is no
/// tag of version 2.3 or 2.4.
pub(in super::super) fn read(bytes: &[u8], tags: &mut BTreeMap<String, String>) -> bool {
    let Some(header) = bytes.get(..10) else {
        return false;
    };
    let version = header[3];
    if &header[..3] != b"ID3" || !(3..=4).contains(&version) {
        return false;
    }
    let flags = header[5];
    let size = synchsafe(&header[6..10]);
    let body = &bytes[10..];
    let mut body = body[..size.min(body.len())].to_vec();
    // In 2.3 the whole tag is unsynchronised, in 2.4 each frame says so for itself.
    if flags & 0x80 != 0 && version == 3 {
        body = synchronised(&body);
    }
    let mut rest = body.as_slice();
    if flags & 0x40 != 0 {
        let Some(field) = rest.get(..4) else {
            return false;
        };
        // 2.4 counts the size field itself, 2.3 does not.
        let skip = match version {
            3 => big_endian(field).saturating_add(4),
            _ => synchsafe(field),
        };
        rest = rest.get(skip..).unwrap_or(&[]);
    }
    while let Some(header) = rest.get(..10) {
        if header[0] == 0 {
            break;
        }
        let size = match version {
            3 => big_endian(&header[4..8]),
            _ => synchsafe(&header[4..8]),
        };
        let Some(frame) = rest[10..].get(..size) else {
            break;
        };
        rest = &rest[10 + size..];
        // Compressed or encrypted frames are left alone.
        let opaque = match version {
            3 => header[9] & 0xc0 != 0,
            _ => header[9] & 0x0c != 0,
        };
        if header[0] != b'T' || opaque || tags.len() >= MAX_ENTRIES {
            continue;
        }
        let id = text::field(&header[..4]);
        let mut frame = frame.to_vec();
        if version == 4 && header[9] & 0x01 != 0 {
            frame.drain(..4.min(frame.len()));
        }
        if version == 4 && header[9] & 0x02 != 0 {
            frame = synchronised(&frame);
        }
        let mut texts = texts(&frame).into_iter();
        let (name, value) = match id.as_str() {
            "TXXX" => {
                let name = texts.next().unwrap_or_default().to_lowercase();
                (name, texts.collect::<Vec<_>>().join("; "))
            }
            id => (name_of(id), texts.collect::<Vec<_>>().join("; ")),
        };
        let value = text::cut(text::clean(&value), MAX_TEXT_BYTES);
        if !name.is_empty() && !value.is_empty() {
            let name = text::cut(text::clean(&name), MAX_TEXT_BYTES);
            tags.entry(name).or_insert(value);
        }
    }
    true
}

/// The strings of a text frame: the first byte names the encoding, NUL stands between them.
fn texts(frame: &[u8]) -> Vec<String> {
    let Some((encoding, body)) = frame.split_first() else {
        return Vec::new();
    };
    let all: String = match encoding {
        0 => body.iter().map(|byte| char::from(*byte)).collect(),
        1 | 2 => utf_16(body, *encoding == 2),
        3 => String::from_utf8_lossy(body).into_owned(),
        _ => return Vec::new(),
    };
    all.trim_end_matches('\0')
        .split('\0')
        .map(|text| text.trim_start_matches('\u{feff}').to_owned())
        .collect()
}

fn utf_16(bytes: &[u8], big_endian: bool) -> String {
    let (big_endian, bytes) = match bytes {
        [0xfe, 0xff, rest @ ..] => (true, rest),
        [0xff, 0xfe, rest @ ..] => (false, rest),
        rest => (big_endian, rest),
    };
    let units = bytes.chunks_exact(2).map(|pair| {
        let pair = [pair[0], pair[1]];
        match big_endian {
            true => u16::from_be_bytes(pair),
            false => u16::from_le_bytes(pair),
        }
    });
    char::decode_utf16(units)
        .map(|c| c.unwrap_or(char::REPLACEMENT_CHARACTER))
        .collect()
}

/// Undoes unsynchronisation: a 0 after each 0xFF was put in.
fn synchronised(bytes: &[u8]) -> Vec<u8> {
    let mut out = Vec::with_capacity(bytes.len());
    let mut after_ff = false;
    for byte in bytes {
        if !(after_ff && *byte == 0) {
            out.push(*byte);
        }
        after_ff = *byte == 0xff;
    }
    out
}

fn synchsafe(bytes: &[u8]) -> usize {
    bytes
        .iter()
        .take(4)
        .fold(0, |size, byte| size << 7 | usize::from(byte & 0x7f))
}

fn big_endian(bytes: &[u8]) -> usize {
    bytes
        .iter()
        .take(4)
        .fold(0, |size, byte| size << 8 | usize::from(*byte))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn tag(version: u8, frames: &[(&[u8; 4], &[u8])]) -> Vec<u8> {
        let mut body = Vec::new();
        for (id, frame) in frames {
            body.extend(*id);
            // Under 128 both ways of writing a size are the same.
            body.extend((frame.len() as u32).to_be_bytes());
            body.extend([0, 0]);
            body.extend(*frame);
        }
        let mut bytes = vec![b'I', b'D', b'3', version, 0, 0, 0, 0, 0, body.len() as u8];
        bytes.extend(body);
        bytes
    }

    #[test]
    fn text_frames_of_both_versions_and_all_encodings_are_read() {
        for version in [3, 4] {
            let bytes = tag(
                version,
                &[
                    (b"TIT2", b"\0Harbour\xe9"),
                    (b"TPE1", b"\x01\xff\xfeT\0S\0"),
                    (b"TSRC", b"\x03QZABC2600001"),
                    (b"TXXX", b"\x03Mastered by\0Tallow Street"),
                    (b"APIC", b"\0\xff\xff"),
                ],
            );
            let mut tags = BTreeMap::new();
            assert!(read(&bytes, &mut tags));
            assert_eq!(tags["title"], "Harbouré");
            assert_eq!(tags["artist"], "TS");
            assert_eq!(tags["isrc"], "QZABC2600001");
            assert_eq!(tags["mastered by"], "Tallow Street");
            assert_eq!(tags.len(), 4);
        }
    }

    #[test]
    fn a_frame_that_is_longer_than_the_tag_ends_the_reading() {
        let mut bytes = tag(4, &[(b"TIT2", b"\0One"), (b"TPE1", b"\0Two")]);
        let cut = bytes.len() - 2;
        bytes.truncate(cut);
        let mut tags = BTreeMap::new();
        assert!(read(&bytes, &mut tags));
        assert_eq!(tags.len(), 1);
        assert!(!read(b"ID3", &mut tags));
        assert!(!read(b"ID3\x02\0\0\0\0\0\0", &mut tags));
    }
}
