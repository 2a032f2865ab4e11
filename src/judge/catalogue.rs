//! The catalogue: what can be checked, what each check means and cannot see.
//!
//! The table is one flat list, in the order in which findings of equal weight are told: damage
//! first, then format, sound, edges, metadata, name. It knows no limit; those are a profile's.

use std::sync::LazyLock;

use crate::profile::{KnownCheck, Severity, Takes};

use super::immersive::IMMERSIVE;
use super::movement::MOVEMENT;
use super::survey::SURVEY;
use super::table::CHECKS;
use super::versions::VERSIONS;

/// One check.
#[derive(Clone, Copy, Debug)]
pub struct Check {
    /// `group.name`
    pub id: &'static str,
    /// The quantity or fault in a few words, as a sentence uses it.
    pub title: &'static str,
    pub definition: &'static str,
    /// `LUFS`, `dBTP`, `s`, ...; `FS` is linear, full scale = 1.0; empty where there is none.
    pub unit: &'static str,
    /// Document and clause of the definition, or `common practice, no source`.
    pub source: &'static str,
    /// Where a profile names none.
    pub severity: Severity,
    pub cannot_see: &'static str,
    /// What a profile may ask of it.
    pub takes: Takes,
    /// It always stops, whatever the profile.
    pub always: bool,
    /// It may be read on a render.
    pub on_renders: bool,
}

/// The source of what the trade does and no document says.
pub const PRACTICE: &str = "common practice, no source";

/// A check that rests on the trade's practice alone, read on the file itself.
pub const fn of_practice(
    id: &'static str,
    title: &'static str,
    definition: &'static str,
    unit: &'static str,
    severity: Severity,
    takes: Takes,
    cannot_see: &'static str,
) -> Check {
    Check {
        id,
        title,
        definition,
        unit,
        source: PRACTICE,
        severity,
        cannot_see,
        takes,
        always: false,
        on_renders: false,
    }
}

/// All checks, in the order in which they are told.
pub fn catalogue() -> &'static [Check] {
    static ALL: LazyLock<Vec<Check>> =
        LazyLock::new(|| [CHECKS, SURVEY, IMMERSIVE, MOVEMENT, VERSIONS].concat());
    &ALL
}

/// The check of that id.
pub fn check(id: &str) -> Option<&'static Check> {
    catalogue().iter().find(|check| check.id == id)
}

/// The catalogue's name of a check, for those who tell of it.
pub fn title(id: &str) -> Option<String> {
    check(id).map(|check| check.title.to_owned())
}

/// The catalogue as the profiles' room needs it.
pub fn known_checks() -> Vec<KnownCheck> {
    catalogue()
        .iter()
        .map(|check| KnownCheck {
            id: check.id,
            takes: check.takes,
            severity: check.severity,
            always: check.always,
            on_renders: check.on_renders,
        })
        .collect()
}
