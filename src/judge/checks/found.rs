//! Faults of one check as one reading: the worst is told, the others are counted.
//!
//! Used where a fault carries a weight of its own: in the metadata of object-based masters, and
//! against the mix. A profile may soften or sharpen it; what is no more than a note stays one.

use crate::judge::check::Case;
use crate::judge::element::{self, Element};
use crate::judge::reading::{Fault, Reading};
use crate::measure::Spot;
use crate::measure::{Place, Places};
use crate::profile::Severity;
use crate::units::{Frames, Seconds};

/// Something that is wrong, or worth a note, with its weight.
pub struct Found {
    pub severity: Severity,
    /// Where: an element's id, a track, `axml`.
    pub subject: String,
    pub says: String,
    pub count: u64,
    /// Seconds from the start of the object.
    pub at_s: Option<f64>,
}

impl Found {
    pub fn new(severity: Severity, subject: impl Into<String>, says: String) -> Self {
        Self {
            severity,
            subject: subject.into(),
            says,
            count: 1,
            at_s: None,
        }
    }

    pub fn at(self, at: Option<Seconds>) -> Self {
        Self {
            at_s: at.map(|at| at.0),
            ..self
        }
    }
}

/// Beyond doubt: what a comparison must be to stop a file. Own choice.
const CERTAIN: f64 = 0.8;

/// The most that a finding of a comparison weighs at this confidence; `None` under half.
pub fn weight(confidence: f64) -> Option<Severity> {
    if confidence < Spot::SURE {
        None
    } else if confidence < CERTAIN {
        Some(Severity::Advise)
    } else {
        Some(Severity::Stop)
    }
}

/// The reading of what was found, which may be nothing.
pub fn told(case: &Case, mut found: Vec<Found>) -> Reading {
    let facts = case.facts;
    found.sort_by_key(|one| std::cmp::Reverse(one.severity));
    let Some(worst) = found.first() else {
        return case.none_found();
    };
    let total: u64 = found
        .iter()
        .fold(0, |sum, one| sum.saturating_add(one.count));
    let mut places = Places::default();
    for one in &found {
        let start = element::start_s(facts, &one.subject);
        if let Some(at) = one.at_s.zip(start).map(|(at, start)| at + start) {
            places.push(Place {
                start_s: Seconds(at),
                end_s: Seconds(at),
                start_frame: Frames((at * f64::from(facts.sample_rate_hz())).round() as u64),
                channel: (one.subject != worst.subject).then(|| one.subject.clone()),
                ..Place::default()
            });
        }
    }
    let element = Element::of(facts, &worst.subject);
    // The id stands beside every finding: here it is the name that tells.
    let mut says = match &element {
        Some(element) if !element.is_told_in(&worst.says) => {
            format!("{}: {}", element.short(), worst.says)
        }
        _ => worst.says.clone(),
    };
    match (found.len(), total) {
        (1, 1) => {}
        (1, many) => says.push_str(&format!(", and {} more like it there", many - 1)),
        (_, many) => says.push_str(&format!(", and {} more such places", many - 1)),
    }
    let (brief, detail) = match worst.subject.as_str() {
        // The container's own check says the same, and is told once in the verdict's reason.
        "file" => (format!("{}: {}", case.check.title, worst.says), None),
        _ => (
            case.check.title.to_owned(),
            Some(detail(worst, element, total)),
        ),
    };
    Reading::Fault(Fault {
        at_most: match worst.severity {
            // A note stays one: rounding is no fault, whatever a profile asks.
            Severity::Note => Severity::Note,
            Severity::Advise | Severity::Stop => Severity::Stop,
        },
        unasked: Some(worst.severity),
        subject: worst.subject.clone(),
        brief: Some(brief),
        detail,
        places,
        ..Fault::new(says)
    })
}

/// What stands in brackets behind the fault's name in the verdict's reason: whose fault it is,
/// and only where no element has it, what it is.
fn detail(worst: &Found, element: Option<Element>, total: u64) -> String {
    let words = match element {
        Some(element) => element.in_words(),
        None => worst.says.clone(),
    };
    // The brackets of the reason hold no others.
    let mut detail = words.replace(" (", ", ").replace(['(', ')'], "");
    if total > 1 {
        detail.push_str(&format!(", and {} more", total - 1));
    }
    detail
}
