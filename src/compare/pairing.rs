//! Which part of the master is which part of the mix.
//!
//! In: both sides. Out: [`Pair`]s, and the parts that have no counterpart. Objects are paired
//! by id and name together (an exporter numbers anew, so an id alone says little), then by
//! name, then by a path that no other object has, then by the track that `chna` gives them, then
//! by their channel's id; what is left on both sides is paired in order until its sound says
//! otherwise; within a pair, channels by loudspeaker label, then by id, then in order. Without a model on both sides it is
//! channel by channel. Knows nothing of samples and blocks.

use std::collections::{BTreeMap, VecDeque};

use super::path::{Path, length_deg};
use super::side::Side;
use super::spot::{Spot, difference};
use super::types::{PairedBy, Part, PartKind};
use crate::adm::Model;
use crate::adm::block::Blocks;
use crate::adm::model::{AudioChannelFormat, AudioObject, AudioTrackUid, TypeDefinition};
use crate::adm::time::AdmTime;

/// One track of one file, and what it is there.
#[derive(Clone, Debug)]
pub(super) struct Seat {
    pub(super) part: Part,
    pub(super) kind: PartKind,
    /// Index into the model's objects and channels.
    pub(super) object: Option<usize>,
    pub(super) channel: Option<usize>,
    channel_id: String,
    /// From 0; `None` where the file has no such track.
    pub(super) track: Option<usize>,
}

#[derive(Clone, Debug)]
pub(super) struct Pair {
    pub(super) by: PairedBy,
    pub(super) mix: Seat,
    pub(super) master: Seat,
    /// Nothing but its sound can say that they belong together.
    pub(super) tentative: bool,
}

#[derive(Debug, Default)]
pub(super) struct Pairing {
    pub(super) pairs: Vec<Pair>,
    /// Only in the mix, only in the master.
    pub(super) missing: Vec<Part>,
    pub(super) extra: Vec<Part>,
    /// Whether both sides have a model with objects in it.
    pub(super) by_model: bool,
}

pub(super) fn pairing(mix: &Side, master: &Side) -> Pairing {
    let units = |side: &Side| -> Vec<Unit> {
        let model = side.model.as_deref();
        model.map_or_else(Vec::new, |model| units(model, side.tracks))
    };
    let (in_mix, in_master) = (units(mix), units(master));
    if in_mix.is_empty() || in_master.is_empty() {
        return by_channel(mix, master);
    }
    let mut pairing = Pairing {
        by_model: true,
        ..Pairing::default()
    };
    let names: [(PairedBy, Key<Unit>); 2] = [
        (PairedBy::IdAndName, |unit| {
            Some(format!("{}\n{}", unit.id, unit.name))
        }),
        (PairedBy::Name, |unit| {
            (!unit.name.is_empty()).then(|| unit.name.clone())
        }),
    ];
    let order: [(PairedBy, Key<Unit>); 2] = [
        (PairedBy::TrackIndex, |unit| {
            let track = unit.seats.first()?.track?;
            Some(format!("{:?} {track}", unit.seats.first()?.kind))
        }),
        (PairedBy::ChannelId, |unit| {
            let id = &unit.seats.first()?.channel_id;
            (!id.is_empty()).then(|| id.clone())
        }),
    ];
    let (mut in_mix, mut in_master) = (slots(in_mix), slots(in_master));
    let mut found: Vec<(usize, PairedBy, Unit, Unit)> = Vec::new();
    let models = (mix.model.as_deref(), master.model.as_deref());
    for (by, key) in names
        .map(|(by, key)| (by, Some(key)))
        .into_iter()
        .chain([(PairedBy::Path, None)])
        .chain(order.map(|(by, key)| (by, Some(key))))
    {
        let pairs = match (key, models) {
            (Some(key), _) => matched(&in_mix, &in_master, key),
            (None, (Some(mix), Some(master))) => by_path((mix, &in_mix), (master, &in_master)),
            (None, _) => Vec::new(),
        };
        for (mix, master) in pairs {
            if let (Some(one), Some(other)) = (in_mix[mix].take(), in_master[master].take()) {
                found.push((mix, by, one, other));
            }
        }
    }
    found.extend(left_in_order(&mut in_mix, &mut in_master));
    found.sort_by_key(|(place, ..)| *place);
    for (_, by, mix, master) in found {
        seats(&mut pairing, by, mix.seats, master.seats);
    }
    let left = |units: Vec<Option<Unit>>| {
        let seats = units.into_iter().flatten().flat_map(|unit| unit.seats);
        seats.map(|seat| seat.part)
    };
    pairing.missing.extend(left(in_mix));
    pairing.extra.extend(left(in_master));
    pairing
}

/// What two things must have in common to be one; `None` pairs with nothing.
type Key<T> = fn(&T) -> Option<String>;

/// One audioObject with its tracks.
#[derive(Debug)]
struct Unit {
    id: String,
    name: String,
    seats: Vec<Seat>,
}

fn units(model: &Model, tracks: usize) -> Vec<Unit> {
    let objects = model.objects.iter().enumerate();
    objects
        .filter(|(_, object)| !object.common)
        .map(|(index, object)| Unit {
            id: object.id.clone(),
            name: object.name.trim().to_owned(),
            seats: object
                .track_uids
                .iter()
                .flatten()
                .filter_map(|reference| model.track_uid(reference))
                .map(|uid| seat(model, (index, object), uid, tracks))
                .collect(),
        })
        .filter(|unit| !unit.seats.is_empty())
        .collect()
}

fn seat(
    model: &Model,
    (index, object): (usize, &AudioObject),
    uid: &AudioTrackUid,
    tracks: usize,
) -> Seat {
    let channel = model.channel_of(uid);
    let format = channel.and_then(|channel| model.channels.get(channel));
    let kind = match format.map(|format| format.type_definition) {
        Some(TypeDefinition::DirectSpeakers) => PartKind::Bed,
        Some(TypeDefinition::Objects) => PartKind::Object,
        Some(TypeDefinition::Hoa) => PartKind::Hoa,
        Some(TypeDefinition::Matrix) => PartKind::Matrix,
        Some(TypeDefinition::Binaural) => PartKind::Binaural,
        Some(TypeDefinition::Unknown) | None => PartKind::Unknown,
    };
    let label = format.and_then(|format| match &format.blocks {
        Blocks::DirectSpeakers(blocks) => {
            let label = blocks.first()?.labels.first()?;
            // urn:itu:bs:2051:0:speaker:M+030 is M+030.
            Some(label.rsplit(':').next().unwrap_or(label).to_owned())
        }
        _ => None,
    });
    let track = uid
        .track_index
        .and_then(|index| usize::from(index).checked_sub(1));
    Seat {
        part: Part {
            kind,
            name: object.name.clone(),
            object_id: Some(object.id.clone()),
            channel: label.or_else(|| format.map(|format| format.name.clone())),
            track: track.and_then(|track| u32::try_from(track + 1).ok()),
        },
        kind,
        object: Some(index),
        channel,
        channel_id: format.map_or_else(String::new, |format| format.id.clone()),
        track: track.filter(|&track| track < tracks),
    }
}

fn slots<T>(all: Vec<T>) -> Vec<Option<T>> {
    all.into_iter().map(Some).collect()
}

/// Indices of those left on both sides that have the same key; equal keys pair in order.
fn matched<T>(
    one: &[Option<T>],
    other: &[Option<T>],
    key: impl Fn(&T) -> Option<String>,
) -> Vec<(usize, usize)> {
    let mut waiting: BTreeMap<String, VecDeque<usize>> = BTreeMap::new();
    for (index, item) in other.iter().enumerate() {
        if let Some(key) = item.as_ref().and_then(&key) {
            waiting.entry(key).or_default().push_back(index);
        }
    }
    let pairs = one.iter().enumerate().filter_map(|(index, item)| {
        let key = key(item.as_ref()?)?;
        Some((index, waiting.get_mut(&key)?.pop_front()?))
    });
    pairs.collect()
}

/// Objects of one track that nothing else has paired: renamed, and in another order.
fn left_in_order(
    in_mix: &mut [Option<Unit>],
    in_master: &mut [Option<Unit>],
) -> Vec<(usize, PairedBy, Unit, Unit)> {
    let is_single = |unit: &&mut Option<Unit>| {
        let seats = unit.as_ref().map(|unit| unit.seats.as_slice());
        matches!(seats, Some([seat]) if seat.kind == PartKind::Object && seat.track.is_some())
    };
    let mixes = in_mix.iter_mut().enumerate();
    let mixes = mixes.filter(|(_, unit)| is_single(unit));
    let masters = in_master.iter_mut().filter(is_single);
    let pairs = mixes.zip(masters).filter_map(|((place, mix), master)| {
        Some((place, PairedBy::Sound, mix.take()?, master.take()?))
    });
    pairs.collect()
}

/// Degrees of path without which an object has none to be told by. Own choice.
const MOVES_DEG: f64 = 10.0;
/// Mean angle in degrees under which two paths are one, and over which they are two: between
/// them nothing is paired. Own choice: an exporter's grid and rounding move a path by less.
const SAME_PATH_DEG: f64 = 3.0;
const OTHER_PATH_DEG: f64 = 8.0;
/// Places of a path that are compared.
const PLACES: usize = 64;

/// Objects left on both sides whose paths are the same, and like no other's.
fn by_path(
    (mix, in_mix): (&Model, &[Option<Unit>]),
    (master, in_master): (&Model, &[Option<Unit>]),
) -> Vec<(usize, usize)> {
    let end = [mix, master]
        .into_iter()
        .flat_map(|model| &model.channels)
        .filter_map(last_begin);
    let end = end.fold(0.0, f64::max);
    let paths = |model: &Model, units: &[Option<Unit>]| -> Vec<(usize, Vec<Spot>)> {
        let units = units.iter().enumerate();
        let with_path =
            units.filter_map(|(index, unit)| Some((index, places(model, unit.as_ref()?, end)?)));
        with_path.collect()
    };
    let (mixes, masters) = (paths(mix, in_mix), paths(master, in_master));
    let apart = |one: &[Spot], other: &[Spot]| {
        let angles = one.iter().zip(other);
        angles
            .map(|(one, other)| difference(*one, *other).0)
            .sum::<f64>()
            / PLACES as f64
    };
    let only = |path: &[Spot], others: &[(usize, Vec<Spot>)]| -> Option<usize> {
        let mut near = others
            .iter()
            .map(|(index, other)| (apart(path, other), *index));
        let mut near: Vec<_> = near
            .by_ref()
            .filter(|(apart, _)| *apart < OTHER_PATH_DEG)
            .collect();
        let only = near.pop().filter(|(apart, _)| *apart < SAME_PATH_DEG);
        only.filter(|_| near.is_empty()).map(|(_, index)| index)
    };
    let path_of = |index: usize, all: &[(usize, Vec<Spot>)]| {
        all.iter()
            .find(|(other, _)| *other == index)
            .map(|(_, path)| path.clone())
    };
    let pairs = mixes.iter().filter_map(|(index, path)| {
        let found = only(path, &masters)?;
        let back = only(&path_of(found, &masters)?, &mixes)?;
        (back == *index).then_some((*index, found))
    });
    pairs.collect()
}

fn last_begin(channel: &AudioChannelFormat) -> Option<f64> {
    let Blocks::Objects(objects) = &channel.blocks else {
        return None;
    };
    objects.blocks.last()?.time.rtime.map(AdmTime::seconds)
}

/// Where the unit's one object is at even times up to `end`; `None` where it does not move.
fn places(model: &Model, unit: &Unit, end: f64) -> Option<Vec<Spot>> {
    let [seat] = unit.seats.as_slice() else {
        return None;
    };
    let channel = model.channels.get(seat.channel?)?;
    let object = model.objects.get(seat.object?)?;
    if seat.kind != PartKind::Object || length_deg(channel) < MOVES_DEG || end <= 0.0 {
        return None;
    }
    let mut path = Path::new(object, channel, (0.0, 0.0));
    let mut piece = path.next()?;
    let places = (0..PLACES).map(|place| {
        let at = end * place as f64 / PLACES as f64;
        while piece.to <= at
            && let Some(next) = path.next()
        {
            piece = next;
        }
        piece.at(at).spot
    });
    Some(places.collect())
}

impl Pairing {
    /// The parts of the master in two pairs change places: their sound says so.
    pub(super) fn exchange(&mut self, one: usize, other: usize) {
        let before = self.pairs[one].master.clone();
        self.pairs[one].master = std::mem::replace(&mut self.pairs[other].master, before);
        for pair in [one, other] {
            self.pairs[pair].by = PairedBy::Sound;
        }
        // The one was found by its sound; the other has what was left over.
        let tentative = std::mem::take(&mut self.pairs[one].tentative);
        self.pairs[other].tentative |= tentative;
    }

    /// Takes apart the pairs that `keep` does not keep. Gives the new place of every pair.
    pub(super) fn take_apart(&mut self, keep: impl Fn(usize) -> bool) -> Vec<Option<usize>> {
        let mut places = Vec::with_capacity(self.pairs.len());
        let mut kept = Vec::with_capacity(self.pairs.len());
        for (index, pair) in std::mem::take(&mut self.pairs).into_iter().enumerate() {
            if keep(index) {
                places.push(Some(kept.len()));
                kept.push(pair);
            } else {
                places.push(None);
                self.missing.push(pair.mix.part);
                self.extra.push(pair.master.part);
            }
        }
        self.pairs = kept;
        places
    }
}

/// Pairs the channels of two objects that belong together.
fn seats(pairing: &mut Pairing, by: PairedBy, mix: Vec<Seat>, master: Vec<Seat>) {
    let (mut mix, mut master) = (slots(mix), slots(master));
    let stages: [Key<Seat>; 3] = [
        |seat| {
            let label = seat.part.channel.clone();
            label.filter(|_| seat.kind == PartKind::Bed)
        },
        |seat| Some(seat.channel_id.clone()),
        |_| Some(String::new()),
    ];
    let mut found = Vec::new();
    for key in stages {
        for (one, other) in matched(&mix, &master, key) {
            if let (Some(mix), Some(master)) = (mix[one].take(), master[other].take()) {
                let tentative = by == PairedBy::Sound;
                let pair = Pair {
                    by,
                    mix,
                    master,
                    tentative,
                };
                found.push((one, pair));
            }
        }
    }
    found.sort_by_key(|(place, _)| *place);
    pairing
        .pairs
        .extend(found.into_iter().map(|(_, pair)| pair));
    let left = |seats: Vec<Option<Seat>>| seats.into_iter().flatten().map(|seat| seat.part);
    pairing.missing.extend(left(mix));
    pairing.extra.extend(left(master));
}

fn by_channel(mix: &Side, master: &Side) -> Pairing {
    let seats = |side: &Side| -> Vec<Option<Seat>> {
        let labels = side.labels.as_deref().filter(|l| l.len() == side.tracks);
        (0..side.tracks)
            .map(|track| {
                let label = labels.map(|labels| labels[track].to_string());
                let number = u32::try_from(track + 1).ok();
                Some(Seat {
                    part: Part {
                        kind: PartKind::Channel,
                        name: label.clone().unwrap_or_else(|| format!("ch {}", track + 1)),
                        object_id: None,
                        channel: label,
                        track: number,
                    },
                    kind: PartKind::Channel,
                    object: None,
                    channel: None,
                    channel_id: String::new(),
                    track: Some(track),
                })
            })
            .collect()
    };
    let (mut in_mix, mut in_master) = (seats(mix), seats(master));
    let labels = |seats: &[Option<Seat>]| -> Vec<Option<String>> {
        let mut labels: Vec<_> = seats
            .iter()
            .flatten()
            .map(|seat| seat.part.channel.clone())
            .collect();
        labels.sort_unstable();
        labels
    };
    let mut pairing = Pairing::default();
    // Labels that are not the same set may be a guess on one side: then places are safer.
    let labelled = labels(&in_mix) == labels(&in_master) && labels(&in_mix)[0].is_some();
    let (by, found) = if labelled {
        let key = |seat: &Seat| seat.part.channel.clone();
        (PairedBy::Label, matched(&in_mix, &in_master, key))
    } else {
        let both = in_mix.len().min(in_master.len());
        (PairedBy::Channel, (0..both).map(|n| (n, n)).collect())
    };
    for (one, other) in found {
        if let (Some(mix), Some(master)) = (in_mix[one].take(), in_master[other].take()) {
            pairing.pairs.push(Pair {
                by,
                mix,
                master,
                tentative: false,
            });
        }
    }
    let left = |seats: Vec<Option<Seat>>| seats.into_iter().flatten().map(|seat| seat.part);
    pairing.missing.extend(left(in_mix));
    pairing.extra.extend(left(in_master));
    pairing
}
