//! Small documents, put together from the elements that a test is about.

use std::fmt::Write;
use std::sync::Arc;

use super::model_of;
use crate::adm::Model;

/// A document in the making; every method returns the new element's id.
#[derive(Default)]
pub struct Master {
    version: &'static str,
    parts: String,
    made: usize,
}

impl Master {
    pub fn new() -> Self {
        Self::default()
    }

    /// With what BS.2076-2 brought.
    pub fn second_edition() -> Self {
        Self {
            version: " version=\"ITU-R_BS.2076-2\"",
            ..Self::default()
        }
    }

    fn next(&mut self) -> usize {
        self.made += 1;
        0x1000 + self.made
    }

    /// `kind` is `DirectSpeakers` to `HOA`; a block's id is filled in.
    pub fn channel(&mut self, kind: &str, blocks: &[String]) -> String {
        let number = self.next();
        self.channel_as(
            &format!("AC_{:04x}{number:04x}", type_of(kind)),
            kind,
            blocks,
        )
    }

    pub fn channel_as(&mut self, id: &str, kind: &str, blocks: &[String]) -> String {
        let label = type_of(kind);
        let mut inside = String::new();
        for (index, block) in blocks.iter().enumerate() {
            let number = format!("AB_{}_{:08x}", &id[3..], index + 1);
            inside += &block.replace("{ab}", &number);
        }
        let _ = writeln!(
            self.parts,
            "<audioChannelFormat audioChannelFormatID=\"{id}\" audioChannelFormatName=\"c\" \
             typeLabel=\"{label:04x}\" typeDefinition=\"{kind}\">{inside}</audioChannelFormat>"
        );
        id.to_owned()
    }

    pub fn pack(&mut self, kind: &str, channels: &[&str], rest: &str) -> String {
        self.pack_with(kind, "", channels, rest)
    }

    pub fn pack_with(
        &mut self,
        kind: &str,
        attributes: &str,
        channels: &[&str],
        rest: &str,
    ) -> String {
        let label = type_of(kind);
        let id = format!("AP_{label:04x}{:04x}", self.next());
        let channels = refs("audioChannelFormatIDRef", channels);
        let _ = writeln!(
            self.parts,
            "<audioPackFormat audioPackFormatID=\"{id}\" audioPackFormatName=\"p\" \
             typeLabel=\"{label:04x}\" typeDefinition=\"{kind}\" {attributes}>{channels}{rest}\
             </audioPackFormat>"
        );
        id
    }

    /// The UID of track `track`, from 1.
    pub fn uid(&mut self, track: usize, channel: &str, pack: &str) -> String {
        let id = format!("ATU_{:04x}{track:04x}", self.next());
        let _ = writeln!(
            self.parts,
            "<audioTrackUID UID=\"{id}\">{}{}</audioTrackUID>",
            refs("audioChannelFormatIDRef", &[channel]),
            refs("audioPackFormatIDRef", &[pack])
        );
        id
    }

    pub fn object(
        &mut self,
        packs: &[&str],
        uids: &[&str],
        attributes: &str,
        rest: &str,
    ) -> String {
        let id = format!("AO_{:04x}", self.next());
        let (packs, uids) = (
            refs("audioPackFormatIDRef", packs),
            refs("audioTrackUIDRef", uids),
        );
        let _ = writeln!(
            self.parts,
            "<audioObject audioObjectID=\"{id}\" audioObjectName=\"o\" {attributes}>{packs}{uids}\
             {rest}</audioObject>"
        );
        id
    }

    /// An object of one channel.
    pub fn single(&mut self, kind: &str, track: usize, blocks: &[String]) -> String {
        self.single_with(kind, track, blocks, "", "")
    }

    pub fn single_with(
        &mut self,
        kind: &str,
        track: usize,
        blocks: &[String],
        attributes: &str,
        rest: &str,
    ) -> String {
        let channel = self.channel(kind, blocks);
        let pack = self.pack(kind, &[&channel], "");
        let uid = self.uid(track, &channel, &pack);
        self.object(&[&pack], &[&uid], attributes, rest)
    }

    pub fn content(&mut self, objects: &[&str], rest: &str) -> String {
        let id = format!("ACO_{:04x}", self.next());
        let objects = refs("audioObjectIDRef", objects);
        let _ = writeln!(
            self.parts,
            "<audioContent audioContentID=\"{id}\" audioContentName=\"c\">{objects}{rest}\
             </audioContent>"
        );
        id
    }

    pub fn programme(&mut self, id: &str, contents: &[&str], rest: &str) {
        let contents = refs("audioContentIDRef", contents);
        let _ = writeln!(
            self.parts,
            "<audioProgramme audioProgrammeID=\"{id}\" audioProgrammeName=\"p\">{contents}{rest}\
             </audioProgramme>"
        );
    }

    /// The model, with a programme of `objects`; with none of either, of all objects.
    pub fn of(mut self, objects: &[&str]) -> Arc<Model> {
        if !objects.is_empty() {
            let content = self.content(objects, "");
            self.programme("APR_1001", &[&content], "");
        }
        self.model()
    }

    pub fn model(self) -> Arc<Model> {
        model_of(&format!(
            "<audioFormatExtended{}>\n{}</audioFormatExtended>",
            self.version, self.parts
        ))
    }
}

fn type_of(kind: &str) -> u16 {
    match kind {
        "DirectSpeakers" => 1,
        "Matrix" => 2,
        "Objects" => 3,
        "HOA" => 4,
        other => panic!("{other}"),
    }
}

pub fn refs(element: &str, ids: &[&str]) -> String {
    ids.iter()
        .map(|id| format!("<{element}>{id}</{element}>"))
        .collect()
}

/// A block with what stands in it; `times` like `rtime="00:00:00.00000"`.
pub fn block(times: &str, inside: &str) -> String {
    format!("<audioBlockFormat audioBlockFormatID=\"{{ab}}\" {times}>{inside}</audioBlockFormat>")
}

/// `rtime` and `duration` in seconds with five decimals.
pub fn timed(rtime: f64, duration: f64) -> String {
    format!("rtime=\"00:00:{rtime:08.5}\" duration=\"00:00:{duration:08.5}\"")
}

pub fn polar(azimuth: f64, elevation: f64) -> String {
    format!(
        "<position coordinate=\"azimuth\">{azimuth}</position>\
         <position coordinate=\"elevation\">{elevation}</position>\
         <position coordinate=\"distance\">1</position>"
    )
}

pub fn cartesian(place: [f64; 3]) -> String {
    let mut text = "<cartesian>1</cartesian>".to_owned();
    for (axis, value) in ["X", "Y", "Z"].iter().zip(place) {
        let _ = write!(text, "<position coordinate=\"{axis}\">{value}</position>");
    }
    text
}
