//! Single values of the configuration: durations, patterns, times of day, choices.
//!
//! In: a value with its place in the text. Out: the value as a type, or a [`Mistake`] at that
//! place. Knows nothing of how values hang together.

use std::ops::Range;
use std::time::Duration;

use globset::{Glob, GlobBuilder, GlobMatcher};
use toml::Spanned;

use super::mistake::{Mistake, Text, did_you_mean};
use crate::layout::{self, Label};

/// Longest duration that is taken: own choice, a year is surely a slip of the fingers, and
/// clocks can be added to without fear of overflow.
const LONGEST: Duration = Duration::from_secs(366 * 24 * 3600);

/// A text that must be there; `table` is where it was looked for.
pub fn required<'r, T>(
    text: &Text,
    value: &'r Option<Spanned<T>>,
    table: Range<usize>,
    what: &str,
    right: &str,
) -> Result<&'r Spanned<T>, Mistake> {
    value
        .as_ref()
        .ok_or_else(|| text.mistake(first_line(text, table), what, right))
}

/// The first line of a table's place: its header, not all that stands below it.
pub fn first_line(text: &Text, at: Range<usize>) -> Range<usize> {
    let end = text.text[at.clone()]
        .find('\n')
        .map_or(at.end, |n| at.start + n);
    at.start..end
}

/// A text for people, without line breaks or other control characters (it goes into mails).
pub fn words(text: &Text, value: &Spanned<String>, what: &str) -> Result<String, Mistake> {
    let said = value.get_ref().trim();
    if said.is_empty() || said.chars().any(char::is_control) {
        return Err(text.mistake(
            value.span(),
            format!("{what} is empty or holds a control character"),
            "one line of text",
        ));
    }
    Ok(said.to_owned())
}

/// A whole number and a unit: `500ms`, `10s`, `2m`, `1h`; never nothing.
pub fn duration(text: &Text, value: &Spanned<String>) -> Result<Duration, Mistake> {
    let said = value.get_ref().trim();
    let digits = said.trim_end_matches(|c: char| !c.is_ascii_digit());
    let milliseconds_each = match said[digits.len()..].trim() {
        "ms" => Some(1),
        "s" => Some(1_000),
        "m" => Some(60_000),
        "h" => Some(3_600_000),
        _ => None,
    };
    let parsed = digits
        .parse::<u64>()
        .ok()
        .zip(milliseconds_each)
        .and_then(|(number, each)| number.checked_mul(each))
        .map(Duration::from_millis);
    match parsed {
        Some(Duration::ZERO) => Err(text.mistake(
            value.span(),
            format!("\"{said}\" is no time at all"),
            "at least \"1ms\"; \"10s\" is usual",
        )),
        Some(parsed) if parsed <= LONGEST => Ok(parsed),
        Some(_) => Err(text.mistake(
            value.span(),
            format!("\"{said}\" is longer than a year"),
            "a time such as \"10s\"",
        )),
        None => Err(text.mistake(
            value.span(),
            format!("\"{said}\" is no duration"),
            "a whole number and a unit: \"500ms\", \"10s\", \"2m\" or \"1h\"",
        )),
    }
}

/// One word out of a few.
pub fn choice<T: Copy>(
    text: &Text,
    value: &Spanned<String>,
    key: &str,
    words: &[(&str, T)],
) -> Result<T, Mistake> {
    let said = value.get_ref().as_str();
    if let Some((_, meaning)) = words.iter().find(|(word, _)| *word == said) {
        return Ok(*meaning);
    }
    let known: Vec<&str> = words.iter().map(|(word, _)| *word).collect();
    Err(text.mistake(
        value.span(),
        format!("{key} knows no \"{said}\""),
        did_you_mean(said, &known),
    ))
}

/// The name of a profile that exists.
pub fn profile(text: &Text, value: &Spanned<String>, known: &[String]) -> Result<String, Mistake> {
    let said = value.get_ref();
    if known.contains(said) {
        return Ok(said.clone());
    }
    let known: Vec<&str> = known.iter().map(String::as_str).collect();
    Err(text.mistake(
        value.span(),
        format!("there is no profile \"{said}\""),
        did_you_mean(said, &known),
    ))
}

/// A route's glob: on the path below the watch's folder, `*` within one part, `**` over any
/// number of them, without regard to case (shares of most systems have none).
pub fn path_pattern(text: &Text, value: &Spanned<String>) -> Result<GlobMatcher, Mistake> {
    let said = value.get_ref();
    if said.is_empty() || said.starts_with('/') || said.ends_with('/') {
        return Err(text.mistake(
            value.span(),
            format!("the pattern \"{said}\" can match no file"),
            "a path below the watch's folder, without a slash at either end, as in \"**/*_immersive*.wav\"",
        ));
    }
    GlobBuilder::new(said)
        .literal_separator(true)
        .case_insensitive(true)
        .build()
        .map(|glob| glob.compile_matcher())
        .map_err(|error| bad_glob(text, value, &error))
}

/// A glob on a file's name alone.
pub fn name_pattern(text: &Text, value: &Spanned<String>) -> Result<String, Mistake> {
    let said = value.get_ref();
    if said.is_empty() || said.contains('/') {
        return Err(text.mistake(
            value.span(),
            format!("the pattern \"{said}\" can match no file name"),
            "a pattern on the name alone, without folders, as in \"*.bak\"",
        ));
    }
    Glob::new(said)
        .map(|_| said.clone())
        .map_err(|error| bad_glob(text, value, &error))
}

fn bad_glob(text: &Text, value: &Spanned<String>, error: &globset::Error) -> Mistake {
    text.mistake(
        value.span(),
        format!("\"{}\" is no pattern: {}", value.get_ref(), error.kind()),
        "* for any letters within a name, ** for any folders, ? for one letter, [ab] and {a,b} for a choice",
    )
}

/// A file name's extension, lower-case and without the dot.
pub fn extension(text: &Text, value: &Spanned<String>) -> Result<String, Mistake> {
    let said = value.get_ref().trim().trim_start_matches('.');
    if said.is_empty() || !said.chars().all(char::is_alphanumeric) {
        return Err(text.mistake(
            value.span(),
            format!("\"{}\" is no extension", value.get_ref()),
            "letters and digits after the last dot of a name, as in \"wav\"",
        ));
    }
    Ok(said.to_lowercase())
}

/// A layout's name or a list of loudspeaker labels.
pub fn channels(text: &Text, value: &Spanned<String>) -> Result<Vec<Label>, Mistake> {
    layout::parse_channels(value.get_ref()).map_err(|error| {
        text.mistake(
            value.span(),
            error.to_string(),
            "a layout such as \"7.1.4\" or \"4+7+0\", or labels in channel order: \"M+030,M-030,M+000,LFE1\"",
        )
    })
}

/// A time of day, `18:00`.
pub fn time_of_day(text: &Text, value: &Spanned<String>) -> Result<jiff::civil::Time, Mistake> {
    let said = value.get_ref();
    let parts = said.split_once(':').filter(|(h, m)| {
        let two = |part: &str| part.len() == 2 && part.bytes().all(|b| b.is_ascii_digit());
        two(h) && two(m)
    });
    parts
        .and_then(|(hours, minutes)| {
            jiff::civil::Time::new(hours.parse().ok()?, minutes.parse().ok()?, 0, 0).ok()
        })
        .ok_or_else(|| {
            text.mistake(
                value.span(),
                format!("\"{said}\" is no time of day"),
                "hours and minutes, from \"00:00\" to \"23:59\"",
            )
        })
}
