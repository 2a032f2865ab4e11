//! Small Audio Definition Models: objects with the blocks that are asked for, and beds.

use crate::adm::Model;
use crate::adm::block::{
    BlockTime, Blocks, Bounded, ObjectBlock, ObjectBlocks, ObjectTraits, ScreenEdgeLock,
    SpeakerBlock, SpeakerPosition,
};
use crate::adm::model::{
    AudioChannelFormat, AudioObject, AudioTrackUid, Frequency, Reference, TypeDefinition,
};
use crate::adm::time::AdmTime;

/// Microseconds.
pub(crate) fn time(micros: u64) -> AdmTime {
    AdmTime::new(micros, 1_000_000).unwrap()
}

/// One block: start and length in seconds, position.
pub(crate) fn block(start: f64, length: f64, position: [f64; 3]) -> ObjectBlock {
    let micros = |seconds: f64| time((seconds * 1e6).round() as u64);
    ObjectBlock {
        time: BlockTime {
            rtime: Some(micros(start)),
            duration: Some(micros(length)),
        },
        position,
        gain: 1.0,
        traits: 0,
        number: 1,
    }
}

#[derive(Default)]
pub(crate) struct Studio {
    pub(crate) model: Model,
}

impl Studio {
    fn add(&mut self, name: &str, channels: Vec<(String, TypeDefinition, Blocks)>) -> usize {
        let object = self.model.objects.len();
        let mut uids = Vec::new();
        for (channel_name, kind, blocks) in channels {
            let channel = self.model.channels.len() as u32;
            let mut reference = Reference::new(&format!("AC_{channel:08x}"));
            reference.target = Some(channel);
            self.model.channels.push(AudioChannelFormat {
                id: format!("AC_{channel:08x}"),
                name: channel_name,
                type_definition: kind,
                frequency: Frequency::default(),
                blocks,
                common: false,
            });
            let track = self.model.track_uids.len() as u32;
            self.model.track_uids.push(AudioTrackUid {
                id: format!("ATU_{:08x}", track + 1),
                track_index: Some(track as u16 + 1),
                sample_rate: None,
                bit_depth: None,
                track_format: None,
                channel: Some(reference),
                pack: None,
                from_chna: false,
            });
            let mut uid = Reference::new(&format!("ATU_{:08x}", track + 1));
            uid.target = Some(track);
            uids.push(Some(uid));
        }
        self.model.objects.push(AudioObject {
            id: format!("AO_{:04x}", 0x1001 + object),
            name: name.into(),
            start: None,
            duration: None,
            packs: Vec::new(),
            track_uids: uids,
            objects: Vec::new(),
            complementary: Vec::new(),
            dialogue: None,
            importance: None,
            interact: None,
            disable_ducking: None,
            gain: 1.0,
            mute: false,
            position_offset: None,
            alternative_values: Vec::new(),
            common: false,
        });
        object
    }

    pub(crate) fn object(
        &mut self,
        name: &str,
        traits: ObjectTraits,
        blocks: Vec<ObjectBlock>,
    ) -> usize {
        let blocks = Blocks::Objects(ObjectBlocks {
            blocks,
            traits: vec![traits],
        });
        self.add(name, vec![(name.into(), TypeDefinition::Objects, blocks)])
    }

    pub(crate) fn bed(&mut self, name: &str, labels: &[(&str, f64, f64)]) -> usize {
        let channels = labels.iter().map(|&(label, azimuth, elevation)| {
            let plain = |value| Bounded {
                value,
                ..Bounded::default()
            };
            let block = SpeakerBlock {
                time: BlockTime::default(),
                number: 1,
                labels: vec![format!("urn:itu:bs:2051:0:speaker:{label}")],
                position: SpeakerPosition::Polar {
                    azimuth: plain(azimuth),
                    elevation: plain(elevation),
                    distance: plain(1.0),
                },
                screen_edge_lock: ScreenEdgeLock::default(),
                gain: 1.0,
                importance: 10,
            };
            (
                format!("Room {label}"),
                TypeDefinition::DirectSpeakers,
                Blocks::DirectSpeakers(vec![block]),
            )
        });
        let channels = channels.collect();
        self.add(name, channels)
    }

    /// The blocks of the object's one channel.
    pub(crate) fn blocks(&mut self, object: usize) -> &mut ObjectBlocks {
        let uid = self.model.objects[object].track_uids[0].as_ref().unwrap();
        let channel = self
            .model
            .channel_of(&self.model.track_uids[uid.index().unwrap()]);
        match &mut self.model.channels[channel.unwrap()].blocks {
            Blocks::Objects(blocks) => blocks,
            _ => panic!("an object has object blocks"),
        }
    }
}
