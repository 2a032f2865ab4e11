//! Immersive masters before the judge: structure, content, and what only a render shows.
//!
//! In: the facts of the metadata and of the renders. Out: one finding a check. The room that
//! reads the metadata says what is wrong with them and how badly; here it is held against the
//! profile, which may soften, sharpen or switch off.

mod content;
mod names;
mod numbers;
mod table;

pub use numbers::read;
pub use table::IMMERSIVE;

use self::names::Who;
use super::catalogue::Check;
use super::facts::Facts;
use super::told::Told;
use super::words::asked;
use crate::adm;
use crate::measure::{Place, Places};
use crate::profile::{Limit, Rule, Severity};
use crate::units::{Frames, Seconds};

/// Something that is wrong, or worth a note, with its weight.
pub(in crate::judge) struct Found {
    pub severity: Severity,
    /// Where: an element's id, a track, `axml`.
    pub subject: String,
    pub says: String,
    pub count: u64,
    /// Seconds from the start of the object.
    pub at_s: Option<f64>,
}

/// True for the faults that are judged on every file with audio definition metadata.
pub fn is_ours(check: &Check) -> bool {
    check.id.starts_with("immersive.") && check.takes == crate::profile::Takes::Fault
}

/// The finding of a fault; `None` where there is nothing to tell.
pub fn fault(check: &Check, limit: Option<&Limit>, facts: &Facts) -> Option<Told> {
    facts.adm?;
    tell(check, limit, facts, found(check, facts))
}

/// Faults of one check as one finding: the worst is told, the others are counted.
pub(in crate::judge) fn tell(
    check: &Check,
    limit: Option<&Limit>,
    facts: &Facts,
    mut found: Vec<Found>,
) -> Option<Told> {
    found.sort_by_key(|one| std::cmp::Reverse(one.severity));
    let source = limit.map_or(check.source, |limit| limit.source.as_str());
    let words = limit.and_then(|limit| asked(&limit.rule, check.unit));
    let Some(worst) = found.first() else {
        // What no limit asks for and nobody found is not told: there are fifty of them.
        return limit.map(|_| {
            Told::new(check, "file", source)
                .limit(words)
                .says(format!("no {}", check.title))
        });
    };
    let severity = match limit.map(|limit| (&limit.rule, limit.severity)) {
        None => worst.severity,
        Some((Rule::Report, _)) => Severity::Note,
        // A note stays one: rounding is no fault, whatever a profile asks.
        Some(_) if worst.severity == Severity::Note => Severity::Note,
        Some((_, asked)) => asked,
    };
    let total: u64 = found
        .iter()
        .fold(0, |sum, one| sum.saturating_add(one.count));
    let mut places = Places::default();
    for one in &found {
        let start = names::start_s(facts, &one.subject);
        if let Some(at) = one.at_s.zip(start).map(|(at, start)| at + start) {
            places.push(Place {
                start_s: Seconds(at),
                end_s: Seconds(at),
                start_frame: Frames((at * f64::from(facts.sample_rate_hz())).round() as u64),
                channel: (one.subject != worst.subject).then(|| one.subject.clone()),
                value: None,
                ..Place::default()
            });
        }
    }
    let who = Who::of(facts, &worst.subject);
    // The id stands beside every finding: here it is the name that tells.
    let mut says = match &who {
        Some(who) if !who.is_told_in(&worst.says) => format!("{}: {}", who.short(), worst.says),
        _ => worst.says.clone(),
    };
    match (found.len(), total) {
        (1, 1) => {}
        (1, many) => says.push_str(&format!(", and {} more like it there", many - 1)),
        (_, many) => says.push_str(&format!(", and {} more such places", many - 1)),
    }
    let told = Told::new(check, worst.subject.clone(), source)
        .limit(words)
        .places(&places)
        .says(says);
    let told = match worst.subject.as_str() {
        // The container's own check says the same, and is told once in the verdict's reason.
        "file" => told.brief(format!("{}: {}", check.title, worst.says), None),
        _ => told.brief(check.title, Some(detail(check, worst, who, total))),
    };
    Some(match severity {
        Severity::Note => told.noted(),
        severity => told.failed(severity),
    })
}

/// What stands in brackets behind the fault's name in the verdict's reason: whose fault it is,
/// and only where no element has it, what it is.
fn detail(check: &Check, worst: &Found, who: Option<Who>, total: u64) -> String {
    let of_the_file = check.id.ends_with("-disagrees") || check.id.contains(".format-");
    let words = match who.filter(|_| !of_the_file) {
        Some(who) => who.in_words(),
        None => worst.says.clone(),
    };
    // The brackets of the reason hold no others.
    let mut detail = words.replace(" (", ", ").replace(['(', ')'], "");
    if total > 1 {
        detail.push_str(&format!(", and {} more", total - 1));
    }
    detail
}

fn found(check: &Check, facts: &Facts) -> Vec<Found> {
    let class = check.id.trim_start_matches("immersive.");
    let mut found: Vec<Found> = facts
        .adm
        .iter()
        .flat_map(|read| read.findings)
        .filter(|finding| finding.class.name() == class)
        .map(|finding| Found {
            severity: match finding.severity {
                adm::Severity::Fail => check.severity.max(Severity::Advise),
                adm::Severity::Warn => check.severity.min(Severity::Advise),
                adm::Severity::Note => Severity::Note,
            },
            subject: finding.element.clone(),
            says: finding.says.clone(),
            count: finding.count.max(1),
            at_s: finding.at_s,
        })
        .collect();
    found.extend(content::found(check, facts));
    found
}
