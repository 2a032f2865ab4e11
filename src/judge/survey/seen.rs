//! What the survey has for each check.
//!
//! In: the survey. Out: places, and the words for what has no place. Decides nothing.

use super::super::catalogue::Check;
use super::super::facts::Facts;
use crate::measure::{Places, Survey};

/// What was seen for one check.
pub struct Seen {
    pub places: Places,
    /// In place of how many there are and where: for what is true of the whole file.
    pub says: Option<String>,
    pub value: Option<f64>,
}

impl Seen {
    fn places(places: Places) -> Self {
        Self {
            places,
            says: None,
            value: None,
        }
    }
}

/// The places of a fault.
pub fn seen(check: &Check, survey: &Survey, _facts: &Facts) -> Seen {
    match check.id {
        "peaks.float_over_0dbfs" => Seen::places(survey.places(&survey.over_unity.places)),
        _ => Seen::places(Places::default()),
    }
}

/// A figure, its places, and words in place of the usual ones.
pub fn number(_check: &Check, _survey: &Survey) -> Option<(f64, Places, Option<String>)> {
    None
}
