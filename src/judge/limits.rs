//! From a check and its limit to a finding: who judges what.

use super::catalogue::Check;
use super::facts::Facts;
use super::told::Told;
use super::{faults, immersive, movement, numbers, survey, versions};
use crate::profile::{Limit, Profile, Rule, Takes};

/// The findings of one check: one for each limit on it, or what is told without any.
pub fn findings(check: &Check, profile: &Profile, facts: &Facts) -> Vec<Told> {
    let mut limits = profile.limits_on(check.id).peekable();
    if check.always || limits.peek().is_none() {
        return finding(check, None, facts).into_iter().collect();
    }
    limits
        .filter_map(|limit| finding(check, Some(limit), facts))
        .collect()
}

fn finding(check: &Check, limit: Option<&Limit>, facts: &Facts) -> Option<Told> {
    if check.always {
        return faults::integrity(check, facts);
    }
    if immersive::is_ours(check) {
        return immersive::fault(check, limit, facts);
    }
    if survey::is_fault(check) {
        return survey::fault(check, limit, facts);
    }
    // Without a mix there is nothing to be said of movement, and nothing is missing.
    let is_moot = movement::is_moot(check, facts)
        || versions::is_moot(check, facts)
        || survey::is_moot(check, facts);
    if is_moot {
        return None;
    }
    if versions::is_fault(check) {
        return versions::fault(check, limit, facts);
    }
    if movement::is_fault(check) {
        return movement::fault(check, limit, facts);
    }
    let Some(limit) = limit else {
        return faults::unasked(check, facts);
    };
    Some(match (check.takes, &limit.rule) {
        (Takes::Number | Takes::Word(_) | Takes::Layout, _) => numbers::judge(check, limit, facts),
        (Takes::Fields(_), Rule::Required(fields)) => faults::required(check, limit, fields, facts),
        (Takes::Text, _) => faults::name(check, limit, facts),
        (Takes::Fault | Takes::Fields(_), _) => faults::judge(check, limit, facts),
    })
}
