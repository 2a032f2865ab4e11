//! Faults that the metadata alone do not show: in the container, in the sound, in the figures
//! that the file states of itself.

use super::Found;
use crate::adm::model::LoudnessMetadata;
use crate::judge::catalogue::Check;
use crate::judge::facts::Facts;
use crate::measure::{Immersive, ItemFacts, ItemKind, Measurements};
use crate::profile::Severity;
use crate::specimen::{Bext, Container, OddityKind};

/// Under this an object counts as silent: own choice, as for channels.
const SILENT_DBFS: f64 = -80.0;
/// A figure stated may differ from the one read by this much: own choice, five times what EBU
/// Tech 3341 allows a meter.
const STATED_LU: f64 = 0.5;
const STATED_DB: f64 = 0.5;

/// Chunks that a standard of the trade names (BS.2088-1; EBU Tech 3285; RIFF).
const KNOWN_CHUNKS: &[&str] = &[
    "fmt ", "data", "ds64", "axml", "bxml", "sxml", "chna", "bext", "iXML", "LIST", "cue ", "fact",
    "id3 ", "ID3 ", "JUNK", "junk", "PAD ", "FLLR", "r64m", "umid", "MD5 ", "levl", "link", "qlty",
    "mext", "afsp", "smpl", "inst", "plst", "labl", "note", "peak", "PEAK", "cart",
];

pub(super) fn found(check: &Check, facts: &Facts) -> Vec<Found> {
    let by_oddity = |kind: OddityKind| {
        let found = facts
            .oddities
            .iter()
            .filter(move |oddity| oddity.kind == kind);
        found
            .map(|oddity| Found {
                severity: check.severity,
                subject: "file".into(),
                says: oddity.says.clone(),
                // An oddity counts bytes and samples as well as faults.
                count: 1,
                at_s: oddity.at.map(|at| at.0),
            })
            .collect()
    };
    let sixty_four_bit = facts
        .format
        .is_some_and(|f| matches!(f.container, Container::Rf64 | Container::Bw64));
    match check.id {
        "immersive.file-truncated" => by_oddity(OddityKind::DataTruncated),
        "immersive.ds64-missing" => by_oddity(OddityKind::Ds64Missing),
        "immersive.ds64-size" if sixty_four_bit => by_oddity(OddityKind::SizesDisagree),
        "immersive.chunk-padding" => by_oddity(OddityKind::PadMissing),
        "immersive.chunk-duplicate" => by_oddity(OddityKind::ChunkTwice),
        "immersive.format-fmt" => by_oddity(OddityKind::FormatFields),
        "immersive.chunk-unknown" => unknown_chunks(facts),
        "immersive.format-sample-rate" | "immersive.format-bit-depth" => {
            stated_format(check, facts)
        }
        "immersive.audio-empty" => {
            let empty = facts
                .measurements
                .is_some_and(|measured| measured.frames.0 == 0);
            empty
                .then(|| {
                    one(
                        Severity::Stop,
                        "file",
                        "the file has no frames of audio".into(),
                    )
                })
                .into_iter()
                .collect()
        }
        "immersive.loudness-metadata-disagrees" => stated_loudness(facts),
        "immersive.bext-loudness-disagrees" => stated_bext(facts),
        _ => match facts
            .measurements
            .and_then(|measured| measured.immersive.as_deref())
        {
            Some(immersive) => of_items(check, immersive),
            None => Vec::new(),
        },
    }
}

fn one(severity: Severity, subject: impl Into<String>, says: String) -> Found {
    Found {
        severity,
        subject: subject.into(),
        says,
        count: 1,
        at_s: None,
    }
}

fn unknown_chunks(facts: &Facts) -> Vec<Found> {
    facts
        .metadata
        .chunks
        .iter()
        .filter(|chunk| !KNOWN_CHUNKS.contains(&chunk.id.as_str()))
        .map(|chunk| {
            let says = format!(
                "the chunk {:?} of {} bytes is kept and not read",
                chunk.id, chunk.bytes
            );
            one(Severity::Note, format!("chunk {}", chunk.id.trim()), says)
        })
        .collect()
}

fn stated_format(check: &Check, facts: &Facts) -> Vec<Found> {
    let (Some(adm), Some(format)) = (facts.adm, facts.format) else {
        return Vec::new();
    };
    let by_rate = check.id.ends_with("sample-rate");
    let (what, unit, real) = match by_rate {
        true => ("sample rate", "Hz", Some(format.sample_rate.value())),
        false => ("bit depth", "bit", format.bit_depth.map(u32::from)),
    };
    let Some(real) = real else { return Vec::new() };
    let mut wrong = adm.model.track_uids.iter().filter_map(|uid| {
        let stated = if by_rate {
            uid.sample_rate
        } else {
            uid.bit_depth
        }?;
        (stated != real).then_some((uid, stated))
    });
    let Some((uid, stated)) = wrong.next() else {
        return Vec::new();
    };
    let says =
        format!("the metadata state a {what} of {stated} {unit}, the file has {real} {unit}");
    let mut found = one(check.severity, uid.id.clone(), says);
    found.count += wrong.count() as u64;
    vec![found]
}

fn of_items(check: &Check, immersive: &Immersive) -> Vec<Found> {
    let objects = immersive
        .items
        .iter()
        .filter(|item| item.kind == ItemKind::Object);
    let element = |item: &ItemFacts| item.object.clone().unwrap_or_else(|| item.channel.clone());
    match check.id {
        "immersive.object-silent" => objects
            .filter(|item| !item.muted)
            .filter(|item| {
                item.sample_peak_dbfs
                    .is_none_or(|peak| peak.value() < SILENT_DBFS)
            })
            .map(|item| {
                let says = format!("the object \"{}\" is silent throughout", item.name);
                one(check.severity, element(item), says)
            })
            .collect(),
        "immersive.object-muted" => immersive
            .items
            .iter()
            .filter(|item| item.muted)
            .map(|item| {
                let says = format!("\"{}\" is muted throughout", item.name);
                one(check.severity, element(item), says)
            })
            .collect(),
        "immersive.objects-static" => {
            let all = objects.clone().count();
            let still: Vec<&ItemFacts> = objects
                .filter(|item| item.blocks > 2 && item.positions == 1)
                .collect();
            let every = all > 1 && still.len() == all;
            still
                .iter()
                .map(|item| {
                    let says = format!(
                        "the object \"{}\" has {} blocks and stays in one place",
                        item.name, item.blocks
                    );
                    let severity = if every {
                        Severity::Advise
                    } else {
                        Severity::Note
                    };
                    one(severity, element(item), says)
                })
                .collect()
        }
        _ => Vec::new(),
    }
}

/// The render that stated figures are held against: the main one.
fn main_render<'a>(facts: &Facts<'a>) -> Option<&'a Measurements> {
    facts.measurements?.immersive.as_ref()?.renders.first()
}

struct Stated {
    integrated: Option<f64>,
    true_peak: Option<f64>,
}

/// What a statement gets wrong, in words.
fn wrong(stated: &Stated, read: &Measurements) -> Option<String> {
    let on = read
        .measured_on
        .as_ref()
        .map_or("the render", |on| on.layout.as_str());
    let integrated = read
        .loudness
        .as_ref()
        .and_then(|l| l.integrated_lufs)
        .map(|l| l.value());
    let peak = read.peaks.true_peak_dbtp.map(|peak| peak.value());
    let apart = |stated: Option<f64>, read: Option<f64>, by: f64| {
        stated
            .zip(read)
            .filter(|(stated, read)| (stated - read).abs() > by)
    };
    let mut parts = Vec::new();
    if let Some((said, read)) = apart(stated.integrated, integrated, STATED_LU) {
        parts.push(format!(
            "an integrated loudness of {said:.1} LUFS where {on} reads {read:.1}"
        ));
    }
    if let Some((said, read)) = apart(stated.true_peak, peak, STATED_DB) {
        parts.push(format!(
            "a true peak of {said:.1} dBTP where {on} reads {read:.1}"
        ));
    }
    (!parts.is_empty()).then(|| parts.join(", and "))
}

fn stated_loudness(facts: &Facts) -> Vec<Found> {
    let (Some(adm), Some(read)) = (facts.adm, main_render(facts)) else {
        return Vec::new();
    };
    let Some(programme) = adm.scene.and_then(|scene| scene.programme) else {
        return Vec::new();
    };
    let programme = &adm.model.programmes[programme];
    let layout = read
        .measured_on
        .as_ref()
        .map_or("", |on| on.layout.as_str());
    // A statement that names another layout is about another sound.
    let about_this = |loudness: &&LoudnessMetadata| {
        loudness.renderers.is_empty() || loudness.renderers.iter().any(|r| r.contains(layout))
    };
    programme
        .loudness
        .iter()
        .filter(about_this)
        .filter_map(|loudness| {
            let stated = Stated {
                integrated: loudness.integrated_lufs,
                true_peak: loudness.max_true_peak_dbtp,
            };
            let says = wrong(&stated, read)?;
            Some(one(
                Severity::Advise,
                programme.id.clone(),
                format!("the metadata state {says}"),
            ))
        })
        .collect()
}

fn stated_bext(facts: &Facts) -> Vec<Found> {
    let Some(read) = main_render(facts) else {
        return Vec::new();
    };
    let stated = |bext: &Bext| Stated {
        integrated: bext.loudness_lufs,
        true_peak: bext.max_true_peak_dbtp,
    };
    facts
        .metadata
        .bext
        .as_ref()
        .and_then(|bext| wrong(&stated(bext), read))
        .map(|says| {
            one(
                Severity::Advise,
                "bext",
                format!("the bext chunk states {says}"),
            )
        })
        .into_iter()
        .collect()
}
