//! From the places of a fault meter to a reading: what is sure and new is told, the rest is noted.
//!
//! A meter that is not sure makes a note and no more, and what the mix has at the same place is
//! inherited: a note too.

use crate::judge::check::{Case, Check};
use crate::judge::reading::{Fault, Reading};
use crate::judge::words::Style;
use crate::measure::{Place, Places, Spot, Spots, Survey};
use crate::measured::{Measured, NotMeasured};
use crate::profile::{Choice, Severity};

/// Surer than this is certain by construction: all that may stop a file.
const CERTAIN: f64 = 0.997;

/// The survey of the file.
pub fn surveyed<'a>(case: &Case<'a>) -> Measured<&'a Survey> {
    let measured = Measured::of(case.facts.measurements, || NotMeasured::Unread);
    measured.and_then(|measured| Measured::of(measured.survey.as_deref(), || NotMeasured::NotAsked))
}

/// One group of the survey's meters.
pub fn group<'a, T>(
    case: &Case<'a>,
    of: impl FnOnce(&'a Survey) -> &'a Measured<T>,
) -> Measured<(&'a Survey, &'a T)> {
    surveyed(case).and_then(|survey| of(survey).as_ref().map(|group| (survey, group)))
}

/// The words for what is true of the whole file, made of its surest place.
pub type Whole<'w> = Option<&'w dyn Fn(&Place) -> String>;

/// The reading of a meter's spots.
pub fn of_spots(case: &Case, survey: &Survey, spots: &[&Spots], whole: Whole) -> Reading {
    let mut places = Places::default();
    for spots in spots {
        let more = survey.places(spots);
        places.total += more.total;
        places.listed.extend(more.listed);
    }
    places
        .listed
        .sort_by(|a, b| a.start_s.0.total_cmp(&b.start_s.0));
    let says = whole.and_then(|whole| surest(&places).map(whole));
    let alike: usize = spots.iter().map(|spots| spots.summarised()).sum();
    match of_places(case, places, says, None) {
        // Many alike are told in one sentence, and never weigh less than one.
        Reading::Fault(mut fault) if 2 * alike as u64 > fault.places.total => {
            fault
                .says
                .push_str("; so many alike may be the style of the material");
            fault.into()
        }
        other => other,
    }
}

fn surest(places: &Places) -> Option<&Place> {
    let sure = |place: &Place| place.confidence.unwrap_or(1.0);
    places
        .listed
        .iter()
        .max_by(|a, b| sure(a).total_cmp(&sure(b)))
}

/// The same of places that are known already.
pub fn of_places(case: &Case, places: Places, says: Option<String>, value: Option<f64>) -> Reading {
    let check = case.check;
    if places.total == 0 {
        return case.none_found();
    }
    let value = value.map(Choice::Number);
    let subject = subject(&places);
    let told: Vec<Place> = (places.listed.iter())
        .filter(|place| !place.inherited && is_sure(place))
        .cloned()
        .collect();
    if told.is_empty() {
        return Reading::Fault(Fault {
            at_most: Severity::Note,
            subject,
            value,
            says: unsure(check, &places, says),
            places,
            ..Fault::new("")
        });
    }
    let certain = told
        .iter()
        .any(|place| place.confidence.is_none_or(|sure| sure >= CERTAIN));
    // Beyond what is kept, the rest is taken to be as sure as what is.
    let beyond = places.total - places.listed.len() as u64;
    let places = Places {
        total: told.len() as u64 + beyond,
        listed: told,
    };
    let (says, brief) = match says {
        Some(says) => (says.clone(), says),
        None => {
            let count = counted(check, places.total);
            (format!("{count}, {}", first(check, &places)), count)
        }
    };
    let detail = (places.listed.first())
        .filter(|place| place.end_s.0 > 0.0)
        .map(|place| format!("at {}", place.start_s));
    Reading::Fault(Fault {
        // What only looks like a fault stops nothing.
        at_most: match certain {
            true => Severity::Stop,
            false => Severity::Advise,
        },
        subject,
        value,
        brief: Some(brief),
        detail,
        places,
        ..Fault::new(says)
    })
}

fn is_sure(place: &Place) -> bool {
    place.confidence.is_none_or(|sure| sure >= Spot::SURE)
}

/// The channel that all places are on, or the file.
fn subject(places: &Places) -> String {
    let mut channels = places.listed.iter().map(|place| place.channel.as_deref());
    match channels.next() {
        Some(Some(first)) if channels.all(|channel| channel == Some(first)) => first.to_owned(),
        _ => "file".to_owned(),
    }
}

/// `2 passages over full scale`
fn counted(check: &Check, count: u64) -> String {
    /// What follows the word that is counted.
    const AFTER: [&str; 7] = [
        " of ",
        " at ",
        " over ",
        " between ",
        " that ",
        " with ",
        " out ",
    ];
    if count == 1 {
        return format!("1 {}", check.title);
    }
    let end = AFTER.iter().filter_map(|word| check.title.find(word)).min();
    let (what, rest) = check.title.split_at(end.unwrap_or(check.title.len()));
    format!("{count} {what}s{rest}")
}

/// `the first at 0:02.113 on M+030, 31.2 dB`
fn first(check: &Check, places: &Places) -> String {
    let Some(place) = places.listed.first() else {
        return String::new();
    };
    let mut says = match places.total {
        1 => format!("at {}", place.start_s),
        _ => format!("the first at {}", place.start_s),
    };
    match &place.channel {
        Some(channel) => says.push_str(&format!(" on {channel}")),
        None => says.push_str(" on all channels"),
    }
    if let Some(size) = place.value.filter(|_| !check.unit.is_empty()) {
        // Two decimals of a second say nothing of what is this short.
        let size = match check.unit {
            "s" if size < 0.1 => format!("{:.1} ms", size * 1000.0),
            unit => {
                let style = Style::of(unit);
                style.with_unit(&style.reading(size, 0.0))
            }
        };
        says.push_str(&format!(", {size}"));
    }
    says
}

/// What is said of places of which none is a sure and new fault.
fn unsure(check: &Check, places: &Places, says: Option<String>) -> String {
    let inherited = places.listed.iter().filter(|place| place.inherited).count();
    let what = match says {
        Some(says) => says,
        None => format!("{}, {}", counted(check, places.total), first(check, places)),
    };
    match inherited {
        0 => format!("perhaps {what}; not sure enough to be more than a note"),
        _ if inherited as u64 == places.total => format!("{what}: the mix has the same"),
        some => format!("perhaps {what}; {some} of them are in the mix too"),
    }
}
