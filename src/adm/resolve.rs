//! Ties the elements of a model together: chna rows to track UIDs, references to their elements,
//! and the common definitions that a file uses into its model.
//!
//! In: a model as it was read. Out: the same with every reference's target set where there is
//! one; dangling references stay without. Ids are compared without regard to the case of
//! letters. Judges nothing; `check` does.

use std::collections::{HashMap, HashSet};

use super::block::Blocks;
use super::chna::ChnaRow;
use super::model::{
    AudioTrackUid, ChannelRef, Model, PackRef, Reference, StreamRef, TrackFormatRef,
};
use super::{common, parse};

/// Sets every target of `model`.
pub(super) fn resolve(model: &mut Model, chna: &[ChnaRow]) {
    take_chna(model, chna);
    add_common(model);
    link(model);
    link_streams(model);
}

/// Ids in lower case, and the first element that has each.
pub(super) struct Index(HashMap<String, u32>);

impl Index {
    pub fn of<'a>(ids: impl Iterator<Item = &'a str>) -> Self {
        let mut known = HashMap::new();
        for (place, id) in ids.enumerate() {
            if let Ok(place) = u32::try_from(place)
                && !id.is_empty()
            {
                known.entry(id.to_ascii_lowercase()).or_insert(place);
            }
        }
        Self(known)
    }

    pub fn get(&self, id: &str) -> Option<u32> {
        self.0.get(&id.to_ascii_lowercase()).copied()
    }
}

/// Track numbers out of chna, and the UIDs that only chna knows (BS.2076-2, clause 7).
///
/// Where axml gives a UID no track format or pack, the row's is taken; where both give one,
/// axml's stays, and `check` compares.
fn take_chna(model: &mut Model, chna: &[ChnaRow]) {
    let mut known = Index::of(model.track_uids.iter().map(|uid| uid.id.as_str())).0;
    for row in chna {
        if row.uid.is_empty() || parse::is_silent_track(&row.uid) {
            continue;
        }
        let next = u32::try_from(model.track_uids.len()).unwrap_or(u32::MAX);
        let place = *known.entry(row.uid.to_ascii_lowercase()).or_insert(next);
        if place == next {
            model.track_uids.push(AudioTrackUid {
                id: row.uid.clone(),
                track_index: None,
                sample_rate: None,
                bit_depth: None,
                track_format: None,
                channel: None,
                pack: None,
                from_chna: true,
            });
        }
        let uid = &mut model.track_uids[place as usize];
        if uid.track_index.is_some() {
            continue;
        }
        uid.track_index = Some(row.track_index);
        if uid.channel.is_none() && uid.track_format.is_none() && !row.track_ref.is_empty() {
            if is_channel_id(&row.track_ref) {
                uid.channel = Some(Reference::new(&row.track_ref));
            } else {
                uid.track_format = Some(Reference::new(&row.track_ref));
            }
        }
        if uid.pack.is_none() && !row.pack_ref.is_empty() {
            uid.pack = Some(Reference::new(&row.pack_ref));
        }
    }
}

/// chna points at a track format, or after BS.2076-2 straight at a channel format.
pub(super) fn is_channel_id(id: &str) -> bool {
    id.get(..3)
        .is_some_and(|head| head.eq_ignore_ascii_case("AC_"))
}

/// The elements of the four kinds that common definitions have.
struct Indices {
    packs: Index,
    channels: Index,
    streams: Index,
    tracks: Index,
}

impl Indices {
    fn of(model: &Model) -> Self {
        Self {
            packs: Index::of(model.packs.iter().map(|pack| pack.id.as_str())),
            channels: Index::of(model.channels.iter().map(|channel| channel.id.as_str())),
            streams: Index::of(model.streams.iter().map(|stream| stream.id.as_str())),
            tracks: Index::of(model.track_formats.iter().map(|track| track.id.as_str())),
        }
    }
}

/// Which common definitions are wanted, and those whose own references are still to be followed.
struct Wanted<'a> {
    own: Indices,
    common: &'a Model,
    known: Indices,
    packs: Vec<bool>,
    channels: Vec<bool>,
    streams: Vec<bool>,
    tracks: Vec<bool>,
    pending: Vec<Common>,
}

enum Common {
    Pack(usize),
    Stream(usize),
    Track(usize),
}

impl Wanted<'_> {
    fn pack(&mut self, reference: &PackRef) {
        if self.own.packs.get(&reference.id).is_none()
            && let Some(place) = self.known.packs.get(&reference.id)
            && !std::mem::replace(&mut self.packs[place as usize], true)
        {
            self.pending.push(Common::Pack(place as usize));
        }
    }

    fn channel(&mut self, reference: &ChannelRef) {
        if self.own.channels.get(&reference.id).is_none()
            && let Some(place) = self.known.channels.get(&reference.id)
        {
            self.channels[place as usize] = true;
        }
    }

    fn stream(&mut self, reference: &StreamRef) {
        if self.own.streams.get(&reference.id).is_none()
            && let Some(place) = self.known.streams.get(&reference.id)
            && !std::mem::replace(&mut self.streams[place as usize], true)
        {
            self.pending.push(Common::Stream(place as usize));
        }
    }

    fn track(&mut self, reference: &TrackFormatRef) {
        if self.own.tracks.get(&reference.id).is_none()
            && let Some(place) = self.known.tracks.get(&reference.id)
            && !std::mem::replace(&mut self.tracks[place as usize], true)
        {
            self.pending.push(Common::Track(place as usize));
        }
    }

    /// Marks what the elements of `model` refer to.
    fn follow(&mut self, model: &Model) {
        for object in &model.objects {
            object.packs.iter().for_each(|pack| self.pack(pack));
        }
        for pack in &model.packs {
            pack_packs(pack).for_each(|pack| self.pack(pack));
            pack.channels
                .iter()
                .for_each(|channel| self.channel(channel));
        }
        for channel in &model.channels {
            if let Blocks::Matrix(blocks) = &channel.blocks {
                for block in blocks {
                    block
                        .output_channel
                        .iter()
                        .for_each(|channel| self.channel(channel));
                    block
                        .coefficients
                        .iter()
                        .for_each(|coefficient| self.channel(&coefficient.input_channel));
                }
            }
        }
        for stream in &model.streams {
            stream
                .channel
                .iter()
                .for_each(|channel| self.channel(channel));
            stream.pack.iter().for_each(|pack| self.pack(pack));
            stream.tracks.iter().for_each(|track| self.track(track));
        }
        for track in &model.track_formats {
            track.stream.iter().for_each(|stream| self.stream(stream));
        }
        for uid in &model.track_uids {
            uid.track_format.iter().for_each(|track| self.track(track));
            uid.channel.iter().for_each(|channel| self.channel(channel));
            uid.pack.iter().for_each(|pack| self.pack(pack));
        }
    }

    /// Marks what the marked ones refer to in turn.
    fn follow_pending(&mut self) {
        let common = self.common;
        while let Some(next) = self.pending.pop() {
            match next {
                Common::Pack(place) => {
                    let pack = &common.packs[place];
                    pack_packs(pack).for_each(|pack| self.pack(pack));
                    pack.channels
                        .iter()
                        .for_each(|channel| self.channel(channel));
                }
                Common::Stream(place) => {
                    let stream = &common.streams[place];
                    stream
                        .channel
                        .iter()
                        .for_each(|channel| self.channel(channel));
                    stream.tracks.iter().for_each(|track| self.track(track));
                }
                Common::Track(place) => {
                    let track = &common.track_formats[place];
                    track.stream.iter().for_each(|stream| self.stream(stream));
                }
            }
        }
    }
}

/// Every pack that a pack refers to.
pub(super) fn pack_packs(pack: &super::model::AudioPackFormat) -> impl Iterator<Item = &PackRef> {
    pack.packs
        .iter()
        .chain(&pack.encode_packs)
        .chain(&pack.decode_packs)
        .chain(&pack.input_pack)
        .chain(&pack.output_pack)
}

/// Puts the common definitions that the file uses before its own elements. An element of the
/// file with the same id wins.
fn add_common(model: &mut Model) {
    let common = common::definitions();
    let mut wanted = Wanted {
        own: Indices::of(model),
        common,
        known: Indices::of(common),
        packs: vec![false; common.packs.len()],
        channels: vec![false; common.channels.len()],
        streams: vec![false; common.streams.len()],
        tracks: vec![false; common.track_formats.len()],
        pending: Vec::new(),
    };
    wanted.follow(model);
    wanted.follow_pending();

    fn prepend<T: Clone>(own: &mut Vec<T>, common: &[T], wanted: &[bool]) {
        let marked = common.iter().zip(wanted).filter(|(_, wanted)| **wanted);
        own.splice(0..0, marked.map(|(element, _)| element.clone()));
    }
    prepend(&mut model.packs, &common.packs, &wanted.packs);
    prepend(&mut model.channels, &common.channels, &wanted.channels);
    prepend(&mut model.streams, &common.streams, &wanted.streams);
    prepend(
        &mut model.track_formats,
        &common.track_formats,
        &wanted.tracks,
    );
}

fn link(model: &mut Model) {
    fn set<T>(reference: &mut Reference<T>, index: &Index) {
        reference.target = index.get(&reference.id);
    }
    fn set_all<'a, T: 'a>(
        references: impl IntoIterator<Item = &'a mut Reference<T>>,
        index: &Index,
    ) {
        references
            .into_iter()
            .for_each(|reference| set(reference, index));
    }
    let contents = Index::of(model.contents.iter().map(|content| content.id.as_str()));
    let objects = Index::of(model.objects.iter().map(|object| object.id.as_str()));
    let uids = Index::of(model.track_uids.iter().map(|uid| uid.id.as_str()));
    let Indices {
        packs,
        channels,
        streams,
        tracks,
    } = Indices::of(model);

    for programme in &mut model.programmes {
        set_all(&mut programme.contents, &contents);
    }
    for content in &mut model.contents {
        set_all(&mut content.objects, &objects);
    }
    for object in &mut model.objects {
        set_all(&mut object.packs, &packs);
        set_all(object.track_uids.iter_mut().flatten(), &uids);
        set_all(&mut object.objects, &objects);
        set_all(&mut object.complementary, &objects);
    }
    for pack in &mut model.packs {
        set_all(&mut pack.channels, &channels);
        set_all(&mut pack.packs, &packs);
        set_all(&mut pack.encode_packs, &packs);
        set_all(&mut pack.decode_packs, &packs);
        set_all(&mut pack.input_pack, &packs);
        set_all(&mut pack.output_pack, &packs);
    }
    for channel in &mut model.channels {
        if let Blocks::Matrix(blocks) = &mut channel.blocks {
            for block in blocks {
                set_all(&mut block.output_channel, &channels);
                for coefficient in &mut block.coefficients {
                    set(&mut coefficient.input_channel, &channels);
                }
            }
        }
    }
    for stream in &mut model.streams {
        set_all(&mut stream.channel, &channels);
        set_all(&mut stream.pack, &packs);
        set_all(&mut stream.tracks, &tracks);
    }
    for track in &mut model.track_formats {
        set_all(&mut track.stream, &streams);
    }
    for uid in &mut model.track_uids {
        set_all(&mut uid.track_format, &tracks);
        set_all(&mut uid.channel, &channels);
        set_all(&mut uid.pack, &packs);
    }
}

/// Stream and track formats refer to each other (BS.2076-2, clauses 5.1 and 5.2); files have
/// one of the two, or both. Each is filled from the other.
fn link_streams(model: &mut Model) {
    for (place, stream) in model.streams.iter().enumerate() {
        for reference in &stream.tracks {
            if let Some(track) = reference.index()
                && let Some(track) = model.track_formats.get_mut(track)
                && track.stream.is_none()
            {
                let mut back = Reference::new(&stream.id);
                back.target = u32::try_from(place).ok();
                track.stream = Some(back);
            }
        }
    }
    let mut known: HashSet<(usize, usize)> = HashSet::new();
    for (place, stream) in model.streams.iter().enumerate() {
        let tracks = stream.tracks.iter().filter_map(Reference::index);
        known.extend(tracks.map(|track| (place, track)));
    }
    for (place, track) in model.track_formats.iter().enumerate() {
        if let Some(stream) = track.stream.as_ref().and_then(Reference::index)
            && known.insert((stream, place))
        {
            let mut back = Reference::new(&track.id);
            back.target = u32::try_from(place).ok();
            model.streams[stream].tracks.push(back);
        }
    }
}
