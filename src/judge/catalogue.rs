//! The catalogue: all checks in one list. It knows no limit; those are a profile's.

use std::sync::LazyLock;

use super::check::{Check, Meter};
use super::checks::GROUPS;
use crate::measure::SurveyWants;
use crate::profile::{KnownCheck, Profile};

/// All checks, in the order in which they are told.
pub fn catalogue() -> &'static [Check] {
    static ALL: LazyLock<Vec<Check>> = LazyLock::new(|| GROUPS.concat());
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

/// The meters that the profile's limits need, besides those that always run.
pub fn wants(profile: &Profile) -> SurveyWants {
    let mut wants = SurveyWants::default();
    let asked = catalogue()
        .iter()
        .filter(|check| profile.limits_on(check.id).next().is_some());
    for meter in asked.flat_map(|check| check.needs) {
        match meter {
            Meter::Clicks => wants.clicks = true,
            Meter::Defects => wants.defects = true,
            Meter::Ends => wants.ends = true,
            Meter::Channels => wants.channels = true,
            Meter::Provenance => wants.provenance = true,
            Meter::Translation => wants.translation = true,
        }
    }
    wants
}
