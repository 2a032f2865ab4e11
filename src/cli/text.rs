//! Text on a terminal: how wide it is, where it breaks, and the two accents.
//!
//! In: texts that were made harmless already (`record::printable`, `record::one_line`). Out:
//! strings that fit a width. Pure; knows neither files nor findings.

use std::fmt::Write;

use unicode_normalization::UnicodeNormalization;

/// Columns that a text takes: characters, composed ones counted once (some file systems store
/// names decomposed). Characters of double width are counted as one.
pub fn width(text: &str) -> usize {
    text.nfc().count()
}

/// The text with spaces up to `columns`; longer text is left as it is.
pub fn left(text: &str, columns: usize) -> String {
    format!("{text}{}", " ".repeat(columns.saturating_sub(width(text))))
}

/// As [`left`], with the spaces before it.
pub fn right(text: &str, columns: usize) -> String {
    format!("{}{text}", " ".repeat(columns.saturating_sub(width(text))))
}

/// At most `columns` wide: the middle of a longer text becomes `…`, since names differ at the
/// start (title) and at the end (revision, extension).
pub fn shortened(text: &str, columns: usize) -> String {
    let all: Vec<char> = text.nfc().collect();
    if all.len() <= columns {
        return text.to_owned();
    }
    let kept = columns.saturating_sub(1);
    let (head, tail) = (kept - kept / 2, kept / 2);
    let start: String = all[..head].iter().collect();
    let end: String = all[all.len() - tail..].iter().collect();
    format!("{start}…{end}")
}

/// Breaks `text` at spaces into lines of at most `columns`; a word that is longer stands alone
/// on its line and keeps its length, so that a path can still be copied.
pub fn wrapped(text: &str, columns: usize) -> Vec<String> {
    let mut lines: Vec<String> = Vec::new();
    let mut line = String::new();
    for word in text.split(' ').filter(|word| !word.is_empty()) {
        if !line.is_empty() && width(&line) + 1 + width(word) > columns {
            lines.push(std::mem::take(&mut line));
        }
        if !line.is_empty() {
            line.push(' ');
        }
        line.push_str(word);
    }
    if !line.is_empty() {
        lines.push(line);
    }
    lines
}

/// `first` before the first line of the wrapped text, as many spaces before the others.
pub fn hanging(first: &str, text: &str, columns: usize) -> String {
    let indent = width(first);
    let mut out = String::new();
    for (i, line) in wrapped(text, columns.saturating_sub(indent))
        .iter()
        .enumerate()
    {
        let before = if i == 0 {
            first.to_owned()
        } else {
            " ".repeat(indent)
        };
        let _ = writeln!(out, "{before}{line}");
    }
    out
}

/// Cells side by side, two spaces between them, each column as wide as its widest cell; the
/// last one breaks at spaces within what is left of `columns`. One string a row, with its line
/// feeds. Rows may be shorter than the first.
pub fn table(indent: &str, rows: &[Vec<String>], columns: usize) -> Vec<String> {
    let count = rows.iter().map(Vec::len).max().unwrap_or(0);
    let widths: Vec<usize> = (0..count.saturating_sub(1))
        .map(|column| {
            let cells = rows.iter().filter_map(|row| row.get(column));
            cells.map(|cell| width(cell)).max().unwrap_or(0)
        })
        .collect();
    rows.iter()
        .map(|row| {
            let (fixed, last) = row.split_at(row.len().min(widths.len()));
            let mut first = indent.to_owned();
            for (cell, &columns) in fixed.iter().zip(&widths) {
                first.push_str(&left(cell, columns));
                first.push_str("  ");
            }
            match last.first() {
                Some(cell) if !cell.is_empty() => hanging(&first, cell, columns),
                _ => format!("{}\n", first.trim_end()),
            }
        })
        .collect()
}

/// `1 file`, `2 files`.
pub fn counted(count: u64, one: &str, many: &str) -> String {
    format!("{} {}", grouped(count), if count == 1 { one } else { many })
}

/// Thousands apart: `1,234,567`.
pub fn grouped(count: u64) -> String {
    let digits = count.to_string();
    let mut out = String::new();
    for (i, digit) in digits.chars().enumerate() {
        if i > 0 && (digits.len() - i).is_multiple_of(3) {
            out.push(',');
        }
        out.push(digit);
    }
    out
}

/// Whether accents may be used. They only double a word, so nothing is lost without them.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Paint {
    Plain,
    Colour,
}

/// The two accents: vermilion for what stops, blue for advice.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Accent {
    Vermilion,
    Blue,
    None,
}

impl Paint {
    /// The nearest of the 256 terminal colours to vermilion #D55E00 (166, #d75f00) and blue
    /// #0072B2 (25, #005faf) of Okabe and Ito's colour-blind-safe set (2008); the blue is one
    /// step lighter (32, #0087d7), since 25 is hard to read on black.
    pub fn accent(self, accent: Accent, text: &str) -> String {
        let code = match (self, accent) {
            (Self::Plain, _) | (_, Accent::None) => return text.to_owned(),
            (Self::Colour, Accent::Vermilion) => 166,
            (Self::Colour, Accent::Blue) => 32,
        };
        format!("\x1b[1;38;5;{code}m{text}\x1b[0m")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn composed_and_decomposed_letters_are_equally_wide() {
        assert_eq!(width("é"), 1);
        assert_eq!(width("e\u{301}"), 1);
        assert_eq!(left("e\u{301}", 3), "e\u{301}  ");
    }

    #[test]
    fn a_long_name_keeps_its_start_and_its_end() {
        let name = "01 Harbour Lights (Tallow Street master, revision 3).wav";
        let short = shortened(name, 24);
        assert_eq!(short, "01 Harbour L…sion 3).wav");
        assert_eq!(width(&short), 24);
        assert_eq!(shortened("short.wav", 24), "short.wav");
    }

    #[test]
    fn lines_break_at_spaces_and_long_words_stay_whole() {
        assert_eq!(wrapped("one two three", 7), ["one two", "three"]);
        assert_eq!(
            wrapped("a /srv/audio/exports/x.wav b", 9),
            ["a", "/srv/audio/exports/x.wav", "b"]
        );
        assert_eq!(
            hanging("where  ", "one two three", 14),
            "where  one two\n       three\n"
        );
    }

    #[test]
    fn a_table_breaks_its_last_column_and_keeps_the_others() {
        let rows = [
            ["a", "Føroyar", "one two three"]
                .map(str::to_owned)
                .to_vec(),
            ["long", "x", "four"].map(str::to_owned).to_vec(),
            ["y", "z", ""].map(str::to_owned).to_vec(),
        ];
        assert_eq!(
            table(" ", &rows, 24).concat(),
            " a     Føroyar  one two\n                three\n long  x        four\n y     z\n"
        );
    }

    #[test]
    fn colour_doubles_a_word_and_plain_text_has_no_escape() {
        assert_eq!(Paint::Plain.accent(Accent::Vermilion, "stop"), "stop");
        assert_eq!(Paint::Colour.accent(Accent::None, "clear"), "clear");
        assert_eq!(
            Paint::Colour.accent(Accent::Vermilion, "stop"),
            "\x1b[1;38;5;166mstop\x1b[0m"
        );
    }

    #[test]
    fn thousands_stand_apart() {
        assert_eq!(grouped(0), "0");
        assert_eq!(grouped(999), "999");
        assert_eq!(grouped(1_234_567), "1,234,567");
        assert_eq!(counted(1, "file", "files"), "1 file");
        assert_eq!(counted(4_000, "file", "files"), "4,000 files");
    }
}
