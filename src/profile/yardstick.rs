//! From what a profile says of a studio's own masters to a [`Yardstick`] that makes sense.
//!
//! In: the raw table with its place. Out: the yardstick, or a [`Mistake`]. A figure need not be a
//! check of the catalogue: the views of the translation table are none.

use toml::Spanned;

use super::model::Yardstick;
use super::raw::RawYardstick;
use crate::config::mistake::{Mistake, Text};

/// The yardstick of one figure, as checked.
pub fn checked(
    text: &Text,
    figure: &Spanned<String>,
    raw: &RawYardstick,
) -> Result<Yardstick, Mistake> {
    let table = figure.span();
    let missing = |key: &str, right: &str| {
        text.mistake(
            table.clone(),
            format!("the yardstick of \"{}\" has no {key}", figure.get_ref()),
            right,
        )
    };
    let number = |value: &Option<Spanned<f64>>, key: &str, right: &str| match value {
        None => Err(missing(key, right)),
        Some(value) if value.get_ref().is_finite() => Ok(*value.get_ref()),
        Some(value) => Err(text.mistake(value.span(), "not a number that can be compared", right)),
    };
    let lowest = number(&raw.lowest, "lowest", "lowest = -11.0")?;
    let median = number(&raw.median, "median", "median = -7.5")?;
    let highest = number(&raw.highest, "highest", "highest = -4.0")?;
    if !(lowest <= median && median <= highest) {
        return Err(text.mistake(
            raw.median.as_ref().map_or(table.clone(), Spanned::span),
            format!("the median {median} does not lie between {lowest} and {highest}"),
            "lowest, median and highest in this order",
        ));
    }
    let files = raw
        .files
        .as_ref()
        .ok_or_else(|| missing("files", "files = 40"))?;
    if *files.get_ref() == 0 {
        return Err(text.mistake(
            files.span(),
            "a yardstick of no files",
            "in how many files the figure was read",
        ));
    }
    let date = (raw.date.as_ref()).ok_or_else(|| missing("date", "date = \"2026-05-04\""))?;
    if date.get_ref().parse::<jiff::civil::Date>().is_err() {
        return Err(text.mistake(
            date.span(),
            format!("\"{}\" is no date", date.get_ref()),
            "year, month and day: date = \"2026-05-04\"",
        ));
    }
    Ok(Yardstick {
        lowest,
        median,
        highest,
        files: *files.get_ref(),
        date: date.get_ref().clone(),
    })
}
