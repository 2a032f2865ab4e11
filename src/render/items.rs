//! From a pack with its tracks to what is heard of it (ITU-R BS.2127-1, clause 5.2.8).
//!
//! In: one allocated pack and the way to it. Out: items in the [`Scene`], with what object, pack
//! and alternativeValueSet say of all blocks. Things that cannot be heard together are errors
//! here, with the element's id.

use super::allocation::{self, AllocatedPack, fault};
use super::hoa::{self, Component, Normalization};
use super::scene::{Feed, HoaGroup, Item, Kind, Scene, SceneError};
use crate::adm::block::{BlockTime, Blocks, HoaBlock};
use crate::adm::model::{AlternativeValueSet, AudioObject, Model, PositionOffset, TypeDefinition};
use crate::adm::time::AdmTime;

/// Adds what is heard of `allocated`. `path` leads to its object, outermost first; `content` is
/// where it starts.
pub(super) fn add(
    model: &Model,
    scene: &mut Scene,
    content: Option<usize>,
    path: &[usize],
    allocated: &AllocatedPack,
) -> Result<(), SceneError> {
    let threshold = scene.importance;
    let under = |importance: Option<i64>| {
        threshold
            .zip(importance)
            .is_some_and(|(least, own)| own < least)
    };
    if path
        .iter()
        .any(|&index| under(model.objects[index].importance))
    {
        return Ok(());
    }
    let blank = blank(model, scene, content, path)?;
    let pack = &model.packs[allocated.pack];
    let offset = blank
        .position_offset
        .is_some_and(|offset| !is_nought(offset));
    if offset && pack.type_definition != TypeDefinition::Objects {
        let element = path
            .last()
            .map_or(&pack.id, |&index| &model.objects[index].id);
        return Err(SceneError::Element {
            element: element.clone(),
            says:
                "positionOffset moves objects; loudspeaker and HOA channels have no place to move"
                    .to_owned(),
        });
    }
    let mut hoa = Vec::new();
    for (channel, feed) in &allocated.channels {
        let packs = allocation::pack_path(model, allocated.pack, *channel);
        let heard = !packs
            .iter()
            .any(|&index| under(model.packs[index].importance));
        let format = &model.channels[*channel];
        let kind = match (&format.blocks, pack.type_definition) {
            (Blocks::Objects(_), TypeDefinition::Objects) => Kind::Object { channel: *channel },
            (Blocks::DirectSpeakers(_), TypeDefinition::DirectSpeakers) => Kind::Speaker {
                channel: *channel,
                pack: *packs.last().unwrap_or(&allocated.pack),
            },
            (Blocks::Hoa(blocks), TypeDefinition::Hoa) => {
                let [block] = blocks.as_slice() else {
                    let says = "an HOA channel has one block (BS.2127-1, clause 9)";
                    return Err(of_channel(model, *channel, says));
                };
                hoa.push(HoaChannel {
                    channel: *channel,
                    block,
                    feed,
                    packs,
                    heard,
                });
                continue;
            }
            _ => {
                let says = format!(
                    "a channel of type {:?} in a pack of type {:?} cannot be rendered",
                    format.type_definition, pack.type_definition
                );
                return Err(of_channel(model, *channel, &says));
            }
        };
        if heard {
            scene.items.push(Item {
                kind,
                feeds: vec![feed.clone()],
                absolute_distance: packs
                    .iter()
                    .find_map(|&index| model.packs[index].absolute_distance),
                ..blank.clone()
            });
        }
    }
    // A group is decoded as a whole: it goes when every one of its channels would.
    if hoa.iter().any(|channel| channel.heard) {
        let group = group(model, allocated.pack, &hoa, &under)?;
        scene.items.push(Item {
            kind: Kind::Hoa(group),
            feeds: hoa.iter().map(|channel| channel.feed.clone()).collect(),
            ..blank
        });
    }
    Ok(())
}

/// What the innermost object of `path` says of everything in it.
fn blank(
    model: &Model,
    scene: &Scene,
    content: Option<usize>,
    path: &[usize],
) -> Result<Item, SceneError> {
    if let Some((_, outer)) = path.split_last()
        && let Some(&outer) = outer
            .iter()
            .find(|&&outer| says_something(&model.objects[outer]))
    {
        // Whether such a value reaches the objects within is written nowhere; the reference
        // renderer of BS.2127 (ear, 2024) refuses it as well.
        return Err(SceneError::Element {
            element: model.objects[outer].id.clone(),
            says: "the audioObject holds others, so its gain, mute, positionOffset and \
                   alternativeValueSets have no meaning"
                .to_owned(),
        });
    }
    let object = path.last().map(|&index| &model.objects[index]);
    let set = match object {
        Some(object) => alternative(model, scene.programme, content, object)?,
        None => None,
    };
    let mute = set
        .and_then(|set| set.mute)
        .or(object.map(|object| object.mute));
    let muted = mute.unwrap_or(false);
    let gain = set
        .and_then(|set| set.gain)
        .or(object.map(|object| object.gain));
    Ok(Item {
        kind: Kind::Object { channel: 0 },
        feeds: Vec::new(),
        objects: path.to_vec(),
        gain: if muted { 0.0 } else { gain.unwrap_or(1.0) },
        muted,
        position_offset: set
            .and_then(|set| set.position_offset)
            .or(object.and_then(|object| object.position_offset)),
        start: object.and_then(|object| object.start),
        duration: object.and_then(|object| object.duration),
        absolute_distance: None,
    })
}

fn says_something(object: &AudioObject) -> bool {
    object.gain != 1.0
        || object.mute
        || object.position_offset.is_some()
        || !object.alternative_values.is_empty()
}

fn is_nought(offset: PositionOffset) -> bool {
    let parts = match offset {
        PositionOffset::Polar {
            azimuth,
            elevation,
            distance,
        } => [azimuth, elevation, distance],
        PositionOffset::Cartesian { x, y, z } => [x, y, z],
    };
    parts.iter().all(|part| *part == 0.0)
}

/// The alternativeValueSet of `object` that the programme or the content puts in use.
fn alternative<'a>(
    model: &Model,
    programme: Option<usize>,
    content: Option<usize>,
    object: &'a AudioObject,
) -> Result<Option<&'a AlternativeValueSet>, SceneError> {
    let of_programme = programme.map(|index| &model.programmes[index].alternative_values);
    let of_content = content.map(|index| &model.contents[index].alternative_values);
    let named = of_programme.into_iter().chain(of_content).flatten();
    let mut used: Option<&AlternativeValueSet> = None;
    for id in named {
        let own = object
            .alternative_values
            .iter()
            .find(|set| set.id.eq_ignore_ascii_case(id));
        match (used, own) {
            (_, None) => {}
            (Some(used), Some(own)) if std::ptr::eq(used, own) => {}
            (Some(used), Some(own)) => {
                return Err(SceneError::Element {
                    element: object.id.clone(),
                    says: format!(
                        "alternativeValueSets {} and {} are both in use; one can be heard",
                        used.id, own.id
                    ),
                });
            }
            (None, own) => used = own,
        }
    }
    Ok(used)
}

/// One channel of an HOA pack on the way into its group.
struct HoaChannel<'a> {
    channel: usize,
    block: &'a HoaBlock,
    feed: &'a Feed,
    packs: Vec<usize>,
    heard: bool,
}

/// The channels of an HOA pack, which must be of one kind and at one time (clause 5.2.8).
fn group(
    model: &Model,
    pack: usize,
    channels: &[HoaChannel],
    under: &dyn Fn(Option<i64>) -> bool,
) -> Result<HoaGroup, SceneError> {
    let mut group = HoaGroup {
        channels: Vec::new(),
        components: Vec::new(),
        normalization: "SN3D".to_owned(),
        gains: Vec::new(),
        rtime: None,
        duration: None,
    };
    for (index, one) in channels.iter().enumerate() {
        let wrong = |says: &str| Err(of_channel(model, one.channel, says));
        let (Some(order), Some(degree), None) =
            (one.block.order, one.block.degree, &one.block.equation)
        else {
            return wrong("an HOA block has an order and a degree, and no equation");
        };
        if group.components.contains(&(order, degree)) {
            let says = format!("order {order}, degree {degree} is there twice");
            return Err(fault(&model.packs[pack], &says));
        }
        let normalization = normalization(model, one)?;
        let BlockTime { rtime, duration } = one.block.time;
        if index == 0 {
            group.normalization = normalization;
            (group.rtime, group.duration) = (rtime, duration);
        } else if group.normalization != normalization
            || rtime.map(AdmTime::instant) != group.rtime.map(AdmTime::instant)
            || duration.map(AdmTime::instant) != group.duration.map(AdmTime::instant)
        {
            return wrong(
                "normalization, rtime or duration differ from those of the other channels of the pack",
            );
        }
        let scaled: Result<Normalization, _> = group.normalization.parse();
        if let Err(error) = scaled.and_then(|n| hoa::check(Component { order, degree }, n)) {
            return wrong(&error.to_string());
        }
        group.channels.push(one.channel);
        group.components.push((order, degree));
        let quiet = under(Some(one.block.importance.into()));
        group.gains.push(if quiet { 0.0 } else { one.block.gain });
    }
    Ok(group)
}

/// The block or any pack that leads to it may say it, but not two of them two things.
fn normalization(model: &Model, one: &HoaChannel) -> Result<String, SceneError> {
    let of_packs = one
        .packs
        .iter()
        .map(|&pack| &model.packs[pack].normalization);
    let mut said = of_packs.chain([&one.block.normalization]).flatten();
    let Some(first) = said.next() else {
        return Ok("SN3D".to_owned());
    };
    if said.any(|other| other != first) {
        return Err(of_channel(
            model,
            one.channel,
            "pack and block say different normalizations",
        ));
    }
    Ok(first.clone())
}

fn of_channel(model: &Model, channel: usize, says: &str) -> SceneError {
    SceneError::Element {
        element: model.channels[channel].id.clone(),
        says: says.to_owned(),
    }
}
