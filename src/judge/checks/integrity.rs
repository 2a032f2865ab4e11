//! Damage to the file: what was met while it was read.
//!
//! A damage that no limit asks about is noted all the same: nothing that was seen is kept quiet.

use crate::judge::check::{Case, Check, FAULT};
use crate::judge::facts::Facts;
use crate::judge::reading::{Fault, Reading};
use crate::judge::words::counted;
use crate::measure::{Place, Places};
use crate::measured::NotMeasured;
use crate::profile::{Choice, Severity};
use crate::specimen::{Oddity, OddityKind};
use crate::units::{Frames, Seconds};

/// In the order in which they are told.
pub const CHECKS: &[Check] = &[
    INCOMPLETE,
    UNREAD,
    DATA_TRUNCATED,
    HEADER_UNFINISHED,
    HEADER_SAYS_LESS,
    PARTIAL_FRAME,
    DECODE_ERRORS,
    STREAM_DIGEST,
    TWO_READINGS,
    FLOAT_NAN,
    FLOAT_INF,
    FLOAT_DENORMAL,
    SIZES_DISAGREE,
    DS64_MISSING,
    CHUNK_PADDING,
    TRAILING_BYTES,
    CHUNK_DUPLICATE,
    FORMAT_FMT,
    METADATA,
];

pub const INCOMPLETE: Check = Check {
    id: "integrity.incomplete",
    title: "incomplete file",
    definition: "The file stayed structurally incomplete until the patience of its watch ran out.",
    source: "own rule: nothing leaves that is not whole",
    severity: Severity::Stop,
    cannot_see: "A writer that is slower than the patience.",
    always: true,
    read: incomplete,
    ..FAULT
};

pub const UNREAD: Check = Check {
    id: "integrity.unread",
    title: "unreadable file",
    definition: "The file could not be read as audio, so nothing was measured.",
    source: "own rule: what was not measured does not leave",
    severity: Severity::Stop,
    cannot_see: "Whether another program can read it.",
    always: true,
    read: unread,
    ..FAULT
};

pub const DATA_TRUNCATED: Check = Check {
    id: "damage.data_truncated",
    title: "truncated audio",
    definition: "Fewer bytes of audio are there than the header declares.",
    unit: "bytes",
    source: "EBU Tech 3285 and ITU-R BS.2088 (chunk sizes), clauses from memory",
    severity: Severity::Stop,
    cannot_see: "A file that was cut and whose header was then put right.",
    always: true,
    read: truncated,
    ..FAULT
};

pub const HEADER_UNFINISHED: Check = Check {
    id: "damage.header_unfinished",
    title: "unfinished header",
    definition: "The size fields were never written: the writer was stopped.",
    source: "EBU Tech 3285 and ITU-R BS.2088 (chunk sizes), clauses from memory",
    severity: Severity::Stop,
    cannot_see: "Whether the audio is complete.",
    always: true,
    read: |case| oddity(case, OddityKind::HeaderUnfinished),
    ..FAULT
};

pub const HEADER_SAYS_LESS: Check = Check {
    id: "damage.header_says_less",
    title: "audio after the declared end",
    definition: "Audio goes on after the end that the header declares; players would lose it.",
    unit: "bytes",
    source: "EBU Tech 3285 and ITU-R BS.2088 (chunk sizes), clauses from memory",
    severity: Severity::Stop,
    cannot_see: "Whether the part after the end was meant to be heard.",
    always: true,
    read: |case| oddity(case, OddityKind::HeaderSaysLess),
    ..FAULT
};

pub const PARTIAL_FRAME: Check = Check {
    id: "damage.partial_frame",
    title: "cut sample frame",
    definition: "The last frame ends within its samples.",
    unit: "bytes",
    source: "EBU Tech 3285 (block alignment), clause from memory",
    severity: Severity::Stop,
    cannot_see: "Whether more than the rest of that frame is missing.",
    always: true,
    read: |case| oddity(case, OddityKind::PartialFrame),
    ..FAULT
};

pub const DECODE_ERRORS: Check = Check {
    id: "damage.decode_errors",
    title: "undecodable stretches",
    definition: "Packets or frames that the decoder refused; the audio has holes.",
    unit: "frames",
    source: "own rule: a hole is never let through",
    severity: Severity::Stop,
    cannot_see: "Errors that decode to something plausible.",
    always: true,
    read: |case| oddity(case, OddityKind::DecodeErrors),
    ..FAULT
};

pub const STREAM_DIGEST: Check = Check {
    id: "damage.stream_digest",
    title: "wrong stream digest",
    definition: "The digest that the stream carries does not match the decoded samples.",
    source: "RFC 9639 (FLAC, MD5 of the unencoded audio), clause from memory",
    severity: Severity::Stop,
    cannot_see: "Files that carry no digest.",
    always: true,
    read: stream_digest,
    ..FAULT
};

pub const TWO_READINGS: Check = Check {
    id: "damage.two-readings",
    title: "file that can be read in two ways",
    definition: "Two readers may take the file for two different things: two fmt, data, ds64, axml or chna chunks that differ, or a block align that is not channels times bytes of a sample.",
    source: "ITU-R BS.2088-1 and RIFF define one of each and do not say which of two counts; what was measured may not be what plays",
    severity: Severity::Stop,
    cannot_see: "Which of them another reader takes.",
    always: true,
    read: |case| oddities(case, |kind| matches!(kind, OddityKind::TwoReadings(_))),
    ..FAULT
};

pub const FLOAT_NAN: Check = Check {
    id: "damage.float_nan",
    title: "samples that are no number",
    definition: "Float samples that are NaN. They are counted and measured as zeros.",
    unit: "samples",
    source: "IEEE 754 (not a number); own rule: never let through",
    severity: Severity::Stop,
    cannot_see: "What the samples should have been.",
    always: true,
    read: |case| bad_samples(case, OddityKind::FloatNan, "invalid samples (NaN)"),
    ..FAULT
};

pub const FLOAT_INF: Check = Check {
    id: "damage.float_inf",
    title: "infinite samples",
    definition: "Float samples that are infinite. They are counted and measured as zeros.",
    unit: "samples",
    source: "IEEE 754 (infinity); own rule: never let through",
    severity: Severity::Stop,
    cannot_see: "What the samples should have been.",
    always: true,
    read: |case| bad_samples(case, OddityKind::FloatInf, "infinite samples"),
    ..FAULT
};

pub const FLOAT_DENORMAL: Check = Check {
    id: "damage.float_denormal",
    title: "denormal samples",
    definition: "Float samples so small that some processors slow down on them.",
    unit: "samples",
    source: "IEEE 754 (subnormal numbers)",
    severity: Severity::Note,
    cannot_see: "Whether the player at the other end minds.",
    read: |case| oddity(case, OddityKind::FloatDenormal),
    ..FAULT
};

pub const SIZES_DISAGREE: Check = Check {
    id: "damage.sizes_disagree",
    title: "size fields that disagree",
    definition: "A size field contradicts another one or the length of the file, and the audio is whole.",
    source: "EBU Tech 3285 and ITU-R BS.2088 (chunk sizes), clauses from memory",
    cannot_see: "Which readers refuse such a file.",
    read: |case| oddity(case, OddityKind::SizesDisagree),
    ..FAULT
};

pub const DS64_MISSING: Check = Check {
    id: "damage.ds64-missing",
    title: "missing ds64 chunk",
    definition: "An RF64 or BW64 file without a ds64 chunk that comes first.",
    source: "ITU-R BS.2088 and EBU Tech 3306, clauses from memory",
    cannot_see: "Which readers refuse such a file.",
    read: |case| oddity(case, OddityKind::Ds64Missing),
    ..FAULT
};

pub const CHUNK_PADDING: Check = Check {
    id: "damage.chunk-padding",
    title: "missing pad byte",
    definition: "A chunk of odd length without its pad byte.",
    source: "ITU-R BS.2088 (chunks are padded to an even length), clause from memory",
    severity: Severity::Note,
    cannot_see: "Which readers lose the chunks after it.",
    read: |case| oddity(case, OddityKind::PadMissing),
    ..FAULT
};

pub const TRAILING_BYTES: Check = Check {
    id: "damage.trailing_bytes",
    title: "bytes after the end",
    definition: "Bytes after the end of the container that are no chunk.",
    unit: "bytes",
    source: "own choice: they are often the rest of another file",
    cannot_see: "What they are.",
    read: |case| oddity(case, OddityKind::TrailingBytes),
    ..FAULT
};

pub const CHUNK_DUPLICATE: Check = Check {
    id: "damage.chunk-duplicate",
    title: "doubled chunk",
    definition: "A chunk that may stand once stands twice.",
    source: "own choice: which of two a reader takes is a guess",
    cannot_see: "Which of them was meant.",
    read: |case| oddity(case, OddityKind::ChunkTwice),
    ..FAULT
};

pub const FORMAT_FMT: Check = Check {
    id: "damage.format-fmt",
    title: "format fields that disagree",
    definition: "Fields of the format chunk contradict each other: block alignment, byte rate, valid bits.",
    source: "EBU Tech 3285 (format chunk), clause from memory",
    cannot_see: "Which of them another reader believes.",
    read: |case| oddity(case, OddityKind::FormatFields),
    ..FAULT
};

pub const METADATA: Check = Check {
    id: "damage.metadata",
    title: "damaged metadata",
    definition: "Metadata that could not be read: a bext chunk that is too short, iXML that is not well-formed.",
    source: "EBU Tech 3285 (bext); XML 1.0 (well-formed)",
    cannot_see: "What it should have said.",
    read: |case| oddity(case, OddityKind::MetadataDamaged),
    ..FAULT
};

fn incomplete(case: &Case) -> Reading {
    match case.facts.incomplete {
        Some(why) => Fault::new(format!("still incomplete when the patience ended: {why}")).into(),
        None => Reading::Untold,
    }
}

fn unread(case: &Case) -> Reading {
    match (case.facts.unread, case.facts.measurements) {
        (Some(why), _) => Fault::new(format!("could not be read as audio: {why}")).into(),
        (None, None) => Fault::new("could not be read as audio").into(),
        (None, Some(_)) => Reading::Untold,
    }
}

/// Not every stream has a digest: that none is wrong is not told.
fn stream_digest(case: &Case) -> Reading {
    match found(case, |kind| kind == OddityKind::StreamDigest) {
        Some(fault) => fault.into(),
        None => Reading::Untold,
    }
}

fn truncated(case: &Case) -> Reading {
    match oddity(case, OddityKind::DataTruncated) {
        Reading::Fault(fault) => {
            let brief = Some(format!("the audio is cut short: {}", fault.says));
            Fault { brief, ..fault }.into()
        }
        other => other,
    }
}

fn bad_samples(case: &Case, kind: OddityKind, what: &str) -> Reading {
    match oddity(case, kind) {
        Reading::Fault(fault) => {
            let count = match fault.value {
                Some(Choice::Number(count)) => count as u64,
                Some(Choice::Text(_)) | None => 0,
            };
            let brief = Some(counted(count, what));
            Fault { brief, ..fault }.into()
        }
        other => other,
    }
}

/// All oddities of one kind as one reading; of a file that could not be read nobody knows.
pub fn oddity(case: &Case, kind: OddityKind) -> Reading {
    oddities(case, |other| other == kind)
}

fn oddities(case: &Case, is: impl Fn(OddityKind) -> bool) -> Reading {
    match found(case, is) {
        Some(fault) => fault.into(),
        None if case.facts.is_unread() => Reading::not_measured(NotMeasured::Unread),
        None => case.none_found(),
    }
}

fn found(case: &Case, is: impl Fn(OddityKind) -> bool) -> Option<Fault> {
    let facts = case.facts;
    let mut found: Vec<&Oddity> = (facts.oddities.iter())
        .filter(|oddity| is(oddity.kind))
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
    Some(Fault {
        unasked: Some(Severity::Note),
        subject,
        value: Some(Choice::Number(total as f64)),
        places,
        ..Fault::new(says)
    })
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
