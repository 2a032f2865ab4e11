//! File names, which are bytes, as text that can be shown and read back.
//!
//! In: any name. Out: one line of UTF-8 without control or direction characters. Knows nothing
//! of folders.

use std::ffi::{OsStr, OsString};
use std::fmt::Write;
use std::os::unix::ffi::{OsStrExt, OsStringExt};

/// A file's name as every face and the sidecar write it: UTF-8 as it is; bytes that are not
/// UTF-8, control characters and the characters that turn the direction of writing as `\xNN`
/// (one per byte); a backslash doubled, so that [`unprintable`] gives the name back.
pub fn printable(name: &OsStr) -> String {
    let mut out = String::with_capacity(name.len());
    for part in name.as_bytes().utf8_chunks() {
        for character in part.valid().chars() {
            match character {
                '\\' => out.push_str("\\\\"),
                _ => push_shown(&mut out, character),
            }
        }
        for byte in part.invalid() {
            push_byte(&mut out, *byte);
        }
    }
    out
}

/// The name that [`printable`] was given.
pub fn unprintable(text: &str) -> OsString {
    let mut bytes = Vec::with_capacity(text.len());
    let mut rest = text;
    while let Some(at) = rest.find('\\') {
        bytes.extend_from_slice(&rest.as_bytes()[..at]);
        let after = &rest[at + 1..];
        let byte = after
            .strip_prefix('x')
            .and_then(|hex| hex.get(..2))
            .and_then(|hex| u8::from_str_radix(hex, 16).ok());
        rest = match byte {
            Some(byte) => {
                bytes.push(byte);
                &after[3..]
            }
            None => {
                bytes.push(b'\\');
                after.strip_prefix('\\').unwrap_or(after)
            }
        };
    }
    bytes.extend_from_slice(rest.as_bytes());
    OsString::from_vec(bytes)
}

/// Any text as one line that says what it contains: control and direction characters become
/// `\xNN`, everything else stays. For texts that may quote a file's contents or its path.
pub fn one_line(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for character in text.chars() {
        push_shown(&mut out, character);
    }
    out
}

fn push_shown(out: &mut String, character: char) {
    if character.is_control() || changes_the_line(character) {
        let mut room = [0; 4];
        for byte in character.encode_utf8(&mut room).bytes() {
            push_byte(out, byte);
        }
    } else {
        out.push(character);
    }
}

fn push_byte(out: &mut String, byte: u8) {
    write!(out, "\\x{byte:02x}").expect("a String takes all that is written");
}

/// Characters without a shape of their own that end a line or turn the direction of the
/// writing after them (`gpj.wav` shown as `vaw.jpg`). Unicode Standard Annex 9, clause 2, and
/// the line and paragraph separators. Joiners stay: scripts and emoji need them.
fn changes_the_line(character: char) -> bool {
    matches!(
        character,
        '\u{061C}'
            | '\u{200E}'
            | '\u{200F}'
            | '\u{2028}'..='\u{202E}'
            | '\u{2066}'..='\u{2069}'
            | '\u{FEFF}'
    )
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn a_name_of_letters_stays_as_it_is() {
        for name in [
            "Harbour Lights_MI04_48k24.wav",
            "Åska – 夜.wav",
            "a'b\"c.wav",
        ] {
            assert_eq!(printable(OsStr::new(name)), name);
        }
    }

    #[test]
    fn bytes_lines_and_turned_writing_are_made_visible() {
        let shown = |bytes: &[u8]| printable(OsStr::from_bytes(bytes));
        assert_eq!(shown(b"caf\xe9.wav"), r"caf\xe9.wav");
        assert_eq!(shown(b"a\r\nBcc: x.wav"), r"a\x0d\x0aBcc: x.wav");
        assert_eq!(shown(b"back\\slash.wav"), r"back\\slash.wav");
        assert_eq!(
            shown("x\u{202e}vaw.exe".as_bytes()),
            r"x\xe2\x80\xaevaw.exe"
        );
        assert_eq!(shown("\u{85}".as_bytes()), r"\xc2\x85");
    }

    #[test]
    fn a_text_keeps_its_backslashes_and_loses_its_lines() {
        assert_eq!(one_line("a\\b\nc\u{1b}[31m"), r"a\b\x0ac\x1b[31m");
    }

    proptest! {
        #[test]
        fn every_name_can_be_read_back(bytes in proptest::collection::vec(any::<u8>(), 0..40)) {
            let text = printable(OsStr::from_bytes(&bytes));
            prop_assert!(!text.chars().any(char::is_control));
            let back = unprintable(&text);
            prop_assert_eq!(back.as_bytes(), &bytes[..]);
        }

        #[test]
        fn no_text_is_too_odd_to_be_read_back(text in any::<String>()) {
            let _ = unprintable(&text);
        }
    }
}
