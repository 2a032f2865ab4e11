//! References that point at nothing, and ids that stand for two things.
//!
//! Source: ITU-R BS.2076-3, clauses 5.6.2 and 6.

use std::collections::{HashMap, HashSet};

use crate::adm::Model;
use crate::adm::block::Blocks;
use crate::adm::finding::{Class, Findings, Severity};
use crate::adm::model::Reference;
use crate::adm::parse::block_name;

pub(super) fn check(model: &Model, findings: &mut Findings) {
    dangling(model, findings);
    alternative_values(model, findings);
    duplicates(model, findings);
}

/// One element's references of one kind.
fn each<'a, T: 'a>(
    findings: &mut Findings,
    kind: &str,
    id: &str,
    wanted: &str,
    references: impl IntoIterator<Item = &'a Reference<T>>,
) {
    for reference in references {
        if reference.target.is_none() {
            findings.add(Class::AdmDanglingReference, Severity::Fail, id, None, || {
                (
                    id.to_owned(),
                    format!(
                        "{kind} {id} -> {}: there is no {wanted} with this id in the file or the common definitions",
                        reference.id
                    ),
                )
            });
        }
    }
}

fn dangling(model: &Model, findings: &mut Findings) {
    for programme in &model.programmes {
        each(
            findings,
            "audioProgramme",
            &programme.id,
            "audioContent",
            &programme.contents,
        );
    }
    for content in &model.contents {
        each(
            findings,
            "audioContent",
            &content.id,
            "audioObject",
            &content.objects,
        );
    }
    for object in &model.objects {
        let id = &object.id;
        each(
            findings,
            "audioObject",
            id,
            "audioPackFormat",
            &object.packs,
        );
        each(
            findings,
            "audioObject",
            id,
            "audioTrackUID",
            object.track_uids.iter().flatten(),
        );
        each(findings, "audioObject", id, "audioObject", &object.objects);
        each(
            findings,
            "audioObject",
            id,
            "audioObject",
            &object.complementary,
        );
    }
    for pack in model.packs.iter().filter(|pack| !pack.common) {
        let packs = crate::adm::resolve::pack_packs(pack);
        each(
            findings,
            "audioPackFormat",
            &pack.id,
            "audioPackFormat",
            packs,
        );
        each(
            findings,
            "audioPackFormat",
            &pack.id,
            "audioChannelFormat",
            &pack.channels,
        );
    }
    for channel in model.channels.iter().filter(|channel| !channel.common) {
        if let Blocks::Matrix(blocks) = &channel.blocks {
            for block in blocks {
                let inputs = block
                    .coefficients
                    .iter()
                    .map(|coefficient| &coefficient.input_channel);
                let all = inputs.chain(&block.output_channel);
                each(
                    findings,
                    "audioChannelFormat",
                    &channel.id,
                    "audioChannelFormat",
                    all,
                );
            }
        }
    }
    for stream in model.streams.iter().filter(|stream| !stream.common) {
        let id = &stream.id;
        each(
            findings,
            "audioStreamFormat",
            id,
            "audioChannelFormat",
            &stream.channel,
        );
        each(
            findings,
            "audioStreamFormat",
            id,
            "audioPackFormat",
            &stream.pack,
        );
        each(
            findings,
            "audioStreamFormat",
            id,
            "audioTrackFormat",
            &stream.tracks,
        );
    }
    for track in model.track_formats.iter().filter(|track| !track.common) {
        each(
            findings,
            "audioTrackFormat",
            &track.id,
            "audioStreamFormat",
            &track.stream,
        );
    }
    for uid in &model.track_uids {
        each(
            findings,
            "audioTrackUID",
            &uid.id,
            "audioTrackFormat",
            &uid.track_format,
        );
        each(
            findings,
            "audioTrackUID",
            &uid.id,
            "audioChannelFormat",
            &uid.channel,
        );
        each(
            findings,
            "audioTrackUID",
            &uid.id,
            "audioPackFormat",
            &uid.pack,
        );
    }
}

/// Sets that a programme or content takes must stand in some object (BS.2076-2, clause 5.6.6).
fn alternative_values(model: &Model, findings: &mut Findings) {
    let known: HashSet<String> = model
        .objects
        .iter()
        .flat_map(|object| &object.alternative_values)
        .map(|set| set.id.to_ascii_lowercase())
        .collect();
    let users = model
        .programmes
        .iter()
        .map(|programme| (&programme.id, &programme.alternative_values))
        .chain(
            model
                .contents
                .iter()
                .map(|content| (&content.id, &content.alternative_values)),
        );
    for (id, sets) in users {
        for set in sets
            .iter()
            .filter(|set| !known.contains(&set.to_ascii_lowercase()))
        {
            findings.add(
                Class::AdmDanglingReference,
                Severity::Fail,
                id,
                None,
                || {
                    (
                        id.clone(),
                        format!(
                            "{id} -> {set}: no audioObject has an alternativeValueSet with this id"
                        ),
                    )
                },
            );
        }
    }
}

fn duplicates(model: &Model, findings: &mut Findings) {
    let mut twice = |kind: &str, ids: &mut dyn Iterator<Item = &str>| {
        let mut counts: HashMap<String, u64> = HashMap::new();
        for id in ids.filter(|id| !id.is_empty()) {
            let count = counts.entry(id.to_ascii_lowercase()).or_default();
            *count += 1;
            if *count > 1 {
                findings.add(Class::AdmDuplicateId, Severity::Fail, id, None, || {
                    (
                        id.to_owned(),
                        format!("more than one {kind} has the id {id}; the first is taken"),
                    )
                });
            }
        }
    };
    twice(
        "audioProgramme",
        &mut model.programmes.iter().map(|e| e.id.as_str()),
    );
    twice(
        "audioContent",
        &mut model.contents.iter().map(|e| e.id.as_str()),
    );
    twice(
        "audioObject",
        &mut model.objects.iter().map(|e| e.id.as_str()),
    );
    twice(
        "audioPackFormat",
        &mut model.packs.iter().map(|e| e.id.as_str()),
    );
    twice(
        "audioChannelFormat",
        &mut model.channels.iter().map(|e| e.id.as_str()),
    );
    twice(
        "audioStreamFormat",
        &mut model.streams.iter().map(|e| e.id.as_str()),
    );
    twice(
        "audioTrackFormat",
        &mut model.track_formats.iter().map(|e| e.id.as_str()),
    );
    twice(
        "audioTrackUID",
        &mut model.track_uids.iter().map(|e| e.id.as_str()),
    );
    let mut sets = model
        .objects
        .iter()
        .flat_map(|object| &object.alternative_values)
        .map(|set| set.id.as_str());
    twice("alternativeValueSet", &mut sets);
    for channel in model.channels.iter().filter(|channel| !channel.common) {
        block_numbers(&channel.id, &channel.blocks, findings);
    }
}

/// Block ids are referred to by nothing, so a doubled one harms no render.
fn block_numbers(id: &str, blocks: &Blocks, findings: &mut Findings) {
    if blocks
        .times()
        .map(|(_, number)| number)
        .is_sorted_by(|a, b| a < b)
    {
        return;
    }
    let mut numbers: Vec<u32> = blocks.times().map(|(_, number)| number).collect();
    numbers.sort_unstable();
    for pair in numbers.windows(2).filter(|pair| pair[0] == pair[1]) {
        findings.add(Class::AdmDuplicateId, Severity::Warn, id, None, || {
            (
                block_name(id, pair[0]),
                "two blocks of the channel have the same id".to_owned(),
            )
        });
    }
}
