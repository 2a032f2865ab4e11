//! Text out of binary fields, made safe to show: ends at NUL, always UTF-8, no control
//! characters.

/// A fixed or free-length field: cut at the first NUL, UTF-8 or else Latin-1, control characters
/// other than line ends and tabs replaced, blanks at the end trimmed.
pub(super) fn field(bytes: &[u8]) -> String {
    let end = bytes.iter().position(|b| *b == 0).unwrap_or(bytes.len());
    let bytes = &bytes[..end];
    match std::str::from_utf8(bytes) {
        Ok(text) => clean(text),
        Err(_) => clean(&bytes.iter().map(|b| char::from(*b)).collect::<String>()),
    }
}

/// Control characters replaced, blanks at the end trimmed, lines ended by `\n` alone.
pub(super) fn clean(text: &str) -> String {
    text.replace("\r\n", "\n")
        .replace('\r', "\n")
        .chars()
        .map(|c| match c {
            '\n' | '\t' => c,
            c if c.is_control() => char::REPLACEMENT_CHARACTER,
            c => c,
        })
        .collect::<String>()
        .trim_end()
        .to_owned()
}

/// An id of four bytes as text, blanks kept, what is not printable as `\xNN`.
pub(super) fn four_letters(id: &[u8; 4]) -> String {
    id.iter()
        .map(|byte| match byte {
            0x20..0x7f => char::from(*byte).to_string(),
            _ => format!("\\x{byte:02X}"),
        })
        .collect()
}

/// At most `most` bytes of it, cut between characters.
pub(super) fn cut(mut text: String, most: usize) -> String {
    if text.len() > most {
        let end = (0..=most).rev().find(|at| text.is_char_boundary(*at));
        text.truncate(end.unwrap_or(0));
        text.push('…');
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_field_ends_at_nul_and_shows_no_control_characters() {
        assert_eq!(field(b"Tallow Street\0\0rest"), "Tallow Street");
        assert_eq!(field(b"a\x1b[31mb\r\nc  "), "a\u{fffd}[31mb\nc");
        assert_eq!(field("Größe".as_bytes()), "Größe");
        // Latin-1: 0xE9 is é.
        assert_eq!(field(b"caf\xe9"), "café");
    }

    #[test]
    fn a_long_text_is_cut_between_characters() {
        assert_eq!(cut("äöü".into(), 3), "ä…");
        assert_eq!(cut("abc".into(), 3), "abc");
        assert_eq!(four_letters(b"id3 "), "id3 ");
        assert_eq!(four_letters(b"a\0\xffb"), "a\\x00\\xFFb");
    }
}
