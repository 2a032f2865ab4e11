//! From a reading and a limit to a finding: the comparison, and the sentence.
//!
//! In: a case and what was read for it. Out: one finding, or nothing where nothing is to be told.
//! What was not measured never comes out as clear.

use super::check::{Case, Check, Words};
use super::facts::Facts;
use super::reading::{Beyond, Fault, Number, Reading};
use super::told::Told;
use super::words::{Style, asked, bare_pattern, or};
use crate::layout;
use crate::measure::Places;
use crate::measured::NotMeasured;
use crate::profile::{Choice, Limit, Profile, Rule, Severity, Takes};

/// The findings of one check: one for each limit on it, or what is told without any.
pub fn findings(check: &'static Check, profile: &Profile, facts: &Facts) -> Vec<Told> {
    let mut limits = profile.limits_on(check.id).peekable();
    if check.always || limits.peek().is_none() {
        return finding(check, None, facts).into_iter().collect();
    }
    limits
        .filter_map(|limit| finding(check, Some(limit), facts))
        .collect()
}

fn finding(check: &'static Check, limit: Option<&Limit>, facts: &Facts) -> Option<Told> {
    let case = Case {
        check,
        limit,
        facts,
    };
    let reading = match (check.read)(&case) {
        Reading::NoFault(_) if is_too_short(check, facts) => {
            Reading::not_measured(NotMeasured::TooShort {
                needs_s: check.least_s,
            })
        }
        reading => reading,
    };
    match limit {
        None => without_limit(check, reading),
        Some(limit) => with_limit(&case, limit, reading),
    }
}

fn is_too_short(check: &Check, facts: &Facts) -> bool {
    facts
        .measurements
        .is_some_and(|measured| measured.frames.at(measured.sample_rate).0 < check.least_s)
}

fn without_limit(check: &Check, reading: Reading) -> Option<Told> {
    match reading {
        Reading::Fault(fault) => {
            let severity = match check.always {
                true => Severity::Stop,
                false => fault.unasked?,
            };
            let told = fault_told(check, check.source, fault);
            let asked = told.finding.value.as_ref().filter(|_| check.always);
            let asked = asked.map(|_| "none".to_owned());
            Some(told.limit(asked).failed(severity))
        }
        Reading::NoFault(says) if check.always => Some(
            Told::new(check, "file", check.source)
                .limit(Some("none".into()))
                .says(says),
        ),
        _ => None,
    }
}

fn fault_told(check: &Check, source: &str, fault: Fault) -> Told {
    let told = Told::new(check, fault.subject, source)
        .value(fault.value)
        .says(fault.says)
        .places(&fault.places);
    match (fault.brief, fault.detail) {
        (None, None) => told,
        (brief, detail) => {
            let brief = brief.unwrap_or_else(|| told.finding.says.clone());
            told.brief(brief, detail)
        }
    }
}

fn with_limit(case: &Case, limit: &Limit, reading: Reading) -> Option<Told> {
    let check = case.check;
    let words = asked(&limit.rule, check.unit);
    let told = |subject: &str| Told::new(check, subject, &limit.source).limit(words.clone());
    let reports = matches!(limit.rule, Rule::Report);
    Some(match reading {
        Reading::Number(number) => {
            let told = told(&number.subject).value(Choice::Number(number.value));
            self::number(case, limit, told, number)
        }
        Reading::Word { value, subject } => word(check, limit, told(&subject), &value),
        Reading::Lacking(says) => match (&words, reports) {
            (Some(words), false) => told("file")
                .says(format!("{says}, asked: {words}"))
                .brief(says, Some(format!("asked: {words}")))
                .failed(limit.severity),
            _ => told("file").says(says).noted(),
        },
        Reading::Nothing { subject, says } => match limit.rule {
            Rule::AtMost(_) => told(&subject).says(says),
            Rule::Report => told(&subject).says(says).noted(),
            _ => told(&subject).says(says).failed(limit.severity),
        },
        Reading::Fault(fault) => {
            let severity = match reports {
                true => Severity::Note,
                false => limit.severity.min(fault.at_most),
            };
            let told = fault_told(check, &limit.source, fault).limit(words);
            told.failed(severity)
        }
        Reading::NoFault(says) => told("file").says(says),
        Reading::NotMeasured { subject, why } => {
            return not_measured(case, limit, told(&subject), why);
        }
        Reading::Untold => return None,
    })
}

/// A limit on what was not measured weighs as much as the limit, but for what the material itself
/// does not have.
fn not_measured(case: &Case, limit: &Limit, told: Told, why: NotMeasured) -> Option<Told> {
    // The limit says itself that it is about files that are compared so.
    if limit.if_compared && why.is_no_comparison() {
        return None;
    }
    let severity = match (&limit.rule, why.is_of_the_material()) {
        (Rule::Report, _) => None,
        (_, true) => Some(limit.severity.min(Severity::Advise)),
        // A fault that is looked for by label: the file asks for labels, and is held at the gate.
        (Rule::Never, false) if matches!(why, NotMeasured::NoLabels { .. }) => {
            Some(limit.severity.min(Severity::Advise))
        }
        (_, false) => Some(limit.severity),
    };
    let verb = match case.check.takes {
        Takes::Fault => "not looked for",
        _ => "not measured",
    };
    let said = match &limit.render {
        Some(render) if case.check.on_renders => format!(
            "{}: {verb} on the {} render, {why}",
            case.check.title,
            layout::spoken(render)
        ),
        _ => format!("{}: {verb}, {why}", case.check.title),
    };
    Some(
        told.says(said)
            .brief(
                format!("{} {verb}: {}", case.check.title, why.in_brief()),
                None,
            )
            .not_measured(why, severity),
    )
}

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
            return match among {
                true => Against::Kept,
                false => Against::NotAmong,
            };
        }
        Rule::Matches(_) | Rule::Required(_) | Rule::Never | Rule::Report => {
            return Against::Kept;
        }
    };
    if value > high + equal {
        Against::Above(value - high)
    } else if value < low - equal {
        Against::Below(low - value)
    } else {
        Against::Kept
    }
}

fn number(case: &Case, limit: &Limit, told: Told, read: Number) -> Told {
    let check = case.check;
    let style = Style::of(check.unit);
    let equal = equal(check.unit);
    let value = read.value;
    let outcome = against(&limit.rule, value, equal);
    let apart = match outcome {
        Against::Above(by) | Against::Below(by) => by,
        Against::Kept | Against::NotAmong => 0.0,
    };
    let reading = style.reading(value, apart);
    let mut is = match &read.phrase {
        Some(phrase) => phrase.clone(),
        None => format!("{} is {}", check.title, style.with_unit(&reading)),
    };
    if check.words == Words::OnChannel {
        is.push_str(&format!(" on {}", told.finding.subject));
    }
    if let Some(aside) = read.aside {
        is.push_str(aside);
    }
    let asked_for = told.finding.limit.clone().unwrap_or_default();
    let (by, side) = match outcome {
        Against::Kept if matches!(limit.rule, Rule::Report) => {
            return told.says(is).places(&read.places).noted();
        }
        Against::Kept => return kept(limit, told, &style, value, &is, &asked_for),
        Against::NotAmong => {
            return told
                .says(format!("{is}, asked: {asked_for}"))
                .brief(
                    format!("{} {}", check.title, style.with_unit(&reading)),
                    Some(format!("asked: {asked_for}")),
                )
                .failed(limit.severity);
        }
        Against::Above(by) => (by, Side::Above),
        Against::Below(by) => (by, Side::Below),
    };
    let mut says = match style.discrete {
        true => format!("{is}, asked: {asked_for}"),
        false => format!(
            "{is}, {} {} {}",
            style.difference(by),
            side.word(),
            edge(&limit.rule, side, &style)
        ),
    };
    let mut severity = limit.severity;
    if side == Side::Above && by <= read.spread + equal {
        severity = severity.min(Severity::Advise);
        says.push_str(&format!(
            "; the shortest filter that the standard allows may read {}, so it only advises",
            style.with_unit(&style.reading(value - read.spread, apart))
        ));
    } else if limit.margin > 0.0 && by <= limit.margin + equal {
        severity = severity.min(Severity::Advise);
        says.push_str(&format!(
            "; within the margin of {}, so it only advises",
            style.difference(limit.margin)
        ));
    }
    if let Some((at_most, why)) = read.doubt {
        severity = severity.min(at_most);
        says.push_str(why);
    }
    let places = beyond(read.places, read.beyond, limit, equal);
    let brief = in_brief(
        case,
        &told,
        &style,
        &reading,
        by,
        side,
        &places,
        read.phrase,
    );
    let detail = format!("{}asked: {asked_for}", brief.reading);
    told.says(says)
        .brief(brief.words, Some(detail))
        .places(&places)
        .failed(severity)
}

/// The limit is kept; below its aim it advises all the same.
fn kept(limit: &Limit, told: Told, style: &Style, value: f64, is: &str, asked_for: &str) -> Told {
    match limit.advise_below {
        Some(aim) if value < aim => {
            let by = style.difference(aim - value);
            let aim = style.limit(aim);
            told.says(format!(
                "{is}, {by} below the aim of {aim} (asked: {asked_for})"
            ))
            .brief(
                format!("{by} below the aim of {aim}"),
                Some(style.with_unit(&style.reading(value, 0.0))),
            )
            .failed(limit.severity.min(Severity::Advise))
        }
        _ => told.says(format!("{is} (asked: {asked_for})")),
    }
}

#[derive(Clone, Copy, PartialEq, Eq)]
enum Side {
    Above,
    Below,
}

impl Side {
    fn word(self) -> &'static str {
        match self {
            Self::Above => "above",
            Self::Below => "below",
        }
    }
}

/// The places that belong to a limit: a meter lists them for the strictest limit of all.
fn beyond(mut places: Places, which: Beyond, limit: &Limit, equal: f64) -> Places {
    let of = |value: f64| match which {
        Beyond::LimitEitherSign => value.abs(),
        Beyond::All | Beyond::Limit => value,
    };
    if which == Beyond::All {
        return places;
    }
    let all_listed = places.listed.len() as u64 == places.total;
    places.listed.retain(|place| {
        place
            .value
            .is_none_or(|value| !matches!(against(&limit.rule, of(value), equal), Against::Kept))
    });
    if all_listed {
        places.total = places.listed.len() as u64;
    }
    places
}

/// The end of a rule that was passed, in words.
fn edge(rule: &Rule, side: Side, style: &Style) -> String {
    match rule {
        Rule::AtMost(limit) | Rule::AtLeast(limit) => {
            format!("the limit of {}", style.limit(*limit))
        }
        Rule::Within(low, high) => {
            let end = match side {
                Side::Above => high,
                Side::Below => low,
            };
            format!("the limit of {}", style.limit(*end))
        }
        Rule::Target { target, tolerance } => format!(
            "what the target of {} ±{} allows",
            style.limit(*target),
            style.limit(*tolerance)
        ),
        Rule::OneOf(_) | Rule::Matches(_) | Rule::Required(_) | Rule::Never | Rule::Report => {
            "the limit".into()
        }
    }
}

/// Words for the verdict's reason, and the reading that goes before what was asked.
struct Brief {
    words: String,
    reading: String,
}

#[expect(
    clippy::too_many_arguments,
    reason = "one sentence is made of all of these"
)]
fn in_brief(
    case: &Case,
    told: &Told,
    style: &Style,
    reading: &str,
    by: f64,
    side: Side,
    places: &Places,
    phrase: Option<String>,
) -> Brief {
    let check = case.check;
    let on = &told.finding.subject;
    // Of several renders the reason says which; of a file's own channels it is known.
    let rendered = case
        .facts
        .measurements
        .is_some_and(|measured| measured.immersive.is_some());
    let (where_, layout) = match rendered {
        true => (
            format!(" on the {} render", layout::spoken(on)),
            String::new(),
        ),
        false => (String::new(), format!(" on {on}")),
    };
    let how = match side {
        Side::Above => "too loud",
        Side::Below => "too quiet",
    };
    let brief = |words: String, reading: String| Brief { words, reading };
    let usual = || {
        let words = match phrase {
            Some(phrase) => phrase,
            None => format!("{} {}", check.title, style.with_unit(reading)),
        };
        brief(words, String::new())
    };
    let by = style.difference(by);
    match check.words {
        Words::Usual => usual(),
        Words::Loudness => brief(
            format!("{by} {how}{where_}"),
            format!("{reading}{layout}, "),
        ),
        Words::Maximum => brief(
            format!("{} {by} {how}{where_}", check.title),
            format!("{reading}{layout}, "),
        ),
        Words::Overs if side == Side::Above && places.total > 0 => {
            let overs = match places.total {
                1 => "1 true-peak over".to_owned(),
                many => format!("{many} true-peak overs"),
            };
            brief(format!("{overs}{where_}"), format!("highest {reading}, "))
        }
        Words::Overs => usual(),
        Words::OnChannel => brief(
            format!("{} {} on {on}", check.title, style.with_unit(reading)),
            String::new(),
        ),
    }
}

fn word(check: &Check, limit: &Limit, told: Told, value: &str) -> Told {
    let told = told.value(Choice::Text(value.to_owned()));
    let same = |asked: &str| {
        asked.to_lowercase() == value.to_lowercase()
            || (check.takes == Takes::Layout
                && layout::by_name(asked).is_some_and(|l| Some(l) == layout::by_name(value)))
    };
    let is = format!("{} is {value}", check.title);
    if let Rule::Matches(pattern) = &limit.rule {
        let matches = pattern.is_match(value);
        let pattern = bare_pattern(pattern);
        return match matches {
            true => told.says(format!("{is}, matching the pattern {pattern}")),
            false => told
                .says(format!("{is}, not matching the pattern {pattern}"))
                .brief(
                    format!("the {} does not match the pattern", check.title),
                    None,
                )
                .failed(limit.severity),
        };
    }
    let words: Vec<String> = match &limit.rule {
        Rule::OneOf(choices) => choices
            .iter()
            .filter_map(|choice| match choice {
                Choice::Text(text) => Some(text.clone()),
                Choice::Number(_) => None,
            })
            .collect(),
        _ => return told.says(is).noted(),
    };
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
