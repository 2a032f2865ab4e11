//! Limits of the trade on what an immersive master holds: common practice, no source.

use super::AudioFacts;
use super::reach::{PackChannels, Reach};
use crate::adm::Model;
use crate::adm::finding::{Class, Findings, Severity};
use crate::adm::model::{Reference, TypeDefinition};

/// Tracks of a file.
const TRACKS: u16 = 128;
/// Tracks of objects: what a bed of ten leaves of 128.
const OBJECTS: usize = 118;
/// Channels of a bed: 7.1.2.
const BED: usize = 10;

pub(super) fn check(model: &Model, facts: &AudioFacts, reach: &Reach, findings: &mut Findings) {
    if facts.tracks > TRACKS {
        findings.of(
            Class::LimitTracks,
            Severity::Fail,
            "file",
            format!(
                "the file has {} tracks; {TRACKS} at most are taken",
                facts.tracks
            ),
        );
    }
    let objects = model
        .track_uids
        .iter()
        .zip(&reach.uids)
        .filter(|(uid, used)| {
            **used
                && model.channel_of(uid).is_some_and(|channel| {
                    model.channels[channel].type_definition == TypeDefinition::Objects
                })
        })
        .count();
    if objects > OBJECTS {
        findings.of(
            Class::LimitObjects,
            Severity::Fail,
            "file",
            format!("the file has {objects} tracks of objects; {OBJECTS} at most are taken"),
        );
    }
    let mut packs = PackChannels::of(model);
    for (object, _) in model
        .objects
        .iter()
        .zip(&reach.objects)
        .filter(|(_, used)| **used)
    {
        for pack in object.packs.iter().filter_map(Reference::index) {
            if model.packs[pack].type_definition != TypeDefinition::DirectSpeakers {
                continue;
            }
            let channels = packs.get(pack).len();
            if channels > BED {
                findings.of(
                    Class::LimitBedWidth,
                    Severity::Warn,
                    &object.id,
                    format!(
                        "the bed {} of {} has {channels} channels; a bed of 7.1.2 has {BED}, and wider ones are often not taken",
                        model.packs[pack].id, object.id
                    ),
                );
            }
        }
    }
}
