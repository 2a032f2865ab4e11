//! audioObjects against the blocks, packs and tracks that they hold, and against the file.
//!
//! Source: ITU-R BS.2127-1, clause 6 (timing of blocks); ITU-R BS.2076-3, clauses 5.6 and 5.9.

use std::collections::HashMap;

use super::AudioFacts;
use super::reach::{PackChannels, Reach, packs_in};
use crate::adm::Model;
use crate::adm::block::{BlockNumber, BlockTime};
use crate::adm::finding::{Class, Findings, Severity};
use crate::adm::model::{AudioObject, Reference, TypeDefinition};
use crate::adm::parse::block_name;
use crate::adm::time::{AdmTime, Instant};

pub(super) fn check(model: &Model, facts: &AudioFacts, reach: &Reach, findings: &mut Findings) {
    // The end of a channel is looked for once, however many objects hold it.
    let mut ends: HashMap<usize, Option<(Instant, BlockTime, BlockNumber)>> = HashMap::new();
    let mut channels = PackChannels::of(model);
    for (object, &used) in model.objects.iter().zip(&reach.objects) {
        outside_file(object, facts, findings);
        if let Some(duration) = object.duration {
            for channel in
                tracks_of(object).filter_map(|uid| model.channel_of(&model.track_uids[uid]))
            {
                let channel_format = &model.channels[channel];
                let end = *ends
                    .entry(channel)
                    .or_insert_with(|| last_end(channel_format.blocks.times()));
                if let Some((end, time, number)) = end {
                    outside_object(
                        object,
                        duration,
                        &channel_format.id,
                        (end, time, number),
                        facts,
                        findings,
                    );
                }
            }
        }
        if used {
            packs_and_tracks(model, object, &mut channels, findings);
        }
    }
}

fn tracks_of(object: &AudioObject) -> impl Iterator<Item = usize> + '_ {
    object
        .track_uids
        .iter()
        .flatten()
        .filter_map(Reference::index)
}

fn last_end(
    times: impl Iterator<Item = (BlockTime, BlockNumber)>,
) -> Option<(Instant, BlockTime, BlockNumber)> {
    times
        .filter_map(|(time, number)| {
            let end = time.rtime?.instant().plus(time.duration?.instant());
            Some((end, time, number))
        })
        .max_by(|a, b| a.0.cmp(&b.0))
}

/// One sample period: times with five decimals cannot hit sample borders, so what is off by
/// no more is rounding (common practice, no source).
pub(super) fn sample_period(facts: &AudioFacts) -> Instant {
    Instant::new(1, u128::from(facts.sample_rate.max(1)))
}

fn outside_object(
    object: &AudioObject,
    duration: AdmTime,
    channel: &str,
    (end, time, number): (Instant, BlockTime, BlockNumber),
    facts: &AudioFacts,
    findings: &mut Findings,
) {
    let last = duration.instant();
    if end <= last {
        return;
    }
    let rounding = end <= last.plus(sample_period(facts));
    let severity = if rounding {
        Severity::Note
    } else {
        Severity::Fail
    };
    let key = format!("{} {channel}", object.id);
    let at = time.rtime.map(AdmTime::seconds);
    findings.add(Class::AdmBlockOutsideObject, severity, &key, at, || {
        (
            block_name(channel, number),
            format!(
                "the last block ends at {:.5} s and its object {} lasts {:.5} s",
                end.seconds(),
                object.id,
                duration.seconds()
            ),
        )
    });
}

/// ITU-R BS.2076-3, clause 5.6.1: start and duration of an object lie within the programme, and
/// its sound is in the file.
fn outside_file(object: &AudioObject, facts: &AudioFacts, findings: &mut Findings) {
    if facts.frames == 0 || (object.start.is_none() && object.duration.is_none()) {
        return;
    }
    let file = Instant::new(facts.frames.into(), u128::from(facts.sample_rate.max(1)));
    let start = object.start.map_or(Instant::ZERO, AdmTime::instant);
    let end = object
        .duration
        .map(|duration| start.plus(duration.instant()));
    if start >= file {
        findings.of(
            Class::AdmObjectOutsideFile,
            Severity::Fail,
            &object.id,
            format!(
                "{} begins at {:.5} s and the file ends at {:.5} s, so it is never heard",
                object.id,
                start.seconds(),
                file.seconds()
            ),
        );
    } else if let Some(end) = end
        && end > file.plus(sample_period(facts))
    {
        findings.of(
            Class::AdmObjectOutsideFile,
            Severity::Warn,
            &object.id,
            format!(
                "{} ends at {:.5} s and the file at {:.5} s",
                object.id,
                end.seconds(),
                file.seconds()
            ),
        );
    }
}

/// Every track of an object carries a channel of its packs, and every channel has a track.
///
/// Matrix packs go by their own rules (their tracks may carry the input's channels), so they are
/// left out.
fn packs_and_tracks(
    model: &Model,
    object: &AudioObject,
    channels: &mut PackChannels,
    findings: &mut Findings,
) {
    let id = &object.id;
    let whole = object.packs.iter().all(|pack| pack.target.is_some());
    let packs: Vec<usize> = object.packs.iter().filter_map(Reference::index).collect();
    let of_type = |kind: TypeDefinition| {
        packs
            .iter()
            .any(|&pack| model.packs[pack].type_definition == kind)
    };
    if !whole || of_type(TypeDefinition::Matrix) || of_type(TypeDefinition::Unknown) {
        return;
    }
    if packs.is_empty() {
        if !object.track_uids.is_empty() {
            findings.of(
                Class::AdmDanglingReference,
                Severity::Fail,
                id,
                format!("audioObject {id} refers to tracks and to no audioPackFormat"),
            );
        }
        return;
    }
    let inner: Vec<usize> = packs
        .iter()
        .flat_map(|&pack| packs_in(model, pack))
        .collect();
    let wanted: usize = packs.iter().map(|&pack| channels.get(pack).len()).sum();
    for uid in tracks_of(object) {
        let uid = &model.track_uids[uid];
        if let Some(channel) = model.channel_of(uid)
            && packs
                .iter()
                .all(|&pack| channels.get(pack).binary_search(&channel).is_err())
        {
            findings.add(
                Class::AdmTrackUnreferenced,
                Severity::Fail,
                id,
                None,
                || {
                    (
                        id.clone(),
                        format!(
                            "{} carries {}, which is in none of the packs of {id}",
                            uid.id, model.channels[channel].id
                        ),
                    )
                },
            );
        } else if let Some(pack) = uid.pack.as_ref().and_then(Reference::index)
            && !inner.contains(&pack)
        {
            findings.add(
                Class::AdmTrackUnreferenced,
                Severity::Fail,
                id,
                None,
                || {
                    (
                        id.clone(),
                        format!(
                            "{} belongs to {}, which is none of the packs of {id}",
                            uid.id, model.packs[pack].id
                        ),
                    )
                },
            );
        }
    }
    if object.track_uids.len() < wanted {
        findings.of(
            Class::ChnaMissingUid,
            Severity::Fail,
            id,
            format!(
                "the packs of {id} have {} channels and it refers to {} tracks (ATU_00000000 stands for a silent one)",
                wanted,
                object.track_uids.len()
            ),
        );
    }
}
