//! Limits on numbers and words: the comparison and the sentence.
//!
//! In: facts and one limit. Out: one finding. What is read where stands in `readings`.

use super::catalogue::Check;
use super::facts::Facts;
use super::readings::{Reading, read};
use super::survey;
use super::told::Told;
use super::words::{Style, asked, or};
use crate::layout;
use crate::measure::{Loudness, Places};
use crate::profile::{Choice, Limit, Rule, Severity};

/// A reading this near to a limit lies on it: nearer the meter cannot tell, and a file that was
/// brought to the limit exactly must not stop for the rounding of its samples.
///
/// Loudness: half of the 0.001 LU in which the gates count. True peak: the ripple of the reading
/// filter, under 0.01 dB. Sample peak: half a step of 16 bit at -1 dBFS is 0.00015 dB. The rest:
/// far above the rounding of sums.
pub fn equal(unit: &str) -> f64 {
    match unit {
        "LUFS" | "LU" => 0.0005,
        "dBTP" => 0.01,
        "dBFS" => 0.0002,
        _ => 1e-6,
    }
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
            // A programme need not say how long it is (ITU-R BS.2076-2, clause 5.8.1).
            _ if check.id == "immersive.programme_length" => told(&subject).says(says),
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

/// How far a value is on the wrong side of a rule.
enum Against {
    Kept,
    Above(f64),
    Below(f64),
    NotAmong,
}

fn against(rule: &Rule, value: f64, equal: f64) -> Against {
    let (low, high) = match rule {
        Rule::AtMost(most) => (f64::NEG_INFINITY, *most),
        Rule::AtLeast(least) => (*least, f64::INFINITY),
        Rule::Within(low, high) => (*low, *high),
        Rule::Target { target, tolerance } => (target - tolerance, target + tolerance),
        Rule::OneOf(choices) => {
            let among = choices
                .iter()
                .any(|c| matches!(c, Choice::Number(n) if (n - value).abs() <= equal));
            return if among {
                Against::Kept
            } else {
                Against::NotAmong
            };
        }
        _ => return Against::Kept,
    };
    if value > high + equal {
        Against::Above(value - high)
    } else if value < low - equal {
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
    mut places: Places,
    phrase: Option<String>,
) -> Told {
    let style = Style::of(check.unit);
    let equal = equal(check.unit);
    let outcome = against(&limit.rule, value, equal);
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
        Against::Kept if matches!(limit.rule, Rule::Report) => {
            return told.says(is).places(&places).noted();
        }
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
    if by <= limit.margin + equal {
        severity = severity.min(Severity::Advise);
        says.push_str(&format!(
            "; within the margin of {}, so it only advises",
            style.difference(limit.margin)
        ));
    }
    if unstable {
        severity = Severity::Note;
    }
    if check.id == "levels.dc_offset" && survey::is_dc_in_doubt(facts, &told.finding.subject, value)
    {
        severity = Severity::Note;
        says.push_str("; the music's own low end can be so, so it is only noted");
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
    if check.id == "levels.dc_offset" {
        // The reading is the worst channel's; the places are those of all that are beyond.
        let beyond =
            |value: f64| !matches!(against(&limit.rule, value.abs(), equal), Against::Kept);
        places
            .listed
            .retain(|place| place.value.is_some_and(beyond));
        places.total = places.listed.len() as u64;
    }
    if check.id == "peaks.true_peak" {
        // The meter lists places from the lowest ceiling of all limits on.
        let high = value - by;
        let over = |peak: f64| side == "above" && peak > high + equal;
        let all = places.listed.len() as u64 == places.total;
        places.listed.retain(|place| place.value.is_none_or(over));
        if all {
            places.total = places.listed.len() as u64;
        }
    }
    let on_render = facts.measurements.is_some_and(|m| m.immersive.is_some());
    let on = on_render.then(|| layout::spoken(&told.finding.subject).to_owned());
    let (brief, detail) = in_brief(
        check, &told, &style, &reading, by, side, &places, phrase, on,
    );
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
    render: Option<String>,
) -> (String, String) {
    let on = &told.finding.subject;
    // Of several renders the reason says which; of a file's own channels it is known.
    let (where_, layout) = match &render {
        Some(render) => (format!(" on the {render} render"), String::new()),
        None => (String::new(), format!(" on {on}")),
    };
    let how = if side == "above" {
        "too loud"
    } else {
        "too quiet"
    };
    let by = style.difference(by);
    match check.id {
        "loudness.integrated" => (
            format!("{by} {how}{where_}"),
            format!("{reading}{layout}, "),
        ),
        "loudness.short_term_max" | "loudness.momentary_max" => (
            format!("{} {by} {how}{where_}", check.title),
            format!("{reading}{layout}, "),
        ),
        "peaks.true_peak" if side == "above" && places.total > 0 => {
            let overs = match places.total {
                1 => "1 true-peak over".to_owned(),
                many => format!("{many} true-peak overs"),
            };
            (format!("{overs}{where_}"), format!("highest {reading}, "))
        }
        "levels.dc_offset" => (
            format!("{} {} on {on}", check.title, style.with_unit(reading)),
            String::new(),
        ),
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
