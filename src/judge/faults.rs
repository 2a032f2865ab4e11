//! Faults: damage to the file, silence, names and metadata that are not as they should be.
//!
//! In: facts, and the limit where the profile has one. Out: one finding a check. A damage that
//! a profile does not ask about is noted all the same: nothing that was seen is kept quiet.

use super::catalogue::Check;
use super::facts::Facts;
use super::names;
use super::survey;
use super::told::Told;
use super::words::{and, asked, bare_pattern, counted};
use crate::measure::{ChannelMeasurements, Place, Places};
use crate::profile::{Choice, Limit, Rule, Severity};
use crate::specimen::{Metadata, Oddity};
use crate::units::{Frames, Seconds};

/// Under this a channel counts as silent. Own choice: dither in 16 bit (two steps at most)
/// peaks at -84 dBFS.
const SILENT_DBFS: f64 = -80.0;

/// Integrity checks that see nothing on most files, and of which "none" would say more than
/// was looked at: a digest is not in every stream.
const NOT_TOLD_WHEN_CLEAR: &[&str] = &["damage.stream_digest"];

/// A check that always stops. `None` where there is nothing to tell.
pub fn integrity(check: &Check, facts: &Facts) -> Option<Told> {
    let stopped = |says: String| {
        Told::new(check, "file", check.source)
            .says(says)
            .failed(Severity::Stop)
    };
    match check.id {
        "integrity.incomplete" => facts
            .incomplete
            .map(|why| stopped(format!("still incomplete when the patience ended: {why}"))),
        "integrity.unread" => match (facts.unread, facts.measurements) {
            (Some(why), _) => Some(stopped(format!("could not be read as audio: {why}"))),
            (None, None) => Some(stopped("could not be read as audio".into())),
            (None, Some(_)) => None,
        },
        _ => {
            let found = oddities(check, facts, check.source);
            if let Some(found) = found {
                return Some(found.limit(Some("none".into())).failed(Severity::Stop));
            }
            // Of a file that could not be read nobody knows that it is whole.
            let looked = facts.unread.is_none() && facts.measurements.is_some();
            (looked && !NOT_TOLD_WHEN_CLEAR.contains(&check.id)).then(|| {
                Told::new(check, "file", check.source)
                    .limit(Some("none".into()))
                    .says(format!("no {}", check.title))
            })
        }
    }
}

/// A fault that no limit of the profile asks about: noted where it is there.
pub fn unasked(check: &Check, facts: &Facts) -> Option<Told> {
    oddities(check, facts, check.source).map(Told::noted)
}

/// A fault that the profile asks about.
pub fn judge(check: &Check, limit: &Limit, facts: &Facts) -> Told {
    let severity = match limit.rule {
        Rule::Report => Severity::Note,
        _ => limit.severity,
    };
    let words = asked(&limit.rule, check.unit);
    match check.id {
        "channels.channel_silent" => silence(check, limit, severity, facts).limit(words),
        "name.rate_and_depth" => rate_and_depth(check, limit, severity, facts).limit(words),
        _ => match oddities(check, facts, &limit.source) {
            Some(found) => found.limit(words).failed(severity),
            None => not_found(check, limit, facts).limit(words),
        },
    }
}

/// No such oddity was met; of a file that could not be read that says nothing.
fn not_found(check: &Check, limit: &Limit, facts: &Facts) -> Told {
    let told = Told::new(check, "file", &limit.source);
    if facts.unread.is_some() || facts.measurements.is_none() {
        return told
            .says(format!(
                "{}: not looked for, the file could not be read as audio",
                check.title
            ))
            .brief("not measured: the file could not be read as audio", None)
            .unmeasured((!matches!(limit.rule, Rule::Report)).then_some(limit.severity));
    }
    told.says(match check.id {
        "format.extension" => "the name's extension is the container's".to_owned(),
        _ => format!("no {}", check.title),
    })
}

/// All oddities of one check as one finding.
fn oddities(check: &Check, facts: &Facts, source: &str) -> Option<Told> {
    let mut found: Vec<&Oddity> = facts
        .oddities
        .iter()
        .filter(|oddity| oddity.kind.check() == check.id)
        .collect();
    // By place, so that the order in which they were met decides nothing.
    found.sort_by(|a, b| {
        let at = |o: &Oddity| o.at.map_or(f64::NEG_INFINITY, |at| at.0);
        at(a)
            .total_cmp(&at(b))
            .then_with(|| a.channel.cmp(&b.channel))
            .then_with(|| a.says.cmp(&b.says))
            .then_with(|| a.count.cmp(&b.count))
    });
    let first = found.first()?;
    let total = found
        .iter()
        .fold(0u64, |sum, o| sum.saturating_add(o.count));
    let mut places = Places::default();
    for oddity in &found {
        if let Some(at) = oddity.at {
            places.push(Place {
                start_s: at,
                end_s: at,
                start_frame: frame_at(facts, at),
                channel: oddity.channel.map(|channel| label(facts, channel)),
                value: None,
                ..Place::default()
            });
        }
    }
    let channels: Vec<Option<usize>> = found.iter().map(|o| o.channel).collect();
    let subject = match channels.as_slice() {
        [Some(first), rest @ ..] if rest.iter().all(|c| *c == Some(*first)) => label(facts, *first),
        _ => "file".into(),
    };
    let says = match found.len() {
        1 => first.says.clone(),
        many => format!("{}, and {} more such places", first.says, many - 1),
    };
    let brief = match (check.id, check.unit) {
        ("damage.data_truncated", _) => format!("the audio is cut short: {says}"),
        ("damage.float_nan" | "damage.float_inf", unit) => format!(
            "{} {}",
            counted(total, unit),
            if check.id == "damage.float_nan" {
                "that are no number"
            } else {
                "that are infinite"
            }
        ),
        _ => says.clone(),
    };
    Some(
        Told::new(check, subject, source)
            .value(Choice::Number(total as f64))
            .says(says)
            .brief(brief, None)
            .places(&places),
    )
}

fn frame_at(facts: &Facts, at: Seconds) -> Frames {
    let rate = facts
        .format
        .map(|format| format.sample_rate)
        .or(facts.measurements.map(|measured| measured.sample_rate));
    Frames(rate.map_or(0, |rate| (at.0 * f64::from(rate.value())).round() as u64))
}

fn label(facts: &Facts, channel: usize) -> String {
    facts
        .measurements
        .and_then(|measured| measured.channels.get(channel))
        .map_or_else(|| format!("ch {}", channel + 1), |c| c.label.clone())
}

fn silence(check: &Check, limit: &Limit, severity: Severity, facts: &Facts) -> Told {
    let told = |subject: &str| Told::new(check, subject, &limit.source);
    let Some(measured) = facts.measurements else {
        return told("file")
            .says("silence was not looked for: the file could not be read as audio")
            .brief("not measured: the file could not be read as audio", None)
            .unmeasured((!matches!(limit.rule, Rule::Report)).then_some(limit.severity));
    };
    if measured.frames.0 == 0 || measured.channels.is_empty() {
        return told("file")
            .says("the file holds no audio: 0 samples")
            .failed(severity);
    }
    let is_silent = |channel: &&ChannelMeasurements| {
        channel
            .sample_peak_dbfs
            .is_none_or(|peak| peak.value() < SILENT_DBFS)
    };
    let silent: Vec<&ChannelMeasurements> = measured.channels.iter().filter(is_silent).collect();
    let length = measured.frames.at(measured.sample_rate);
    let place = |channel: Option<String>| Place {
        start_s: Seconds(0.0),
        end_s: length,
        start_frame: Frames(0),
        channel,
        value: None,
        ..Place::default()
    };
    if silent.len() == measured.channels.len() {
        return told("file")
            .says("the whole file is silent: no sample passes -80 dBFS")
            .brief("the whole file is silent", None)
            .place(place(None))
            .failed(severity);
    }
    let labels: Vec<String> = silent
        .iter()
        .filter(|channel| !channel.label.starts_with("LFE"))
        .map(|channel| channel.label.clone())
        .collect();
    // Where it was looked for: dither or noise is no sound either.
    let noise: Vec<String> = survey::channels_of_noise(measured)
        .into_iter()
        .filter(|label| !label.starts_with("LFE") && !labels.contains(label))
        .collect();
    if labels.is_empty() && noise.is_empty() {
        return told("file").says("every channel holds sound");
    }
    let (labels, how) = match labels.is_empty() {
        true => (noise, "noise and nothing else"),
        false => (labels, "no sample passes -80 dBFS"),
    };
    let mut places = Places::default();
    for label in &labels {
        places.push(place(Some(label.clone())));
    }
    let subject = if labels.len() == 1 {
        labels[0].as_str()
    } else {
        "file"
    };
    let verb = if labels.len() == 1 { "is" } else { "are" };
    told(subject)
        .value(Choice::Text(labels.join(",")))
        .says(format!("{} {verb} silent: {how}", and(&labels)))
        .brief(format!("{} {verb} silent", and(&labels)), None)
        .places(&places)
        .failed(severity.min(Severity::Advise))
}

fn rate_and_depth(check: &Check, limit: &Limit, severity: Severity, facts: &Facts) -> Told {
    let told = Told::new(check, "file", &limit.source);
    let stated = names::stated(&facts.name.to_string_lossy());
    let Some(first) = stated.first() else {
        return told.says("the name states no sample rate");
    };
    let told = told.value(Choice::Text(first.text.clone()));
    let Some(format) = facts.format else {
        return told
            .says("the name states a sample rate, and the header could not be read")
            .brief("the container could not be made out", None)
            .unmeasured((!matches!(limit.rule, Rule::Report)).then_some(limit.severity));
    };
    // Without a bit depth it is a lossy file, whose name may state a bit rate.
    let Some(bits) = format.bit_depth else {
        return told.says("a lossy file: a number in its name may be a bit rate");
    };
    let rate = format.sample_rate.value();
    let agrees = |s: &names::Stated| s.rate_hz == rate && s.bits.is_none_or(|b| b == bits);
    if stated.iter().any(agrees) {
        return told.says(format!(
            "the name says {}, and so does the header",
            first.text
        ));
    }
    let severity = match first.bits {
        Some(_) => severity,
        None => severity.min(Severity::Advise),
    };
    told.says(format!(
        "the name says {}, the header {rate} Hz and {bits} bit",
        first.text
    ))
    .failed(severity)
}

/// `metadata.required`.
pub fn required(check: &Check, limit: &Limit, fields: &[String], facts: &Facts) -> Told {
    let missing: Vec<String> = fields
        .iter()
        .filter(|field| !is_there(facts.metadata, field))
        .cloned()
        .collect();
    let told = Told::new(check, "file", &limit.source).limit(asked(&limit.rule, check.unit));
    match missing.as_slice() {
        [] => told.says(match fields.len() {
            1 => format!("{} is there", fields[0]),
            many => format!("all {many} required fields are there"),
        }),
        [one] => told
            .value(Choice::Text(one.clone()))
            .says(format!("{one} is missing or empty"))
            .failed(limit.severity),
        many => told
            .value(Choice::Text(many.join(",")))
            .says(format!("{} are missing or empty", and(many)))
            .brief(format!("{} metadata fields missing", many.len()), None)
            .failed(limit.severity),
    }
}

fn is_there(metadata: &Metadata, field: &str) -> bool {
    let filled = |text: Option<&String>| text.is_some_and(|text| !text.trim().is_empty());
    let Some((group, name)) = field.split_once('.') else {
        return false;
    };
    match group {
        "bext" => {
            let bext = metadata.bext.as_ref().map(serde_json::to_value);
            let Some(Ok(bext)) = bext else { return false };
            match bext.get(name) {
                Some(serde_json::Value::String(text)) => !text.trim().is_empty(),
                Some(serde_json::Value::Null) | None => false,
                Some(_) => true,
            }
        }
        "ixml" => filled(
            metadata
                .ixml
                .as_ref()
                .and_then(|ixml| ixml.fields.get(name)),
        ),
        "info" => filled(metadata.info.get(name)),
        "tags" => filled(metadata.tags.get(&name.to_lowercase())),
        "chunk" => metadata.chunks.iter().any(|chunk| chunk.id.trim() == name),
        _ => false,
    }
}

/// `name.pattern`.
pub fn name(check: &Check, limit: &Limit, facts: &Facts) -> Told {
    let name = facts.name.to_string_lossy();
    let told = Told::new(check, "file", &limit.source)
        .value(Choice::Text(name.to_string()))
        .limit(asked(&limit.rule, check.unit));
    let (kept, wanted) = match &limit.rule {
        Rule::Matches(pattern) => (
            pattern.is_match(&name),
            format!("the pattern {}", bare_pattern(pattern)),
        ),
        Rule::OneOf(choices) => (
            choices.iter().any(
                |c| matches!(c, Choice::Text(text) if text.to_lowercase() == name.to_lowercase()),
            ),
            "one of the names that are asked".to_owned(),
        ),
        _ => return told.says("the name is noted").noted(),
    };
    match kept {
        true => told.says(format!("the name matches {wanted}")),
        false => told
            .says(format!("the name does not match {wanted}"))
            .brief("the file name does not match the pattern", None)
            .failed(limit.severity),
    }
}
