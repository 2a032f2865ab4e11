//! What ears miss, before the judge: defects, ends, channels, origin and translation.
//!
//! In: the survey's places and figures. Out: one finding a check. A meter that is not sure makes a
//! note and no more, and what the mix has at the same place is inherited: a note too.

mod seen;
mod table;
#[cfg(test)]
mod tests;

pub use table::SURVEY;

use self::seen::Seen;
use super::catalogue::Check;
use super::facts::Facts;
use super::readings::Reading;
use super::told::Told;
use super::words::{Style, asked};
use crate::measure::{Measurements, Place, Places, Spot, SurveyWants};
use crate::profile::{Choice, Limit, Profile, Rule, Severity, Takes};

/// Surer than this is certain by construction: all that may stop a file. Zeros that begin at a
/// border of 4096 bytes do so by chance once in some hundreds.
const CERTAIN: f64 = 0.997;

/// Whether the check is read on the survey.
pub fn is_ours(check: &Check) -> bool {
    SURVEY.iter().any(|ours| ours.id == check.id)
}

pub fn is_fault(check: &Check) -> bool {
    check.takes == Takes::Fault && is_ours(check)
}

/// Which groups of meters the profile's limits ask for.
pub fn wants(profile: &Profile) -> SurveyWants {
    let mut wants = SurveyWants::default();
    for key in profile.limits.keys() {
        let id = key.split('@').next().unwrap_or(key);
        match id.split_once('.') {
            Some(("defect", "click" | "splice" | "burst")) => wants.clicks = true,
            Some(("defect", _)) => wants.defects = true,
            Some((
                "edges",
                "abrupt_start" | "cut_tail" | "chopped_tail" | "digital_silence" | "noise_floor",
            ))
            | Some(("peaks", "clipped")) => wants.ends = true,
            Some(("channels", name)) if name != "channel_silent" => wants.channels = true,
            Some(("provenance", _)) => wants.provenance = true,
            Some(("translation", _)) => wants.translation = true,
            _ => {}
        }
    }
    wants
}

/// The finding of a fault; `None` where there is nothing to tell.
pub fn fault(check: &Check, limit: Option<&Limit>, facts: &Facts) -> Option<Told> {
    let source = limit.map_or(check.source, |limit| limit.source.as_str());
    let words = limit.and_then(|limit| asked(&limit.rule, check.unit));
    let Some(measured) = facts.measurements else {
        let limit = limit?;
        let severity = (!matches!(limit.rule, Rule::Report)).then_some(limit.severity);
        return Some(
            Told::new(check, "file", source)
                .limit(words)
                .says(format!(
                    "{}: not looked for, the file could not be read as audio",
                    check.title
                ))
                .brief("not measured: the file could not be read as audio", None)
                .unmeasured(severity),
        );
    };
    // A meter may have run for another check's sake: what nobody asks is not told, but what is a
    // plain fact of the samples.
    if limit.is_none() && check.id != "peaks.float_over_0dbfs" {
        return None;
    }
    let survey = measured.survey.as_deref()?;
    let Seen {
        places,
        says,
        value,
    } = seen::seen(check, survey, facts);
    let told = Told::new(check, subject(&places), source)
        .value(value.map(Choice::Number))
        .limit(words);
    if places.total == 0 {
        return limit.map(|_| told.says(format!("no {}", check.title)));
    }
    let sure = |place: &Place| !place.inherited && is_sure(place);
    let severity = match limit {
        Some(limit) if matches!(limit.rule, Rule::Report) => Severity::Note,
        Some(limit) => limit.severity,
        None => Severity::Note,
    };
    let worst: Vec<&Place> = places.listed.iter().filter(|place| sure(place)).collect();
    if worst.is_empty() {
        return Some(
            told.says(unsure(check, &places, says))
                .places(&places)
                .noted(),
        );
    }
    // Nobody is stopped by what only looks like a fault.
    let certain = worst
        .iter()
        .any(|place| place.confidence.is_none_or(|sure| sure >= CERTAIN));
    let severity = if certain {
        severity
    } else {
        severity.min(Severity::Advise)
    };
    // Beyond what is kept, the rest is taken to be as sure as what is.
    let beyond = places.total - places.listed.len() as u64;
    let told_places = Places {
        total: worst.len() as u64 + beyond,
        listed: worst.iter().map(|place| (*place).clone()).collect(),
    };
    let (says, brief) = match says {
        Some(says) => (says.clone(), says),
        None => {
            let count = counted(check, told_places.total);
            (format!("{count}, {}", first(check, &told_places)), count)
        }
    };
    let detail = told_places
        .listed
        .first()
        .filter(|place| place.end_s.0 > 0.0);
    let detail = detail.map(|place| format!("at {}", place.start_s));
    let told = told.says(says).brief(brief, detail).places(&told_places);
    Some(match severity {
        Severity::Note => told.noted(),
        severity => told.failed(severity),
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

/// The labels of channels that hold noise or dither and nothing else.
pub fn channels_of_noise(measured: &Measurements) -> Vec<String> {
    let survey = measured.survey.as_deref();
    let Some((survey, facts)) = survey.and_then(|survey| Some((survey, survey.between.as_ref()?)))
    else {
        return Vec::new();
    };
    let sure = facts.only_noise.listed.iter();
    sure.filter(|spot| spot.confidence >= Spot::SURE && !spot.inherited)
        .filter_map(|spot| survey.channels.get(spot.channel?).cloned())
        .collect()
}

/// A mean that rounds to half a per cent is one, whatever made it. Own choice.
const DC_WITHOUT_DOUBT: f64 = 0.0045;

/// Whether the channel's mean is nothing that the music's own low end could not do.
pub fn is_dc_in_doubt(facts: &Facts, channel: &str, offset: f64) -> bool {
    let survey = facts.measurements.and_then(|m| m.survey.as_deref());
    let confidence = survey.and_then(|survey| {
        let index = survey.channels.iter().position(|name| name == channel)?;
        Some(survey.defects.as_ref()?.dc.channels.get(index)?.confidence)
    });
    offset.abs() < DC_WITHOUT_DOUBT && confidence.is_some_and(|sure| sure < Spot::SURE)
}

/// A figure that the file does not have: no LFE, no pair of channels, nobody says where they play.
pub fn is_moot(check: &Check, facts: &Facts) -> bool {
    let survey = facts.measurements.and_then(|m| m.survey.as_deref());
    let is_figure = check.takes == Takes::Number && is_ours(check);
    is_figure && survey.is_some_and(|survey| seen::number(check, survey).is_none())
}

/// The reading of a check that is a number.
pub fn read(check: &Check, facts: &Facts) -> Reading {
    let survey = facts.measurements.and_then(|m| m.survey.as_deref());
    match survey.and_then(|survey| seen::number(check, survey)) {
        Some((value, places)) => Reading::Number {
            value,
            subject: "file".into(),
            places,
            phrase: None,
        },
        None => Reading::Nothing {
            subject: "file".into(),
            says: format!("no {}: there is nothing to read it on", check.title),
        },
    }
}
