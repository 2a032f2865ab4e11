//! What a profile must know of the catalogue to be checked: which checks there are, and what
//! may be asked of each.
//!
//! The catalogue lives in the judge's room, which stands on this one; it hands these in.

use super::model::Severity;

/// One check of the catalogue, as far as a profile is concerned.
#[derive(Clone, Copy, Debug)]
pub struct KnownCheck {
    pub id: &'static str,
    pub takes: Takes,
    /// Where a limit names no severity.
    pub severity: Severity,
    /// It always stops: no profile may ask for it, soften it or switch it off.
    pub always: bool,
    /// It may be read on a render.
    pub on_renders: bool,
}

/// What kind of value a check has, and so what may be asked of it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Takes {
    /// `at_most`, `at_least`, `within`, `target` with `tolerance`, `one_of` (numbers), `report`.
    Number,
    /// `one_of` of these words, `report`.
    Word(&'static [&'static str]),
    /// `one_of` of layouts' names, `report`.
    Layout,
    /// `matches`, `one_of`, `report`.
    Text,
    /// `required`, of these names; a name that ends in `.` stands for all that begin so.
    Fields(&'static [&'static str]),
    /// `never`, `report`.
    Fault,
}

impl Takes {
    /// The rules that may be asked, as written in a profile.
    pub fn rules(self) -> &'static [&'static str] {
        match self {
            Self::Number => &[
                "at_most", "at_least", "within", "target", "one_of", "report",
            ],
            Self::Word(_) | Self::Layout => &["one_of", "report"],
            Self::Text => &["matches", "one_of", "report"],
            Self::Fields(_) => &["required"],
            Self::Fault => &["never", "report"],
        }
    }
}
