//! The catalogue of checks, and from limits to findings to a verdict.
//!
//! In: a specimen's facts, its measurements, a profile. Out: a [`Judgement`]. Pure: the same
//! facts and the same profile give the same judgement, on any day and any host. Opens no file
//! and sees no sample; [`load_profiles`] alone reads the operator's folder, because only here
//! both the catalogue and the profiles are known.

use std::path::Path;

mod catalogue;
mod caution;
mod facts;
mod faults;
mod identity;
mod immersive;
mod limits;
mod movement;
mod names;
mod numbers;
mod readings;
mod survey;
mod table;
#[cfg(test)]
mod tests;
mod told;
mod types;
mod verdict;
mod versions;
mod words;

pub use catalogue::{Check, catalogue, check, title};
pub use facts::{AdmRead, AgainstRead, Facts};
pub use survey::wants;
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

/// Above which level the true-peak meter lists every place: the lowest ceiling of the profile,
/// else full scale, and as far above it as the judge takes for equal.
pub fn over_ceiling_dbtp(profile: &Profile) -> f64 {
    let ceilings = profile.limits_on("peaks.true_peak").filter_map(ceiling);
    let lowest = ceilings.min_by(f64::total_cmp);
    numbers::equal("dBTP") + lowest.unwrap_or(0.0)
}

fn ceiling(limit: &Limit) -> Option<f64> {
    match &limit.rule {
        Rule::AtMost(most) | Rule::Within(_, most) => Some(*most),
        Rule::Target { target, tolerance } => Some(target + tolerance),
        _ => None,
    }
}
