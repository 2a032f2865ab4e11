//! Limits on numbers and words: the reading, the comparison, the sentence.
//!
//! In: facts and one limit. Out: one finding. A reading comes with the subject it was read on
//! and its places; where there is none, with the reason and what to do.

use super::catalogue::Check;
use super::facts::Facts;
use super::told::Told;
use super::words::{Style, asked, or};
use crate::layout;
use crate::measure::{Loudness, Measurements, Place, Places};
use crate::profile::{Choice, Limit, Rule, Severity};
use crate::units::{Frames, Lufs, Seconds};

/// Readings closer than this are equal: far below any meter's resolution, far above the
/// rounding of sums.
const EQUAL: f64 = 1e-6;

/// What was read for one check.
enum Reading {
    Number {
        value: f64,
        subject: String,
        places: Places,
        /// Stands in place of the usual sentence's beginning.
        phrase: Option<String>,
    },
    Word {
        value: String,
        subject: String,
    },
    /// The file has no such property, so it cannot have the one that is asked.
    Lacking(String),
    /// Nothing so loud or so high exists: keeps every upper limit, and no other.
    Nothing {
        subject: String,
        says: String,
    },
    Unmeasured {
        subject: String,
        says: String,
        brief: String,
    },
}

/// Judges a check of the kinds `Number`, `Word` and `Layout`.
pub fn judge(check: &Check, limit: &Limit, facts: &Facts) -> Told {
    let words = asked(&limit.rule, check.unit);
    let told = |subject: &str| Told::new(check, subject, &limit.source).limit(words.clone());
    let weight = (!matches!(limit.rule, Rule::Report)).then_some(limit.severity);
    match read(check, limit, facts) {
        Reading::Number {
            value,
            subject,
            places,
            phrase,
        } => {
            let told = told(&subject).value(Choice::Number(value));
            number(check, limit, facts, told, value, places, phrase)
        }
        Reading::Word { value, subject } => word(check, limit, told(&subject), &value),
        Reading::Lacking(says) => match (&words, weight) {
            (Some(words), Some(severity)) => told("file")
                .says(format!("{says}, asked: {words}"))
                .brief(says, Some(format!("asked: {words}")))
                .failed(severity),
            _ => told("file").says(says).noted(),
        },
        Reading::Nothing { subject, says } => match limit.rule {
            Rule::AtMost(_) => told(&subject).says(says),
            Rule::Report => told(&subject).says(says).noted(),
            _ => told(&subject).says(says).unmeasured(weight),
        },
        Reading::Unmeasured {
            subject,
            says,
            brief,
        } => told(&subject)
            .says(says)
            .brief(brief, None)
            .unmeasured(weight),
    }
}

fn read(check: &Check, limit: &Limit, facts: &Facts) -> Reading {
    match check.id {
        "container.kind" | "format.encoding" | "format.sample_rate" | "format.bit_depth"
        | "format.channels" | "format.layout" => read_format(check, facts),
        _ => match facts.measurements {
            Some(measured) => match &limit.render {
                Some(render) => read_render(check, render, measured),
                None => read_sound(check, measured),
            },
            None => Reading::Unmeasured {
                subject: limit.render.clone().unwrap_or_else(|| "file".into()),
                says: format!(
                    "{} was not measured: the file could not be read as audio",
                    check.title
                ),
                brief: "not measured: the file could not be read as audio".into(),
            },
        },
    }
}

fn read_format(check: &Check, facts: &Facts) -> Reading {
    let Some(format) = facts.format else {
        return Reading::Unmeasured {
            subject: "file".into(),
            says: format!(
                "{} is not known: the container could not be made out",
                check.title
            ),
            brief: "the container could not be made out".into(),
        };
    };
    let subject = "file".to_owned();
    let number = |value: f64| Reading::Number {
        value,
        subject: "file".into(),
        places: Places::default(),
        phrase: None,
    };
    match check.id {
        "container.kind" => Reading::Word {
            value: spelt(&format.container),
            subject,
        },
        "format.encoding" => Reading::Word {
            value: spelt(&format.encoding),
            subject,
        },
        "format.sample_rate" => number(f64::from(format.sample_rate.value())),
        "format.channels" => number(format.channels as f64),
        "format.bit_depth" => match format.bit_depth {
            Some(bits) => number(f64::from(bits)),
            None => Reading::Lacking(format!("{} has no bit depth", spelt(&format.encoding))),
        },
        _ => match &format.labels {
            Some(labels) => Reading::Word {
                value: layout::name_of(labels).map_or_else(
                    || {
                        labels
                            .iter()
                            .map(|l| l.as_str())
                            .collect::<Vec<_>>()
                            .join(",")
                    },
                    str::to_owned,
                ),
                subject,
            },
            None => Reading::Unmeasured {
                subject,
                says: nobody_says("the channel layout is not known", format.channels),
                brief: format!("nobody says where the {} channels play", format.channels),
            },
        },
    }
}

/// The exact spelling of the sidecar.
fn spelt(value: &impl serde::Serialize) -> String {
    match serde_json::to_value(value) {
        Ok(serde_json::Value::String(text)) => text,
        _ => String::new(),
    }
}

fn nobody_says(what: &str, channels: usize) -> String {
    format!(
        "{what}: nobody says where the {channels} channels play; set `channels` in the route or the profile, to a layout such as 7.1.4 or to labels"
    )
}

/// On a render: the file's own channels serve where they are that layout already.
fn read_render(check: &Check, render: &str, measured: &Measurements) -> Reading {
    let own = measured
        .measured_on
        .as_ref()
        .is_some_and(|on| on.renderer.is_none() && on.layout == render);
    if own {
        return read_sound(check, measured);
    }
    Reading::Unmeasured {
        subject: render.to_owned(),
        says: format!(
            "{} was not measured: it is asked on the render to {render}, which is not built yet; a person must decide",
            check.title
        ),
        brief: format!("not measured on {render}: that render is not built yet"),
    }
}

fn read_sound(check: &Check, measured: &Measurements) -> Reading {
    let (rate, frames) = (measured.sample_rate, measured.frames);
    let length = frames.at(rate);
    let number = |value: f64| Reading::Number {
        value,
        subject: "file".into(),
        places: Places::default(),
        phrase: None,
    };
    let place = |start: f64, end: f64| Place {
        start_s: Seconds(start),
        end_s: Seconds(end),
        start_frame: Frames((start * f64::from(rate.value())).round() as u64),
        channel: None,
        value: None,
    };
    let with = |value: f64, place: Option<Place>| {
        let mut places = Places::default();
        place.into_iter().for_each(|place| places.push(place));
        Reading::Number {
            value,
            subject: "file".into(),
            places,
            phrase: None,
        }
    };
    match check.id {
        "loudness.integrated"
        | "loudness.short_term_max"
        | "loudness.momentary_max"
        | "loudness.range" => read_loudness(check, measured),
        "peaks.true_peak" => match measured.peaks.true_peak_dbtp {
            Some(peak) => Reading::Number {
                value: peak.value(),
                subject: layout_of(measured),
                places: measured.overs.clone(),
                phrase: None,
            },
            None => no_peak(check, measured),
        },
        "peaks.sample_peak" => match measured.peaks.sample_peak_dbfs {
            Some(peak) => number(peak.value()),
            None => no_peak(check, measured),
        },
        "peaks.peak_to_loudness" => match measured.peaks.peak_to_loudness_lu {
            Some(ratio) => Reading::Number {
                value: ratio.value(),
                subject: layout_of(measured),
                places: Places::default(),
                phrase: None,
            },
            None => no_loudness(check, measured),
        },
        "peaks.clipped" => {
            let total = measured.full_scale_runs.total;
            let longest = measured
                .channels
                .iter()
                .map(|c| c.longest_full_scale_run)
                .max();
            Reading::Number {
                value: total as f64,
                subject: "file".into(),
                places: measured.full_scale_runs.clone(),
                phrase: Some(match total {
                    0 => "no run of samples at full scale".into(),
                    1 => format!("1 run of {} samples at full scale", longest.unwrap_or(0)),
                    _ => format!(
                        "{total} runs of samples at full scale, the longest {} samples",
                        longest.unwrap_or(0)
                    ),
                }),
            }
        }
        "levels.dc_offset" => {
            let worst = measured
                .channels
                .iter()
                .max_by(|a, b| a.dc_offset.abs().total_cmp(&b.dc_offset.abs()));
            match worst {
                Some(channel) => Reading::Number {
                    value: channel.dc_offset.abs(),
                    subject: channel.label.clone(),
                    places: Places::default(),
                    phrase: None,
                },
                None => number(0.0),
            }
        }
        "edges.leading_silence" => {
            let head = measured.edges.head_silence_s.0;
            with(head, (head > 0.0).then(|| place(0.0, head)))
        }
        "edges.trailing_silence" => {
            let tail = measured.edges.tail_silence_s.0;
            let start = (length.0 - tail).max(0.0);
            with(tail, (tail > 0.0).then(|| place(start, length.0)))
        }
        _ => number(length.0),
    }
}

fn no_peak(check: &Check, measured: &Measurements) -> Reading {
    Reading::Nothing {
        subject: layout_of(measured),
        says: format!("no {}: every sample is zero", check.title),
    }
}

fn no_loudness(check: &Check, measured: &Measurements) -> Reading {
    if measured.loudness.is_none() {
        let channels = measured.channels.len();
        return Reading::Unmeasured {
            subject: "file".into(),
            says: nobody_says(&format!("{} was not measured", check.title), channels),
            brief: format!("loudness not measured: nobody says where the {channels} channels play"),
        };
    }
    Reading::Unmeasured {
        subject: layout_of(measured),
        says: format!("no {}: nothing passes the gate", check.title),
        brief: "no loudness: nothing passes the gate".into(),
    }
}

/// The layout behind a figure, and the renderer where there was one.
fn layout_of(measured: &Measurements) -> String {
    match &measured.measured_on {
        Some(on) => match &on.renderer {
            Some(renderer) => format!("{} ({renderer})", on.layout),
            None => on.layout.clone(),
        },
        None => "file".into(),
    }
}

fn read_loudness(check: &Check, measured: &Measurements) -> Reading {
    let Some(loudness) = &measured.loudness else {
        return no_loudness(check, measured);
    };
    let window = |at: Option<Seconds>, length: f64, value: f64| {
        let mut places = Places::default();
        if let Some(Seconds(start)) = at {
            places.push(Place {
                start_s: Seconds(start),
                end_s: Seconds(start + length),
                start_frame: Frames(
                    (start * f64::from(measured.sample_rate.value())).round() as u64
                ),
                channel: None,
                value: Some(value),
            });
        }
        places
    };
    let value = |lufs: Option<Lufs>| lufs.map(Lufs::value);
    let (found, at, length) = match check.id {
        "loudness.integrated" => (value(loudness.integrated_lufs), None, 0.0),
        "loudness.short_term_max" => (
            value(loudness.short_term_max_lufs),
            loudness.short_term_max_at_s,
            3.0,
        ),
        "loudness.momentary_max" => (
            value(loudness.momentary_max_lufs),
            loudness.momentary_max_at_s,
            0.4,
        ),
        _ => (loudness.range_lu.map(|range| range.value()), None, 0.0),
    };
    match found {
        Some(value) => Reading::Number {
            value,
            subject: layout_of(measured),
            places: window(at, length, value),
            phrase: None,
        },
        None => no_loudness(check, measured),
    }
}

/// How far a value is on the wrong side of a rule.
enum Against {
    Kept,
    Above(f64),
    Below(f64),
    NotAmong,
}

fn against(rule: &Rule, value: f64) -> Against {
    let (low, high) = match rule {
        Rule::AtMost(most) => (f64::NEG_INFINITY, *most),
        Rule::AtLeast(least) => (*least, f64::INFINITY),
        Rule::Within(low, high) => (*low, *high),
        Rule::Target { target, tolerance } => (target - tolerance, target + tolerance),
        Rule::OneOf(choices) => {
            let among = choices
                .iter()
                .any(|c| matches!(c, Choice::Number(n) if (n - value).abs() <= EQUAL));
            return if among {
                Against::Kept
            } else {
                Against::NotAmong
            };
        }
        _ => return Against::Kept,
    };
    if value > high + EQUAL {
        Against::Above(value - high)
    } else if value < low - EQUAL {
        Against::Below(low - value)
    } else {
        Against::Kept
    }
}

fn number(
    check: &Check,
    limit: &Limit,
    facts: &Facts,
    told: Told,
    value: f64,
    places: Places,
    phrase: Option<String>,
) -> Told {
    let style = Style::of(check.unit);
    let outcome = against(&limit.rule, value);
    let apart = match outcome {
        Against::Above(by) | Against::Below(by) => by,
        _ => 0.0,
    };
    let reading = style.reading(value, apart);
    let mut is = match &phrase {
        Some(phrase) => phrase.clone(),
        None => format!("{} is {}", check.title, style.with_unit(&reading)),
    };
    if check.id == "levels.dc_offset" {
        is.push_str(&format!(" on {}", told.finding.subject));
    }
    let unstable = check.id == "loudness.range" && short(facts);
    if unstable {
        is.push_str(", unstable under 60 s");
    }
    let asked_for = told.finding.limit.clone().unwrap_or_default();
    let (by, side) = match outcome {
        Against::Kept if matches!(limit.rule, Rule::Report) => return told.says(is).noted(),
        Against::Kept => return told.says(format!("{is} (asked: {asked_for})")),
        Against::NotAmong => {
            return told
                .says(format!("{is}, asked: {asked_for}"))
                .brief(
                    format!("{} {}", check.title, style.with_unit(&reading)),
                    Some(format!("asked: {asked_for}")),
                )
                .failed(limit.severity);
        }
        Against::Above(by) => (by, "above"),
        Against::Below(by) => (by, "below"),
    };
    let mut says = if style.discrete {
        format!("{is}, asked: {asked_for}")
    } else {
        format!(
            "{is}, {} {side} {}",
            style.difference(by),
            edge(&limit.rule, side, &style)
        )
    };
    let mut severity = limit.severity;
    if by <= limit.margin + EQUAL {
        severity = severity.min(Severity::Advise);
        says.push_str(&format!(
            "; within the margin of {}, so it only advises",
            style.difference(limit.margin)
        ));
    }
    if unstable {
        severity = Severity::Note;
    }
    if check.id == "peaks.true_peak" && side == "above" {
        let margin = facts.measurements.and_then(|m| m.peaks.true_peak_margin_db);
        if let Some(margin) = margin.filter(|margin| by < *margin) {
            says.push_str(&format!(
                "; another meter's filter may read up to {} lower",
                style.difference(margin)
            ));
        }
    }
    let (brief, detail) = in_brief(check, &told, &style, &reading, by, side, &places, phrase);
    let detail = format!("{detail}asked: {asked_for}");
    told.says(says)
        .brief(brief, Some(detail))
        .places(&places)
        .failed(severity)
}

fn short(facts: &Facts) -> bool {
    let loudness: Option<&Loudness> = facts.measurements.and_then(|m| m.loudness.as_ref());
    loudness.is_some_and(|loudness| !loudness.range_stable)
}

/// The end of a rule that was passed, in words.
fn edge(rule: &Rule, side: &str, style: &Style) -> String {
    match rule {
        Rule::AtMost(limit) | Rule::AtLeast(limit) => {
            format!("the limit of {}", style.limit(*limit))
        }
        Rule::Within(low, high) => {
            let end = if side == "above" { high } else { low };
            format!("the limit of {}", style.limit(*end))
        }
        Rule::Target { target, tolerance } => format!(
            "what the target of {} ±{} allows",
            style.limit(*target),
            style.limit(*tolerance)
        ),
        _ => "the limit".into(),
    }
}

/// Words for the verdict's reason, and the reading that goes before what was asked.
#[expect(
    clippy::too_many_arguments,
    reason = "one sentence is made of all of these"
)]
fn in_brief(
    check: &Check,
    told: &Told,
    style: &Style,
    reading: &str,
    by: f64,
    side: &str,
    places: &Places,
    phrase: Option<String>,
) -> (String, String) {
    let on = &told.finding.subject;
    let how = if side == "above" {
        "too loud"
    } else {
        "too quiet"
    };
    let by = style.difference(by);
    match check.id {
        "loudness.integrated" => (format!("{by} {how}"), format!("{reading} on {on}, ")),
        "loudness.short_term_max" | "loudness.momentary_max" => (
            format!("{} {by} {how}", check.title),
            format!("{reading} on {on}, "),
        ),
        "peaks.true_peak" if side == "above" && places.total > 0 => {
            let overs = match places.total {
                1 => "1 true-peak over".to_owned(),
                many => format!("{many} true-peak overs"),
            };
            (overs, format!("highest {reading}, "))
        }
        _ => match phrase {
            Some(phrase) => (phrase, String::new()),
            None => {
                let brief = format!("{} {}", check.title, style.with_unit(reading));
                (brief, String::new())
            }
        },
    }
}

fn word(check: &Check, limit: &Limit, told: Told, value: &str) -> Told {
    let told = told.value(Choice::Text(value.to_owned()));
    let same = |asked: &str| {
        asked.eq_ignore_ascii_case(value)
            || (check.id == "format.layout"
                && layout::by_name(asked).is_some_and(|l| Some(l) == layout::by_name(value)))
    };
    let is = format!("{} is {value}", check.title);
    let Rule::OneOf(choices) = &limit.rule else {
        return told.says(is).noted();
    };
    let words: Vec<String> = choices
        .iter()
        .filter_map(|choice| match choice {
            Choice::Text(text) => Some(text.clone()),
            Choice::Number(_) => None,
        })
        .collect();
    let asked_for = or(&words);
    if words.iter().any(|asked| same(asked)) {
        return told.says(format!("{is} (asked: {asked_for})"));
    }
    told.says(format!("{is}, asked: {asked_for}"))
        .brief(
            format!("{} {value}", check.title),
            Some(format!("asked: {asked_for}")),
        )
        .failed(limit.severity)
}
