//! Names that the house chooses: of sidecars, of notes, and of files whose name was taken.
//!
//! A file's own name is never changed for its looks. A name that we make from it is plain text
//! and fits into a folder.

use std::ffi::{OsStr, OsString};
use std::os::unix::ffi::{OsStrExt, OsStringExt};

/// Bytes that a name in a folder may have.
/// Source: NAME_MAX, limits.h of Linux (uapi/linux/limits.h).
const LONGEST: usize = 255;

/// `NAME.EXT.sidecar.json`, or shortened.
pub fn sidecar_name(name: &OsStr) -> OsString {
    appended(name, ".sidecar.json")
}

/// `NAME.EXT.stopped.txt`, or shortened.
pub fn note_name(name: &OsStr) -> OsString {
    appended(name, ".stopped.txt")
}

/// `NAME (2).EXT`, or shortened. Number 1 is the name itself.
pub fn numbered(name: &OsStr, number: u32) -> OsString {
    if number <= 1 {
        return name.to_owned();
    }
    let bytes = name.as_bytes();
    // A leading dot begins a name and not an extension; nor is a long tail one.
    let dot = bytes
        .iter()
        .rposition(|&byte| byte == b'.')
        .filter(|&at| at > 0 && bytes.len() - at <= 16)
        .filter(|&at| std::str::from_utf8(&bytes[at..]).is_ok())
        .unwrap_or(bytes.len());
    let extension = std::str::from_utf8(&bytes[dot..]).unwrap_or_default();
    let tail = format!(" ({number}){extension}");
    fitted(name, &bytes[..dot], &tail)
}

/// `NAME (2).sidecar.json` and the like: a number for the paper and not for the file.
pub(super) fn numbered_paper(name: &OsStr, number: u32, suffix: &str) -> OsString {
    if number <= 1 {
        appended(name, suffix)
    } else {
        appended(name, &format!(" ({number}){suffix}"))
    }
}

fn appended(name: &OsStr, suffix: &str) -> OsString {
    fitted(name, name.as_bytes(), suffix)
}

/// `start` and `tail` where that is UTF-8 and fits; else as much of `start` as fits, `~`, eight
/// hexadecimal digits of the whole name's BLAKE3, and `tail`. Bytes that are not UTF-8 become
/// `_`: the hash keeps two such names apart.
fn fitted(whole: &OsStr, start: &[u8], tail: &str) -> OsString {
    if start.len() + tail.len() <= LONGEST && std::str::from_utf8(start).is_ok() {
        return OsString::from_vec([start, tail.as_bytes()].concat());
    }
    let hash = blake3::hash(whole.as_bytes()).to_hex();
    let room = LONGEST.saturating_sub(tail.len() + 9);
    let mut kept = String::new();
    for chunk in start.utf8_chunks() {
        kept.push_str(chunk.valid());
        if !chunk.invalid().is_empty() {
            kept.push('_');
        }
    }
    let cut = (0..=room.min(kept.len()))
        .rev()
        .find(|&at| kept.is_char_boundary(at))
        .unwrap_or(0);
    kept.truncate(cut);
    OsString::from(format!("{kept}~{}{tail}", &hash[..8]))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn text(name: OsString) -> String {
        name.into_string().unwrap()
    }

    #[test]
    fn an_ordinary_name_is_kept_whole() {
        let name = OsStr::new("Harbour Lights é.wav");
        assert_eq!(
            text(sidecar_name(name)),
            "Harbour Lights é.wav.sidecar.json"
        );
        assert_eq!(text(note_name(name)), "Harbour Lights é.wav.stopped.txt");
        assert_eq!(text(numbered(name, 1)), "Harbour Lights é.wav");
        assert_eq!(text(numbered(name, 2)), "Harbour Lights é (2).wav");
        assert_eq!(
            text(numbered(OsStr::new("mix.v2.final.wav"), 3)),
            "mix.v2.final (3).wav"
        );
        assert_eq!(text(numbered(OsStr::new("noext"), 2)), "noext (2)");
        assert_eq!(text(numbered(OsStr::new(".wav"), 2)), ".wav (2)");
    }

    #[test]
    fn a_name_that_is_too_long_keeps_its_start_and_its_number() {
        // 255 bytes, cut within a character of two bytes.
        let name = OsString::from(format!("{}.wav", "é".repeat(125) + "x"));
        assert_eq!(name.len(), 255);
        for made in [sidecar_name(&name), note_name(&name), numbered(&name, 2)] {
            let made = text(made);
            assert!(made.len() <= 255, "{}", made.len());
            assert!(made.len() > 250, "as much as fits is kept: {}", made.len());
            assert!(made.starts_with("ééé"));
            let hash = blake3::hash(name.as_bytes()).to_hex();
            assert!(made.contains(&format!("~{}", &hash[..8])), "{made}");
        }
        assert!(text(numbered(&name, 12)).ends_with(" (12).wav"));
        assert!(text(sidecar_name(&name)).ends_with(".sidecar.json"));
    }

    #[test]
    fn names_that_look_alike_when_shortened_stay_apart() {
        let one = OsString::from_vec(b"Caf\xe8.wav".to_vec());
        let other = OsString::from_vec(b"Caf\xe9.wav".to_vec());
        assert!(text(sidecar_name(&one)).starts_with("Caf_.wav~"));
        assert_ne!(sidecar_name(&one), sidecar_name(&other));
        assert_eq!(
            numbered(&one, 1),
            one,
            "the file's own name is never changed for its looks"
        );
        assert!(text(numbered(&one, 2)).ends_with(" (2).wav"));
    }
}
