//! One mistake in a text that the operator wrote, shown so that it can be put right: what is
//! wrong, file, line and column, the line itself with a caret, and what would be right.
//!
//! In: the text, a byte range in it, two sentences. Out: a [`Mistake`] whose `Display` is the
//! whole message. Serves the configuration and the profiles alike and knows the keys of neither.

use std::fmt;
use std::ops::Range;
use std::path::{Path, PathBuf};

/// What is wrong in a file, where, and what would be right. `Display` is the whole message.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Mistake {
    pub what: String,
    pub path: PathBuf,
    /// `None` where something is missing from the file as a whole.
    pub spot: Option<Spot>,
    pub right: String,
}

/// A place in a text, for people: line and column are counted from 1.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Spot {
    pub line: usize,
    pub column: usize,
    /// The whole line.
    pub text: String,
    /// How many characters the caret underlines, at least 1.
    pub width: usize,
}

impl std::error::Error for Mistake {}

impl fmt::Display for Mistake {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        writeln!(out, "{}", self.what)?;
        let path = self.path.display();
        let Some(spot) = &self.spot else {
            writeln!(out, "  in {path}")?;
            return write!(out, "  right: {}", self.right);
        };
        let number = spot.line.to_string();
        let gutter = " ".repeat(number.len());
        // Tabs are kept, so that the caret stands under its place whatever a tab's width.
        let indent: String = spot
            .text
            .chars()
            .take(spot.column - 1)
            .map(|c| if c == '\t' { '\t' } else { ' ' })
            .collect();
        let carets = "^".repeat(spot.width);
        writeln!(out, "{gutter}--> {path}:{}:{}", spot.line, spot.column)?;
        writeln!(out, "{gutter} |")?;
        writeln!(out, "{number} | {}", spot.text)?;
        writeln!(out, "{gutter} | {indent}{carets}")?;
        write!(out, "{gutter} = right: {}", self.right)
    }
}

/// A text with the path it was read from.
#[derive(Clone, Copy)]
pub struct Text<'a> {
    pub path: &'a Path,
    pub text: &'a str,
}

impl Text<'_> {
    /// A mistake at the bytes `at` of the text.
    pub fn mistake(
        &self,
        at: Range<usize>,
        what: impl Into<String>,
        right: impl Into<String>,
    ) -> Mistake {
        Mistake {
            spot: Some(self.spot(at)),
            ..self.missing(what, right)
        }
    }

    /// Something that should stand in the text and stands nowhere.
    pub fn missing(&self, what: impl Into<String>, right: impl Into<String>) -> Mistake {
        Mistake {
            what: what.into(),
            path: self.path.to_owned(),
            spot: None,
            right: right.into(),
        }
    }

    /// The line number (from 1) of a byte.
    pub fn line_of(&self, byte: usize) -> usize {
        let before = self.text.get(..byte).unwrap_or(self.text);
        before.bytes().filter(|b| *b == b'\n').count() + 1
    }

    fn spot(&self, at: Range<usize>) -> Spot {
        let start = floor_char(self.text, at.start);
        let end = floor_char(self.text, at.end.max(start));
        let line_start = self.text[..start].rfind('\n').map_or(0, |n| n + 1);
        let line_end = self.text[start..]
            .find('\n')
            .map_or(self.text.len(), |n| start + n);
        let text = self.text[line_start..line_end].trim_end_matches('\r');
        let column = self.text[line_start..start].chars().count() + 1;
        let width = self.text[start..end.min(line_end).max(start)]
            .trim_end()
            .chars()
            .count()
            .max(1);
        Spot {
            line: self.line_of(start),
            column,
            text: text.to_owned(),
            width,
        }
    }

    /// Says in our words what the TOML reader found wrong.
    ///
    /// `keys` holds each known key with an example of how it is written; unknown keys are
    /// compared with those that may stand in the same table, which the reader's message lists.
    pub fn not_toml(&self, error: &toml::de::Error, keys: &[(&str, &str)]) -> Mistake {
        let at = error.span().unwrap_or(0..0);
        let message = error.message().trim();
        if let Some(rest) = message.strip_prefix("unknown field ") {
            let mut words = quoted(rest);
            let unknown = if words.is_empty() {
                String::new()
            } else {
                words.remove(0)
            };
            // A key that is known only to be refused is not offered.
            words.retain(|word| keys.iter().any(|(name, _)| name == word));
            let right = match closest(&unknown, words.iter().map(String::as_str)) {
                Some(near) => format!("did you mean \"{near}\"?"),
                None => format!("the keys here are {}", list(&words, "and")),
            };
            return self.mistake(at, format!("unknown key \"{unknown}\""), right);
        }
        let spot = self.spot(at.clone());
        let key = spot.text.split('=').next().unwrap_or("").trim();
        let bare = key
            .trim_matches(['[', ']', ' '])
            .rsplit('.')
            .next()
            .unwrap_or("");
        let example = keys.iter().find(|(name, _)| *name == bare);
        let says_type = message
            .strip_prefix("invalid type: ")
            .or_else(|| message.strip_prefix("invalid value: "))
            .or_else(|| {
                message
                    .strip_prefix("invalid ")
                    .filter(|m| m.starts_with("length"))
            })
            .or_else(|| {
                message
                    .starts_with("data did not match")
                    .then_some("neither text nor number")
            });
        if let Some(rest) = says_type {
            let (found, wanted) = rest.split_once(", expected ").unwrap_or((rest, "another"));
            let found = found.replace('`', "");
            let right = match example {
                Some((_, example)) => (*example).to_owned(),
                None => format!("{wanted} is expected here"),
            };
            let of = if bare.is_empty() { "this" } else { bare };
            return self.mistake(
                at,
                format!("\"{of}\" is of the wrong kind ({found})"),
                right,
            );
        }
        let message = message.replace('\n', ", ");
        let right = match example {
            _ if message.starts_with("duplicate key") => "each key once in its table".to_owned(),
            Some((_, example)) => (*example).to_owned(),
            None => "key = value, texts in double quotes, one a line".to_owned(),
        };
        self.mistake(at, format!("this is not TOML: {message}"), right)
    }
}

/// The byte position itself, or the start of the character that it lies in.
fn floor_char(text: &str, byte: usize) -> usize {
    let mut byte = byte.min(text.len());
    while !text.is_char_boundary(byte) {
        byte -= 1;
    }
    byte
}

/// The parts of a text that stand in backticks.
fn quoted(text: &str) -> Vec<String> {
    text.split('`')
        .skip(1)
        .step_by(2)
        .map(str::to_owned)
        .collect()
}

/// `a, b and c`
pub fn list<S: AsRef<str>>(words: &[S], joint: &str) -> String {
    match words {
        [] => "none".into(),
        [one] => one.as_ref().to_owned(),
        [first @ .., last] => {
            let first: Vec<&str> = first.iter().map(AsRef::as_ref).collect();
            format!("{} {joint} {}", first.join(", "), last.as_ref())
        }
    }
}

/// What a person who wrote `word` may have meant, or else the whole choice.
pub fn did_you_mean(word: &str, choice: &[&str]) -> String {
    match closest(word, choice.iter().copied()) {
        Some(near) => format!("did you mean \"{near}\"?"),
        None => format!("one of {}", list(choice, "or")),
    }
}

/// The word nearest to `word`, if it is near: at most a third of its letters differ.
pub fn closest<'a>(word: &str, among: impl Iterator<Item = &'a str>) -> Option<&'a str> {
    let lower = word.to_lowercase();
    among
        .map(|known| (letters_apart(&lower, &known.to_lowercase()), known))
        .filter(|(apart, known)| {
            *apart <= (known.chars().count().max(word.chars().count()) / 3).max(1)
        })
        .min_by_key(|(apart, _)| *apart)
        .map(|(_, known)| known)
}

/// Levenshtein's distance, a swap of two neighbours counted as one.
fn letters_apart(a: &str, b: &str) -> usize {
    let (a, b): (Vec<char>, Vec<char>) = (a.chars().collect(), b.chars().collect());
    let mut rows: Vec<Vec<usize>> = vec![(0..=b.len()).collect()];
    for i in 1..=a.len() {
        let mut row = vec![i];
        for j in 1..=b.len() {
            let change = rows[i - 1][j - 1] + usize::from(a[i - 1] != b[j - 1]);
            let mut least = change.min(rows[i - 1][j] + 1).min(row[j - 1] + 1);
            if i > 1 && j > 1 && a[i - 1] == b[j - 2] && a[i - 2] == b[j - 1] {
                least = least.min(rows[i - 2][j - 2] + 1);
            }
            row.push(least);
        }
        rows.push(row);
    }
    rows[a.len()][b.len()]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_caret_stands_under_its_place_after_tabs_and_wide_letters() {
        let text = "a = 1\n\tname = \"Größe\" # x\n";
        let source = Text {
            path: Path::new("x.toml"),
            text,
        };
        let at = text.find('#').unwrap();
        let shown = source.mistake(at..at + 1, "wrong", "left out").to_string();
        let lines: Vec<&str> = shown.lines().collect();
        assert_eq!(lines[1], " --> x.toml:2:17");
        assert_eq!(lines[3], "2 | \tname = \"Größe\" # x");
        assert_eq!(lines[4], "  | \t               ^");
    }

    #[test]
    fn a_slip_of_the_fingers_is_understood_and_another_word_is_not() {
        let keys = ["settle", "folder", "release"];
        let near = |word| closest(word, keys.into_iter());
        assert_eq!(near("setle"), Some("settle"));
        assert_eq!(near("fodler"), Some("folder"));
        assert_eq!(near("colour"), None);
    }

    proptest::proptest! {
        #[test]
        fn any_range_in_any_text_can_be_shown(text in "\\PC{0,40}\n\\PC{0,40}", a in 0usize..100, b in 0usize..100) {
            let source = Text { path: Path::new("x"), text: &text };
            let shown = source.mistake(a.min(b)..a.max(b), "w", "r").to_string();
            proptest::prop_assert!(shown.contains('^'));
        }
    }
}
