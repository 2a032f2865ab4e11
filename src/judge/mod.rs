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
mod immersive;
mod limits;
mod movement;
mod names;
mod numbers;
mod readings;
mod table;
#[cfg(test)]
mod tests;
mod told;
mod types;
mod verdict;
mod words;

pub use catalogue::{Check, catalogue, check};
pub use facts::{AdmRead, AgainstRead, Facts};
pub use types::*;
pub use verdict::judge;
pub use words::asked;

use crate::profile::{self, Profile, ProfileError, ProfileSet, Rule};

/// The built-in profiles and those in `folder`, checked against the catalogue.
pub fn load_profiles(folder: Option<&Path>) -> Result<ProfileSet, ProfileError> {
    profile::load(&catalogue::known_checks(), folder)
}

/// Above which level the true-peak meter lists every place: the profile's ceiling, else full
/// scale, and as far above it as the judge takes for equal.
pub fn over_ceiling_dbtp(profile: &Profile) -> f64 {
    numbers::equal("dBTP") + ceiling(profile)
}

fn ceiling(profile: &Profile) -> f64 {
    match profile.limits_on("peaks.true_peak").map(|l| &l.rule).next() {
        Some(Rule::AtMost(most) | Rule::Within(_, most)) => *most,
        Some(Rule::Target { target, tolerance }) => target + tolerance,
        _ => 0.0,
    }
}
