//! From a check and its limit to a finding: who judges what.

use super::catalogue::Check;
use super::facts::Facts;
use super::told::Told;
use super::{faults, numbers};
use crate::profile::{Limit, Rule, Takes};

/// The finding of one check; `None` where there is nothing to tell.
pub fn finding(check: &Check, limit: Option<&Limit>, facts: &Facts) -> Option<Told> {
    if check.always {
        return faults::integrity(check, facts);
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
