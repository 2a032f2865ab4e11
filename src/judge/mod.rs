//! The catalogue of checks, and from limits to findings to a verdict.
//!
//! In: a specimen's facts, its measurements, a profile. Out: a [`Judgement`]. Pure: the same
//! facts and the same profile give the same judgement, on any day and any host. Opens no file
//! and sees no sample; [`load_profiles`] alone reads the operator's folder, because only here
//! both the catalogue and the profiles are known.

use std::path::Path;

mod catalogue;
mod caution;
mod check;
mod checks;
mod element;
mod facts;
mod identity;
mod limits;
mod names;
mod reading;
#[cfg(test)]
mod tests;
mod told;
mod types;
mod verdict;
mod words;

pub use catalogue::{catalogue, check, title, wants};
pub use check::Check;
pub use facts::{AdmRead, AgainstRead, Facts};
pub use types::*;
pub use verdict::judge;
pub use words::asked;

use crate::profile::{self, Limit, Profile, ProfileError, ProfileSet, Rule};

/// The built-in profiles and those in `folder`, checked against the catalogue.
pub fn load_profiles(folder: Option<&Path>) -> Result<ProfileSet, ProfileError> {
    profile::load(&catalogue::known_checks(), folder)
}

/// The profiles of [`load_profiles`], and the one in `file`, whose name is given too.
pub fn load_profile_file(
    folder: Option<&Path>,
    file: &Path,
) -> Result<(ProfileSet, String), ProfileError> {
    profile::load_with_file(&catalogue::known_checks(), folder, file)
}

/// Above which level the true-peak meter lists every place: the lowest ceiling of the profile, and
/// never above full scale, whatever else is asked of peaks; and as far above it as the judge takes
/// for equal.
pub fn over_ceiling_dbtp(profile: &Profile) -> f64 {
    let ceilings = profile.limits_on(checks::TRUE_PEAK.id).filter_map(upper);
    let lowest = ceilings.min_by(f64::total_cmp);
    limits::equal(checks::TRUE_PEAK.unit) + lowest.unwrap_or(0.0).min(0.0)
}

/// How far a track's level may go before its places are listed, where the profile says so, dB.
pub fn level_change_limit_db(profile: &Profile) -> Option<f64> {
    profile.limits_on(checks::LEVEL_CHANGE.id).find_map(upper)
}

/// How far a position may lie before its place is listed, where the profile says so, degrees.
pub fn position_limit_deg(profile: &Profile) -> Option<f64> {
    profile.limits_on(checks::POSITION.id).find_map(upper)
}

fn upper(limit: &Limit) -> Option<f64> {
    match &limit.rule {
        Rule::AtMost(most) | Rule::Within(_, most) => Some(*most),
        Rule::Target { target, tolerance } => Some(target + tolerance),
        Rule::AtLeast(_)
        | Rule::OneOf(_)
        | Rule::Matches(_)
        | Rule::Required(_)
        | Rule::Never
        | Rule::Report => None,
    }
}
