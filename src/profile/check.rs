//! From what a profile asks of one check to a [`Limit`] that makes sense.
//!
//! In: the raw limit with its place, what the catalogue knows of the check, and the parent's
//! limit on it. Out: the limit, nothing where it is switched off, or a [`Mistake`].

use std::ops::Range;

use regex::Regex;
use toml::Spanned;

use super::known::{KnownCheck, Takes};
use super::model::{Choice, Limit, Rule, Severity};
use super::raw::RawLimit;
use crate::config::mistake::{Mistake, Text, closest, did_you_mean, list};
use crate::layout;

/// Where a limit names no source.
pub const NO_SOURCE: &str = "the operator's own limit, no source given";

/// One limit of a profile, as checked; `None` where `off` takes it from the parent. `on` is the
/// render that the table's own name says.
pub fn limit(
    text: &Text,
    at: Range<usize>,
    raw: &RawLimit,
    known: &KnownCheck,
    parent: Option<&Limit>,
    on: Option<String>,
) -> Result<Option<Limit>, Mistake> {
    let id = known.id;
    if known.always {
        return Err(text.mistake(
            at,
            format!("\"{id}\" always stops: no profile can ask for it, soften it or switch it off"),
            "no such limit: a file that is damaged in this way is never let through",
        ));
    }
    if let Some(off) = yes(text, &raw.off, "off")? {
        return switched_off(text, off, raw, id, parent).map(|()| None);
    }
    let said = rule(text, &at, raw, known)?;
    let (rule, inherited) = match (said, parent) {
        (Some(rule), _) => (rule, None),
        (None, Some(parent)) => (parent.rule.clone(), Some(parent)),
        (None, None) => {
            return Err(text.mistake(
                at,
                format!("the limit on \"{id}\" asks nothing"),
                format!("one of {}", list(known.takes.rules(), "or")),
            ));
        }
    };
    let severity = severity(text, raw, &rule)?
        .or(inherited.map(|parent| parent.severity))
        .unwrap_or(known.severity);
    let margin = margin(text, raw, &rule)?
        .or(inherited.map(|parent| parent.margin))
        .unwrap_or(0.0);
    let advise_below =
        advise_below(text, raw, &rule)?.or(inherited.and_then(|parent| parent.advise_below));
    // Kept where a profile asks more or less strictly than the one that it extends.
    let if_compared = match yes_or_no(&raw.if_compared) {
        Some(said) => said,
        None => parent.is_some_and(|parent| parent.if_compared),
    };
    let said = render(text, raw, known)?;
    if let (Some(said), Some(on), Some(place)) = (&said, &on, &raw.render)
        && said != on
    {
        return Err(text.mistake(
            place.span(),
            format!("the table is for the render {on} and asks for {said}"),
            "no render in a table whose name says one",
        ));
    }
    let render = on
        .or(said)
        .or(inherited.and_then(|parent| parent.render.clone()));
    let severity = match (&render, raw.severity.as_ref()) {
        (Some(render), Some(place)) if render == "binaural" && severity != Severity::Note => {
            return Err(text.mistake(
                place.span(),
                "a binaural figure depends on whose head was measured: it never stops a file",
                "severity = \"note\"",
            ));
        }
        (Some(render), None) if render == "binaural" => Severity::Note,
        _ => severity,
    };
    let source = match (&raw.source, inherited) {
        (Some(source), _) => source.get_ref().trim().to_owned(),
        (None, Some(parent)) => parent.source.clone(),
        (None, None) => NO_SOURCE.to_owned(),
    };
    if source.is_empty() {
        return Err(text.mistake(
            at,
            "the source is empty",
            "document and clause, or \"common practice, no source\"",
        ));
    }
    Ok(Some(Limit {
        rule,
        margin,
        severity,
        source,
        render,
        if_compared,
        advise_below,
    }))
}

fn yes_or_no(value: &Option<Spanned<bool>>) -> Option<bool> {
    value.as_ref().map(|said| *said.get_ref())
}

fn advise_below(text: &Text, raw: &RawLimit, rule: &Rule) -> Result<Option<f64>, Mistake> {
    let Some(said) = &raw.advise_below else {
        return Ok(None);
    };
    let aim = *said.get_ref();
    let fits = match rule {
        Rule::AtMost(most) => aim <= *most,
        Rule::AtLeast(least) => aim >= *least,
        Rule::Within(low, high) => (*low..=*high).contains(&aim),
        Rule::Target { target, tolerance } => (aim - target).abs() <= *tolerance,
        _ => false,
    };
    match aim.is_finite() && fits {
        true => Ok(Some(aim)),
        false => Err(text.mistake(
            said.span(),
            "an aim that the limit itself does not allow",
            "a number within the limit, below which the file advises: advise_below = -19.0 beside at_most = -18.0",
        )),
    }
}

fn switched_off(
    text: &Text,
    off: Range<usize>,
    raw: &RawLimit,
    id: &str,
    parent: Option<&Limit>,
) -> Result<(), Mistake> {
    let alone = rules_said(raw).is_empty()
        && raw.severity.is_none()
        && raw.margin.is_none()
        && raw.advise_below.is_none()
        && raw.if_compared.is_none()
        && raw.render.is_none();
    if !alone {
        return Err(text.mistake(
            off,
            format!("the limit on \"{id}\" is switched off and asked at once"),
            "off = true alone, or no off",
        ));
    }
    if parent.is_none() {
        return Err(text.mistake(
            off,
            format!("there is no limit on \"{id}\" to switch off"),
            "no such table: only a limit of the profile that is extended can be switched off",
        ));
    }
    Ok(())
}

/// The place of a key that is there and true; `false` is refused, it would mean nothing.
fn yes(
    text: &Text,
    value: &Option<Spanned<bool>>,
    key: &str,
) -> Result<Option<Range<usize>>, Mistake> {
    match value {
        Some(said) if *said.get_ref() => Ok(Some(said.span())),
        Some(said) => Err(text.mistake(
            said.span(),
            format!("{key} = false says nothing"),
            format!("{key} = true, or no such line"),
        )),
        None => Ok(None),
    }
}

/// The rules that a limit states, with their places, in the order of the text.
fn rules_said(raw: &RawLimit) -> Vec<(&'static str, Range<usize>)> {
    fn place<T>(value: &Option<Spanned<T>>) -> Option<Range<usize>> {
        value.as_ref().map(Spanned::span)
    }
    let mut said: Vec<(&'static str, Range<usize>)> = [
        ("at_most", place(&raw.at_most)),
        ("at_least", place(&raw.at_least)),
        ("within", place(&raw.within)),
        ("target", place(&raw.target)),
        ("one_of", place(&raw.one_of)),
        ("matches", place(&raw.matches)),
        ("required", place(&raw.required)),
        ("never", place(&raw.never)),
        ("report", place(&raw.report)),
    ]
    .into_iter()
    .filter_map(|(name, at)| at.map(|at| (name, at)))
    .collect();
    said.sort_by_key(|(_, at)| at.start);
    said
}

fn rule(
    text: &Text,
    table: &Range<usize>,
    raw: &RawLimit,
    known: &KnownCheck,
) -> Result<Option<Rule>, Mistake> {
    let said = rules_said(raw);
    if let [(first, _), (second, at), ..] = said.as_slice() {
        return Err(text.mistake(
            at.clone(),
            format!("two rules for \"{}\": {first} and {second}", known.id),
            "one of them; both ends of a range are within = [least, most]",
        ));
    }
    let Some((name, at)) = said.into_iter().next() else {
        return match &raw.tolerance {
            Some(tolerance) => Err(text.mistake(
                tolerance.span(),
                "a tolerance without a target",
                "target = -23.0 beside it",
            )),
            None => Ok(None),
        };
    };
    let allowed = known.takes.rules();
    if !allowed.contains(&name) {
        return Err(text.mistake(
            at,
            format!("\"{}\" cannot be asked with {name}", known.id),
            format!("one of {}", list(allowed, "or")),
        ));
    }
    if raw.tolerance.is_some() && raw.target.is_none() {
        return Err(text.mistake(
            at,
            "a tolerance without a target",
            "target = -23.0 and tolerance = 0.2",
        ));
    }
    let finite = |value: &Option<Spanned<f64>>| -> Result<f64, Mistake> {
        match value.as_ref().map(|value| (*value.get_ref(), value.span())) {
            Some((number, _)) if number.is_finite() => Ok(number),
            Some((_, span)) => {
                Err(text.mistake(span, "not a number that can be compared", "a finite number"))
            }
            None => Err(text.mistake(
                table.clone(),
                "a target without a tolerance",
                "tolerance = 0.2 beside it",
            )),
        }
    };
    yes(text, &raw.never, "never")?;
    yes(text, &raw.report, "report")?;
    let rule = match name {
        "at_most" => Rule::AtMost(finite(&raw.at_most)?),
        "at_least" => Rule::AtLeast(finite(&raw.at_least)?),
        "target" => {
            let (target, tolerance) = (finite(&raw.target)?, finite(&raw.tolerance)?);
            if tolerance < 0.0 {
                return Err(text.mistake(
                    raw.tolerance.as_ref().map_or(at, Spanned::span),
                    "the tolerance is negative",
                    "how far the value may lie from the target on either side",
                ));
            }
            Rule::Target { target, tolerance }
        }
        "within" => {
            let (low, high) = raw.within.as_ref().map_or((0.0, 0.0), |w| *w.get_ref());
            if !(low.is_finite() && high.is_finite()) {
                return Err(text.mistake(
                    at,
                    "not numbers that can be compared",
                    "two finite numbers",
                ));
            }
            if low > high {
                return Err(text.mistake(
                    at,
                    format!("the range is the wrong way round: {low} is above {high}"),
                    format!("within = [{high:?}, {low:?}]"),
                ));
            }
            Rule::Within(low, high)
        }
        "one_of" => Rule::OneOf(choices(text, at, raw, known)?),
        "matches" => Rule::Matches(pattern(text, at, raw)?),
        "required" => Rule::Required(fields(text, at, raw, known)?),
        "never" => Rule::Never,
        _ => Rule::Report,
    };
    Ok(Some(rule))
}

fn choices(
    text: &Text,
    at: Range<usize>,
    raw: &RawLimit,
    known: &KnownCheck,
) -> Result<Vec<Choice>, Mistake> {
    let said = raw.one_of.as_ref().map_or(&[][..], |said| said.get_ref());
    if said.is_empty() {
        return Err(text.mistake(
            at,
            "a choice of nothing: every file would fail",
            "at least one value",
        ));
    }
    for choice in said {
        let wrong = match (known.takes, choice.get_ref()) {
            (Takes::Number, Choice::Number(number)) if number.is_finite() => None,
            (Takes::Number, _) => Some(("not a number".to_owned(), "a number".to_owned())),
            (Takes::Layout, Choice::Text(word)) => layout::by_name(word).is_none().then(|| {
                let names: Vec<&str> = layout::LAYOUTS.iter().map(|l| l.trade_name).collect();
                (
                    format!("there is no layout \"{word}\""),
                    format!("one of {}", list(&names, "or")),
                )
            }),
            (Takes::Word(words), Choice::Text(word)) => {
                let is_known = words.iter().any(|known| known.eq_ignore_ascii_case(word));
                (!is_known).then(|| {
                    (
                        format!("\"{}\" is never \"{word}\"", known.id),
                        did_you_mean(word, words),
                    )
                })
            }
            (Takes::Text, Choice::Text(_)) => None,
            (_, _) => Some((
                "not a text".to_owned(),
                "a text in double quotes".to_owned(),
            )),
        };
        if let Some((what, right)) = wrong {
            return Err(text.mistake(choice.span(), what, right));
        }
    }
    Ok(said.iter().map(|choice| choice.get_ref().clone()).collect())
}

fn pattern(text: &Text, at: Range<usize>, raw: &RawLimit) -> Result<Regex, Mistake> {
    let said = raw.matches.as_ref().map_or("", |said| said.get_ref());
    // First alone: a stray bracket must not close the group that is put around it.
    Regex::new(said)
        .and_then(|_| Regex::new(&format!(r"\A(?:{said})\z")))
        .map_err(|error| {
            let error = error.to_string();
            let reason = error.lines().last().unwrap_or("").trim();
            let reason = reason.strip_prefix("error: ").unwrap_or(reason);
            text.mistake(
                at,
                format!("this is no pattern: {reason}"),
                "a regular expression for the whole text, in single quotes: matches = '[A-Z]+_.*\\.wav'",
            )
        })
}

fn fields(
    text: &Text,
    at: Range<usize>,
    raw: &RawLimit,
    known: &KnownCheck,
) -> Result<Vec<String>, Mistake> {
    let Takes::Fields(names) = known.takes else {
        return Ok(Vec::new());
    };
    let said = raw.required.as_ref().map_or(&[][..], |said| said.get_ref());
    if said.is_empty() {
        return Err(text.mistake(
            at,
            "nothing is required",
            "required = [\"bext.originator\"]",
        ));
    }
    for field in said {
        let name = field.get_ref();
        let is_known = names.iter().any(|known| {
            known == name
                || (known.ends_with('.') && name.len() > known.len() && name.starts_with(known))
        });
        if !is_known {
            let right = match closest(name, names.iter().copied()) {
                Some(near) => format!("did you mean \"{near}\"?"),
                None => "a field such as \"bext.originator\", \"info.INAM\", \"ixml.PROJECT\", \"tags.title\" or \"chunk.axml\"".to_owned(),
            };
            return Err(text.mistake(
                field.span(),
                format!("there is no metadata \"{name}\""),
                right,
            ));
        }
    }
    Ok(said.iter().map(|field| field.get_ref().clone()).collect())
}

fn severity(text: &Text, raw: &RawLimit, rule: &Rule) -> Result<Option<Severity>, Mistake> {
    let Some(said) = &raw.severity else {
        return Ok(None);
    };
    if matches!(rule, Rule::Report) {
        return Err(text.mistake(
            said.span(),
            "report asks nothing, so it has no severity",
            "a rule beside the severity, or report = true alone",
        ));
    }
    match said.get_ref().as_str() {
        "stop" => Ok(Some(Severity::Stop)),
        "advise" => Ok(Some(Severity::Advise)),
        "note" => Ok(Some(Severity::Note)),
        other => Err(text.mistake(
            said.span(),
            format!("severity knows no \"{other}\""),
            did_you_mean(other, &["stop", "advise", "note"]),
        )),
    }
}

fn margin(text: &Text, raw: &RawLimit, rule: &Rule) -> Result<Option<f64>, Mistake> {
    let Some(said) = &raw.margin else {
        return Ok(None);
    };
    let numeric = matches!(
        rule,
        Rule::AtMost(_) | Rule::AtLeast(_) | Rule::Within(..) | Rule::Target { .. }
    );
    let margin = *said.get_ref();
    if !numeric || !margin.is_finite() || margin < 0.0 {
        return Err(text.mistake(
            said.span(),
            "a margin that means nothing here",
            "how far a number may pass its limit and only advise: margin = 0.1 beside at_most, at_least, within or target",
        ));
    }
    Ok(Some(margin))
}

fn render(text: &Text, raw: &RawLimit, known: &KnownCheck) -> Result<Option<String>, Mistake> {
    match &raw.render {
        Some(said) => render_named(text, &said.span(), said.get_ref(), known).map(Some),
        None => Ok(None),
    }
}

/// The render of that name, as it is always written.
pub fn render_named(
    text: &Text,
    at: &Range<usize>,
    name: &str,
    known: &KnownCheck,
) -> Result<String, Mistake> {
    if !known.on_renders {
        return Err(text.mistake(
            at.clone(),
            format!("\"{}\" is not read on a render", known.id),
            "no render here: only loudness and peaks are read on one",
        ));
    }
    match layout::by_name(name) {
        Some(layout) => Ok(layout.name.to_owned()),
        None if name == "binaural" => Ok(name.to_owned()),
        None => {
            let names: Vec<&str> = layout::LAYOUTS
                .iter()
                .map(|layout| layout.name)
                .chain(["binaural"])
                .collect();
            Err(text.mistake(
                at.clone(),
                format!("there is no render \"{name}\""),
                format!("one of {}", list(&names, "or")),
            ))
        }
    }
}

/// The layouts that object-based files are rendered to.
pub fn renders(text: &Text, said: &Spanned<Vec<Spanned<String>>>) -> Result<Vec<String>, Mistake> {
    let mut renders = Vec::new();
    for one in said.get_ref() {
        let name = layout::by_name(one.get_ref()).map(|layout| layout.name);
        match name.filter(|name| layout::RENDERABLE.contains(name)) {
            Some(name) => renders.push(name.to_owned()),
            None => {
                return Err(text.mistake(
                    one.span(),
                    format!("\"{}\" is no layout that can be rendered to", one.get_ref()),
                    format!("one of {}", list(&layout::RENDERABLE, "or")),
                ));
            }
        }
    }
    if renders.is_empty() {
        return Err(text.mistake(
            said.span(),
            "no render at all",
            "renders = [\"0+5+0\", \"0+2+0\"], or no such line",
        ));
    }
    Ok(renders)
}
