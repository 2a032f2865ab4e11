//! From findings to the verdict and its reason.

use super::catalogue::catalogue;
use super::caution::caution;
use super::facts::Facts;
use super::limits;
use super::told::Told;
use super::types::{Judgement, Outcome, Verdict};
use crate::measured::NotMeasured;
use crate::profile::{Profile, Severity};

/// Judges one file by one profile.
pub fn judge(facts: &Facts, profile: &Profile) -> Judgement {
    let mut told: Vec<Told> = catalogue()
        .iter()
        .flat_map(|check| limits::findings(check, profile, facts))
        .collect();
    // Stable, so that equals stay in the catalogue's order.
    told.sort_by_key(rank);
    let verdict = verdict(facts, &told);
    Judgement {
        verdict,
        reason: reason(verdict, &told),
        caution: caution(facts),
        findings: told.into_iter().map(|told| told.finding).collect(),
    }
}

/// Worst first; what was found before what could not be measured.
fn rank(told: &Told) -> u8 {
    let unmeasured = told.finding.outcome == Outcome::Unmeasured;
    match (told.finding.weight, unmeasured) {
        (Some(Severity::Stop), false) => 0,
        (Some(Severity::Stop), true) => 1,
        (Some(_), false) => 2,
        (Some(_), true) => 3,
        (None, true) => 4,
        (None, false) if told.finding.outcome != Outcome::Clear => 5,
        (None, false) => 6,
    }
}

fn verdict(facts: &Facts, told: &[Told]) -> Verdict {
    if facts.unread.is_some() || facts.measurements.is_none() {
        return Verdict::Unread;
    }
    match told.iter().filter_map(|told| told.finding.weight).max() {
        Some(Severity::Stop) => Verdict::Stop,
        Some(Severity::Advise) => Verdict::Advise,
        Some(Severity::Note) | None => Verdict::Clear,
    }
}

/// The worst two findings that made the verdict, and how many more did.
fn reason(verdict: Verdict, told: &[Told]) -> String {
    let weight = match verdict {
        Verdict::Clear => return all_clear(told),
        Verdict::Advise => Severity::Advise,
        Verdict::Stop | Verdict::Unread => Severity::Stop,
    };
    let mut parts: Vec<&Told> = Vec::new();
    for one in told
        .iter()
        .filter(|told| told.finding.weight == Some(weight))
    {
        // That nothing was measured follows from a file that could not be read.
        let follows = verdict == Verdict::Unread && one.finding.outcome == Outcome::Unmeasured;
        // A file that was still incomplete is told in the same words as what is cut in it.
        let brief = one.in_brief();
        let core = brief.split_once(": ").map_or(brief, |(_, core)| core);
        let said = parts.iter().any(|part| {
            // What is missing for one reason is told once.
            let same_reason = one.finding.not_measured.is_some()
                && part.finding.not_measured == one.finding.not_measured;
            same_reason || part.in_brief().contains(core)
        });
        if !follows && !said {
            parts.push(one);
        }
    }
    let Some((first, rest)) = parts.split_first() else {
        return "could not be read as audio".into();
    };
    let mut reason = match &first.finding.not_measured {
        // Which of the limits is named first says nothing here.
        Some(why @ NotMeasured::NotCompared { .. }) => why.to_string(),
        _ => first.in_brief().to_owned(),
    };
    if let Some(detail) = &first.detail {
        reason.push_str(&format!(" ({detail})"));
    }
    match rest {
        [] => {}
        [second] => reason.push_str(&format!(", and {}", second.in_brief())),
        [second, more @ ..] => {
            reason.push_str(&format!(", {}, and {} more", second.in_brief(), more.len()));
        }
    }
    reason
}

fn all_clear(told: &[Told]) -> String {
    let clear = |told: &&Told| told.finding.outcome == Outcome::Clear;
    match told.iter().filter(clear).count() {
        0 => "nothing was asked".into(),
        1 => "1 check clear".into(),
        many => format!("{many} checks clear"),
    }
}
