//! Metadata that must be there, and what the file's name says.

use std::borrow::Cow;

use crate::judge::check::{Case, Check, FAULT};
use crate::judge::names::{self, Stated};
use crate::judge::reading::{Fault, Reading, read_from};
use crate::judge::words::and;
use crate::measured::{Measured, NotMeasured};
use crate::profile::{Choice, Rule, Severity, Takes};
use crate::specimen::{Format, Metadata};

/// Names of metadata; one that ends in a dot stands for all that begin so.
const FIELDS: &[&str] = &[
    "bext.version",
    "bext.description",
    "bext.originator",
    "bext.originator_reference",
    "bext.origination_date",
    "bext.origination_time",
    "bext.time_reference",
    "bext.umid",
    "bext.loudness_lufs",
    "bext.range_lu",
    "bext.max_true_peak_dbtp",
    "bext.max_momentary_lufs",
    "bext.max_short_term_lufs",
    "bext.coding_history",
    "ixml.",
    "info.",
    "tags.",
    "chunk.",
];

/// In the order in which they are told.
pub const CHECKS: &[Check] = &[REQUIRED, PATTERN, RATE_AND_DEPTH];

pub const REQUIRED: Check = Check {
    id: "metadata.required",
    title: "required metadata",
    definition: "Fields that must be there and not empty, named by chunk: bext.originator, info.INAM, ixml.PROJECT, tags.title, chunk.axml.",
    source: "EBU Tech 3285 (bext), the iXML specification, RIFF INFO, the containers' own tags",
    cannot_see: "Whether what they say is true.",
    takes: Takes::Fields(FIELDS),
    read: required,
    ..FAULT
};

pub const PATTERN: Check = Check {
    id: "name.pattern",
    title: "file name",
    definition: "The whole file name, extension included, matches the pattern of the profile.",
    cannot_see: "Whether the name is that of the right piece. Bytes that are not UTF-8 match no letter.",
    takes: Takes::Text,
    read: pattern,
    ..FAULT
};

pub const RATE_AND_DEPTH: Check = Check {
    id: "name.rate_and_depth",
    title: "rate and depth in the name",
    definition: "A name that states a sample rate and bit depth (48k24, 44.1k16) agrees with the header. A rate alone (96k) that differs only advises: it may tell where the file came from.",
    source: "common practice, no source; form from the recording academy's delivery recommendations, 2018 edition, page 13, as quoted",
    severity: Severity::Stop,
    cannot_see: "Names that state neither; lossy files, whose names may state a bit rate.",
    read: rate_and_depth,
    ..FAULT
};

fn format<'a>(case: &Case<'a>) -> Measured<&'a Format> {
    Measured::of(case.facts.format, || NotMeasured::NoContainer)
}

fn required(case: &Case) -> Reading {
    let Some(Rule::Required(fields)) = case.limit.map(|limit| &limit.rule) else {
        return Reading::Untold;
    };
    read_from(format(case), |_| {
        let missing: Vec<String> = (fields.iter())
            .filter(|field| !is_there(case.facts.metadata, field))
            .cloned()
            .collect();
        match missing.as_slice() {
            [] => Reading::NoFault(match fields.as_slice() {
                [one] => format!("{one} is there"),
                many => format!("all {} required fields are there", many.len()),
            }),
            [one] => Reading::Fault(Fault {
                value: Some(Choice::Text(one.clone())),
                ..Fault::new(format!("{one} is missing or empty"))
            }),
            many => Reading::Fault(Fault {
                value: Some(Choice::Text(many.join(","))),
                brief: Some(format!("{} metadata fields missing", many.len())),
                ..Fault::new(format!("{} are missing or empty", and(many)))
            }),
        }
    })
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

fn pattern(case: &Case) -> Reading {
    Reading::Word {
        value: case.facts.name.to_string_lossy().into_owned(),
        subject: "file".into(),
    }
}

fn rate_and_depth(case: &Case) -> Reading {
    let name: Cow<str> = case.facts.name.to_string_lossy();
    let stated = names::stated(&name);
    let Some(first) = stated.first() else {
        return Reading::NoFault("the name states no sample rate".into());
    };
    read_from(format(case), |format| {
        // Without a bit depth it is a lossy file, whose name may state a bit rate.
        let Some(bits) = format.bit_depth else {
            let says = "a lossy file: a number in its name may be a bit rate";
            return Reading::NoFault(says.into());
        };
        let rate = format.sample_rate.value();
        let agrees = |s: &Stated| s.rate_hz == rate && s.bits.is_none_or(|b| b == bits);
        if stated.iter().any(agrees) {
            return Reading::NoFault(format!(
                "the name says {}, and so does the header",
                first.text
            ));
        }
        Reading::Fault(Fault {
            // A rate alone may tell where the file came from.
            at_most: match first.bits {
                Some(_) => Severity::Stop,
                None => Severity::Advise,
            },
            value: Some(Choice::Text(first.text.clone())),
            ..Fault::new(format!(
                "the name says {}, the header {rate} Hz and {bits} bit",
                first.text
            ))
        })
    })
}
