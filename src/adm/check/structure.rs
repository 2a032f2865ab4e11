//! The shape of the metadata: loops, programmes, types, and ids that say their type.
//!
//! Source: ITU-R BS.2076-3, clauses 5 and 6; ITU-R BS.2127-1, clause 5.

use super::reach::Reach;
use crate::adm::Model;
use crate::adm::block::Blocks;
use crate::adm::finding::{Class, Findings, Severity};
use crate::adm::model::{Reference, TypeDefinition};

pub(super) fn check(model: &Model, reach: &Reach, findings: &mut Findings) {
    programme(model, findings);
    loops(model, findings);
    types(model, findings);
    coded(model, reach, findings);
    ids(model, findings);
}

fn programme(model: &Model, findings: &mut Findings) {
    // Without axml there is nothing of the file's own, and that is told as axml-missing.
    let only_chna = model.contents.is_empty()
        && model.objects.is_empty()
        && model.packs.iter().all(|pack| pack.common)
        && model.channels.iter().all(|channel| channel.common)
        && model.track_uids.iter().all(|uid| uid.from_chna);
    if model.programmes.is_empty() && !only_chna {
        findings.of(
            Class::AdmProgrammeMissing,
            Severity::Fail,
            "axml",
            "axml has no audioProgramme; a renderer then plays every object".to_owned(),
        );
    }
}

fn loops(model: &Model, findings: &mut Findings) {
    let targets =
        |references: &[Reference<_>]| references.iter().filter_map(Reference::index).collect();
    let mut tell = |kind: &str, ids: &dyn Fn(usize) -> String, found: Vec<Vec<usize>>| {
        for path in found {
            let shown: Vec<String> = path.iter().take(10).map(|&node| ids(node)).collect();
            findings.of(
                Class::AdmObjectLoop,
                Severity::Fail,
                &ids(path[0]),
                format!(
                    "{kind} refer to each other in a circle: {}",
                    shown.join(" -> ")
                ),
            );
        }
    };
    let object_id = |node: usize| model.objects[node].id.clone();
    let found = circles(model.objects.len(), |node| {
        targets(&model.objects[node].objects)
    });
    tell("audioObjects", &object_id, found);
    let found = circles(model.objects.len(), |node| {
        targets(&model.objects[node].complementary)
    });
    tell("complementary audioObjects", &object_id, found);
    let found = circles(model.packs.len(), |node| {
        model.packs[node]
            .packs
            .iter()
            .filter_map(Reference::index)
            .collect()
    });
    tell(
        "audioPackFormats",
        &|node| model.packs[node].id.clone(),
        found,
    );
}

/// One path for each reference that closes a circle: the first node stands at its end again.
fn circles(nodes: usize, children: impl Fn(usize) -> Vec<usize>) -> Vec<Vec<usize>> {
    #[derive(Clone, Copy, PartialEq)]
    enum State {
        New,
        Open,
        Done,
    }
    let mut state = vec![State::New; nodes];
    let mut found = Vec::new();
    // An explicit stack: nesting is as deep as the file likes.
    let mut path: Vec<(usize, std::vec::IntoIter<usize>)> = Vec::new();
    for root in 0..nodes {
        if state[root] != State::New {
            continue;
        }
        state[root] = State::Open;
        path.push((root, children(root).into_iter()));
        while let Some((node, rest)) = path.last_mut() {
            let node = *node;
            match rest.next() {
                Some(child) if state[child] == State::New => {
                    state[child] = State::Open;
                    path.push((child, children(child).into_iter()));
                }
                Some(child) if state[child] == State::Open && found.len() < 100 => {
                    let open = path.iter().map(|(node, _)| *node);
                    let mut circle: Vec<usize> = open.skip_while(|&node| node != child).collect();
                    circle.push(child);
                    found.push(circle);
                }
                Some(_) => {}
                None => {
                    state[node] = State::Done;
                    path.pop();
                }
            }
        }
    }
    found
}

fn types(model: &Model, findings: &mut Findings) {
    let unknown = |findings: &mut Findings, kind: &str, id: &str| {
        findings.of(
            Class::AdmTypeUnknown,
            Severity::Fail,
            id,
            format!(
                "{kind} {id} has a type that BS.2076 does not know; DirectSpeakers, Matrix, Objects, HOA or Binaural is wanted"
            ),
        );
    };
    for pack in model.packs.iter().filter(|pack| !pack.common) {
        if pack.type_definition == TypeDefinition::Unknown {
            unknown(findings, "audioPackFormat", &pack.id);
            continue;
        }
        let inner = pack
            .packs
            .iter()
            .filter_map(Reference::index)
            .map(|inner| &model.packs[inner]);
        let inner = inner.map(|inner| (&inner.id, inner.type_definition));
        let channels = pack.channels.iter().filter_map(Reference::index);
        let channels = channels.map(|channel| &model.channels[channel]);
        let channels = channels.map(|channel| (&channel.id, channel.type_definition));
        for (id, other) in inner.chain(channels) {
            if other != pack.type_definition && other != TypeDefinition::Unknown {
                findings.add(Class::AdmIdType, Severity::Fail, &pack.id, None, || {
                    (
                        pack.id.clone(),
                        format!(
                            "{} is of type {:?} and holds {id} of type {other:?}",
                            pack.id, pack.type_definition
                        ),
                    )
                });
            }
        }
    }
    for channel in model.channels.iter().filter(|channel| !channel.common) {
        match &channel.blocks {
            Blocks::Unknown(_) => unknown(findings, "audioChannelFormat", &channel.id),
            Blocks::Hoa(blocks) if blocks.len() > 1 => findings.of(
                Class::AdmTypeUnsupported,
                Severity::Fail,
                &channel.id,
                format!(
                    "the HOA channel has {} blocks; one is rendered",
                    blocks.len()
                ),
            ),
            Blocks::Matrix(blocks) if blocks.len() > 1 => findings.of(
                Class::AdmTypeUnsupported,
                Severity::Fail,
                &channel.id,
                format!(
                    "the Matrix channel has {} blocks; one is rendered",
                    blocks.len()
                ),
            ),
            _ => {}
        }
    }
}

/// Tracks in use whose content a renderer for loudspeakers does not play.
fn coded(model: &Model, reach: &Reach, findings: &mut Findings) {
    for (uid, _) in model
        .track_uids
        .iter()
        .zip(&reach.uids)
        .filter(|(_, used)| **used)
    {
        let unsupported = |findings: &mut Findings, says: String| {
            findings.of(Class::AdmTypeUnsupported, Severity::Fail, &uid.id, says);
        };
        if let Some(channel) = model.channel_of(uid)
            && model.channels[channel].type_definition == TypeDefinition::Binaural
        {
            unsupported(
                findings,
                format!(
                    "{} carries the Binaural channel {}, which is not rendered to loudspeakers",
                    uid.id, model.channels[channel].id
                ),
            );
        }
        let track = uid.track_format.as_ref().and_then(Reference::index);
        let stream = track.and_then(|track| model.track_formats[track].stream.as_ref()?.index());
        if let Some(stream) = stream.map(|stream| &model.streams[stream]) {
            let format = stream.format.as_deref().map(str::trim);
            if !matches!(format, None | Some("PCM" | "0001")) {
                unsupported(
                    findings,
                    format!(
                        "{} is {} by {}; PCM is rendered",
                        uid.id,
                        format.unwrap_or_default(),
                        stream.id
                    ),
                );
            } else if stream.channel.is_none() {
                unsupported(
                    findings,
                    format!(
                        "{} refers to no audioChannelFormat, so {} is not rendered",
                        stream.id, uid.id
                    ),
                );
            }
        } else if let Some(track) = track
            && model.track_formats[track].stream.is_none()
        {
            let track = &model.track_formats[track];
            findings.of(
                Class::AdmDanglingReference,
                Severity::Fail,
                &track.id,
                format!(
                    "audioTrackFormat {} refers to no audioStreamFormat, and none to it",
                    track.id
                ),
            );
        }
        if uid.track_format.is_none() && uid.channel.is_none() {
            findings.of(
                Class::AdmDanglingReference,
                Severity::Fail,
                &uid.id,
                format!(
                    "audioTrackUID {} refers to no track or channel format",
                    uid.id
                ),
            );
        } else if uid.pack.is_none() {
            findings.of(
                Class::AdmDanglingReference,
                Severity::Fail,
                &uid.id,
                format!("audioTrackUID {} refers to no audioPackFormat", uid.id),
            );
        }
    }
}

/// Ids have a head, digits, and for packs and channels the type in the first four of them.
fn ids(model: &Model, findings: &mut Findings) {
    // Lengths of the hexadecimal groups behind the head.
    fn well_formed(id: &str, head: &str, groups: &[usize]) -> bool {
        let Some(rest) = id
            .get(..head.len())
            .filter(|start| start.eq_ignore_ascii_case(head))
            .map(|_| &id[head.len()..])
        else {
            return false;
        };
        let parts: Vec<&str> = rest.split('_').collect();
        parts.len() == groups.len()
            && parts.iter().zip(groups).all(|(part, &length)| {
                part.len() == length && part.bytes().all(|byte| byte.is_ascii_hexdigit())
            })
    }
    let mut form = |id: &str, head: &str, groups: &[usize], shape: &str| {
        let good = id.is_empty() || well_formed(id, head, groups);
        if !good {
            findings.of(
                Class::AdmIdType,
                Severity::Warn,
                id,
                format!("the id {id} has not the form {shape}"),
            );
        }
        good
    };
    for programme in &model.programmes {
        form(&programme.id, "APR_", &[4], "APR_wwww");
    }
    for content in &model.contents {
        form(&content.id, "ACO_", &[4], "ACO_wwww");
    }
    for object in &model.objects {
        form(&object.id, "AO_", &[4], "AO_wwww");
    }
    for stream in model.streams.iter().filter(|stream| !stream.common) {
        form(&stream.id, "AS_", &[8], "AS_yyyyxxxx");
    }
    for track in model.track_formats.iter().filter(|track| !track.common) {
        form(&track.id, "AT_", &[8, 2], "AT_yyyyxxxx_zz");
    }
    for uid in &model.track_uids {
        form(&uid.id, "ATU_", &[8], "ATU_vvvvvvvv");
    }
    let mut typed = Vec::new();
    for pack in model.packs.iter().filter(|pack| !pack.common) {
        if form(&pack.id, "AP_", &[8], "AP_yyyyxxxx") {
            typed.push((&pack.id, pack.type_definition));
        }
    }
    for channel in model.channels.iter().filter(|channel| !channel.common) {
        if form(&channel.id, "AC_", &[8], "AC_yyyyxxxx") {
            typed.push((&channel.id, channel.type_definition));
        }
    }
    for (id, definition) in typed {
        let by_id = id
            .get(3..7)
            .and_then(|digits| u16::from_str_radix(digits, 16).ok());
        if let (Some(by_id), Some(number)) = (by_id, definition.number())
            && by_id != number
        {
            findings.of(
                Class::AdmIdType,
                Severity::Warn,
                id,
                format!(
                    "{id} is of type {definition:?} ({number:04x}) and its id says {by_id:04x}"
                ),
            );
        }
    }
}
