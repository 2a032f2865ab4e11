//! The container of an object-based master.

use crate::judge::check::{Case, Check, FAULT};
use crate::judge::facts::AdmRead;
use crate::judge::reading::{Reading, read_from};
use crate::measured::{Measured, NotMeasured};
use crate::profile::Severity;
use crate::specimen::{Container, OddityKind};

use super::found::{Found, told};

/// Chunks that a standard of the trade names (BS.2088-1; EBU Tech 3285; RIFF).
const KNOWN_CHUNKS: &[&str] = &[
    "fmt ", "data", "ds64", "axml", "bxml", "sxml", "chna", "bext", "iXML", "LIST", "cue ", "fact",
    "id3 ", "ID3 ", "JUNK", "junk", "PAD ", "FLLR", "r64m", "umid", "MD5 ", "levl", "link", "qlty",
    "mext", "afsp", "smpl", "inst", "plst", "labl", "note", "peak", "PEAK", "cart",
];

/// In the order in which they are told.
pub const CHECKS: &[Check] = &[
    FILE_TRUNCATED,
    DS64_MISSING,
    DS64_SIZE,
    CHUNK_PADDING,
    CHUNK_DUPLICATE,
    CHUNK_UNKNOWN,
    FORMAT_FMT,
    FORMAT_SAMPLE_RATE,
    FORMAT_BIT_DEPTH,
    AUDIO_EMPTY,
];

pub const FILE_TRUNCATED: Check = Check {
    id: "immersive.file-truncated",
    title: "truncated master",
    definition: "The audio of an immersive master is shorter than its header says.",
    source: "ITU-R BS.2088-1 (chunk sizes)",
    severity: Severity::Stop,
    cannot_see: "What the metadata were meant to say.",
    read: |case| by_oddity(case, OddityKind::DataTruncated),
    ..FAULT
};

pub const DS64_MISSING: Check = Check {
    id: "immersive.ds64-missing",
    title: "missing ds64 chunk",
    definition: "An RF64 or BW64 file does not begin with a ds64 chunk.",
    source: "ITU-R BS.2088-1 (ds64 chunk)",
    severity: Severity::Stop,
    cannot_see: "What the metadata were meant to say.",
    read: |case| by_oddity(case, OddityKind::Ds64Missing),
    ..FAULT
};

pub const DS64_SIZE: Check = Check {
    id: "immersive.ds64-size",
    title: "sizes that disagree",
    definition: "Sizes in the ds64 chunk, the headers and the file contradict each other.",
    source: "ITU-R BS.2088-1 (ds64 chunk)",
    cannot_see: "What the metadata were meant to say.",
    read: ds64_size,
    ..FAULT
};

pub const CHUNK_PADDING: Check = Check {
    id: "immersive.chunk-padding",
    title: "missing pad byte",
    definition: "A chunk of odd length has no pad byte.",
    source: "ITU-R BS.2088-1 (chunks are padded to an even length)",
    cannot_see: "What the metadata were meant to say.",
    read: |case| by_oddity(case, OddityKind::PadMissing),
    ..FAULT
};

pub const CHUNK_DUPLICATE: Check = Check {
    id: "immersive.chunk-duplicate",
    title: "doubled chunk",
    definition: "A chunk that may stand once stands twice.",
    source: "ITU-R BS.2088-1",
    cannot_see: "What the metadata were meant to say.",
    read: |case| by_oddity(case, OddityKind::ChunkTwice),
    ..FAULT
};

pub const CHUNK_UNKNOWN: Check = Check {
    id: "immersive.chunk-unknown",
    title: "chunk of unknown kind",
    definition: "A chunk that no standard of the trade names; it is kept and not read.",
    severity: Severity::Note,
    cannot_see: "What the metadata were meant to say.",
    read: unknown_chunks,
    ..FAULT
};

pub const FORMAT_FMT: Check = Check {
    id: "immersive.format-fmt",
    title: "contradictory format fields",
    definition: "Fields of the fmt chunk contradict each other.",
    source: "ITU-R BS.2088-1 (fmt chunk)",
    cannot_see: "What the metadata were meant to say.",
    read: |case| by_oddity(case, OddityKind::FormatFields),
    ..FAULT
};

pub const FORMAT_SAMPLE_RATE: Check = Check {
    id: "immersive.format-sample-rate",
    title: "sample rate that disagrees",
    definition: "The metadata give a track another sample rate than the file has.",
    source: "ITU-R BS.2076-3, clause 5.9 (audioTrackUID sampleRate)",
    severity: Severity::Stop,
    cannot_see: "What the metadata were meant to say.",
    read: stated_sample_rate,
    ..FAULT
};

pub const FORMAT_BIT_DEPTH: Check = Check {
    id: "immersive.format-bit-depth",
    title: "bit depth that disagrees",
    definition: "The metadata give a track another bit depth than the file has.",
    source: "ITU-R BS.2076-3, clause 5.9 (audioTrackUID bitDepth)",
    severity: Severity::Stop,
    cannot_see: "What the metadata were meant to say.",
    read: stated_bit_depth,
    ..FAULT
};

pub const AUDIO_EMPTY: Check = Check {
    id: "immersive.audio-empty",
    title: "no audio",
    definition: "The file has no frames.",
    severity: Severity::Stop,
    cannot_see: "What the metadata were meant to say.",
    read: audio_empty,
    ..FAULT
};

fn adm<'a>(case: &Case<'a>) -> Measured<AdmRead<'a>> {
    Measured::of(case.facts.adm, || NotMeasured::NoAdm)
}

fn by_oddity(case: &Case, kind: OddityKind) -> Reading {
    read_from(adm(case), |_| {
        let found = (case.facts.oddities.iter())
            .filter(|oddity| oddity.kind == kind)
            // An oddity counts bytes and samples as well as faults: each is one fault.
            .map(|oddity| {
                Found::new(case.check.severity, "file", oddity.says.clone()).at(oddity.at)
            })
            .collect();
        told(case, found)
    })
}

fn ds64_size(case: &Case) -> Reading {
    let sixty_four_bit = (case.facts.format)
        .is_some_and(|f| matches!(f.container, Container::Rf64 | Container::Bw64));
    match sixty_four_bit {
        true => by_oddity(case, OddityKind::SizesDisagree),
        false => read_from(adm(case), |_| case.none_found()),
    }
}

fn unknown_chunks(case: &Case) -> Reading {
    read_from(adm(case), |_| {
        let found = (case.facts.metadata.chunks.iter())
            .filter(|chunk| !KNOWN_CHUNKS.contains(&chunk.id.as_str()))
            .map(|chunk| {
                let says = format!(
                    "the chunk {:?} of {} bytes is kept and not read",
                    chunk.id, chunk.bytes
                );
                Found::new(Severity::Note, format!("chunk {}", chunk.id.trim()), says)
            })
            .collect();
        told(case, found)
    })
}

fn stated_sample_rate(case: &Case) -> Reading {
    let real = case.facts.format.map(|format| format.sample_rate.value());
    stated(case, real, "sample rate", "Hz", |uid| uid.sample_rate)
}

fn stated_bit_depth(case: &Case) -> Reading {
    let real = case.facts.format.and_then(|format| format.bit_depth);
    stated(case, real.map(u32::from), "bit depth", "bit", |uid| {
        uid.bit_depth
    })
}

/// What the metadata state of the tracks' format, against the header.
fn stated(
    case: &Case,
    real: Option<u32>,
    what: &str,
    unit: &str,
    of: impl Fn(&crate::adm::model::AudioTrackUid) -> Option<u32>,
) -> Reading {
    read_from(adm(case), |adm| {
        let Some(real) = real else {
            return Reading::not_measured(NotMeasured::Compressed);
        };
        let mut wrong = (adm.model.track_uids.iter())
            .filter_map(|uid| Some((uid, of(uid).filter(|stated| *stated != real)?)));
        let found = wrong.next().map(|(uid, stated)| {
            let says = format!(
                "the metadata state a {what} of {stated} {unit}, the file has {real} {unit}"
            );
            Found {
                count: 1 + wrong.count() as u64,
                ..Found::new(case.check.severity, uid.id.clone(), says)
            }
        });
        match told(case, found.into_iter().collect()) {
            Reading::Fault(fault) => {
                // Not the element but the figures tell what is wrong.
                let detail = Some(fault.says.clone());
                Reading::Fault(crate::judge::reading::Fault { detail, ..fault })
            }
            other => other,
        }
    })
}

fn audio_empty(case: &Case) -> Reading {
    read_from(adm(case), |_| match case.facts.measurements {
        None => Reading::not_measured(NotMeasured::Unread),
        Some(measured) if measured.frames.0 == 0 => told(
            case,
            vec![Found::new(
                Severity::Stop,
                "file",
                "the file has no frames of audio".into(),
            )],
        ),
        Some(_) => case.none_found(),
    })
}
