//! A small writer of object-based masters: BW64 with `axml` and `chna`.
//!
//! In: tracks, what each plays, how it moves. Out: the bytes of a file of 24 bits. Knows nothing
//! of music or of loudness. It writes what the demo needs and no more: one programme, at most one
//! bed, an object a track.
//!
//! Source: ITU-R BS.2088-1 (BW64, `ds64`, `chna`), ITU-R BS.2076-2 (the metadata; a track's UID
//! points straight at its channel format).

use std::fmt::Write;

use super::music::Seeded;

/// An object-based master before it is written.
#[derive(Clone)]
pub struct Master {
    pub title: &'static str,
    /// The bed's tracks first, all equally long.
    pub tracks: Vec<Track>,
    pub rate_hz: u32,
    /// A track, from 1, whose UID `chna` does not have: a fault.
    pub not_in_chna: Option<usize>,
}

#[derive(Clone)]
pub struct Track {
    /// A plain word: it is written into XML as it is.
    pub name: &'static str,
    pub plays: Plays,
    /// Full scale = 1.0.
    pub samples: Vec<f32>,
}

#[derive(Clone)]
pub enum Plays {
    Bed(&'static BedChannel),
    /// Its positions, a block each; the blocks follow each other without a gap.
    Object(Vec<Stop>),
}

/// A loudspeaker of a bed.
pub struct BedChannel {
    /// As the trade labels it.
    pub label: &'static str,
    /// The loudspeaker of BS.2051 that is meant.
    pub speaker: &'static str,
    pub azimuth_deg: f64,
    pub elevation_deg: f64,
    pub low_pass_hz: Option<u32>,
}

/// Where an object comes to during a block, and when the block ends.
#[derive(Clone, Copy)]
pub struct Stop {
    /// From the start of the file; a multiple of 10 microseconds, as the metadata write times.
    pub until_s: f64,
    /// Left positive.
    pub azimuth_deg: f64,
    pub elevation_deg: f64,
}

const fn bed(
    label: &'static str,
    speaker: &'static str,
    azimuth_deg: f64,
    elevation_deg: f64,
    low_pass_hz: Option<u32>,
) -> BedChannel {
    BedChannel {
        label,
        speaker,
        azimuth_deg,
        elevation_deg,
        low_pass_hz,
    }
}

/// The 7.1.2 bed with the labels of the trade (common practice, no source).
pub const BED_7_1_2: [BedChannel; 10] = [
    bed("RC_L", "M+030", 30.0, 0.0, None),
    bed("RC_R", "M-030", -30.0, 0.0, None),
    bed("RC_C", "M+000", 0.0, 0.0, None),
    bed("RC_LFE", "LFE1", 0.0, -30.0, Some(120)),
    bed("RC_Lss", "M+090", 90.0, 0.0, None),
    bed("RC_Rss", "M-090", -90.0, 0.0, None),
    bed("RC_Lrs", "M+135", 135.0, 0.0, None),
    bed("RC_Rrs", "M-135", -135.0, 0.0, None),
    bed("RC_Lts", "U+090", 90.0, 45.0, None),
    bed("RC_Rts", "U-090", -90.0, 45.0, None),
];

impl Master {
    fn frames(&self) -> usize {
        self.tracks.first().map_or(0, |track| track.samples.len())
    }

    /// What `axml` holds.
    pub fn axml(&self) -> String {
        let mut out = String::new();
        self.write_axml(&mut out)
            .expect("a String takes what is written");
        out
    }

    fn write_axml(&self, out: &mut String) -> std::fmt::Result {
        let title = self.title;
        let end = time(self.frames() as f64 / f64::from(self.rate_hz));
        let is_bed = |track: &&Tied| matches!(track.track.plays, Plays::Bed(_));
        let tracks = self.tied();
        let bed: Vec<&Tied> = tracks.iter().filter(is_bed).collect();
        let objects: Vec<&Tied> = tracks.iter().filter(|track| !is_bed(track)).collect();

        out.push_str(
            "<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n\
             <ebuCoreMain xmlns=\"urn:ebu:metadata-schema:ebuCore_2016\">\n\
             <coreMetadata><format><audioFormatExtended version=\"ITU-R_BS.2076-2\">\n",
        );
        write!(
            out,
            "<audioProgramme audioProgrammeID=\"APR_1001\" audioProgrammeName=\"{title}\" \
             start=\"{}\" end=\"{end}\">\n<audioContentIDRef>ACO_1001</audioContentIDRef>\n\
             </audioProgramme>\n\
             <audioContent audioContentID=\"ACO_1001\" audioContentName=\"{title}\">\n",
            time(0.0)
        )?;
        let holders = usize::from(!bed.is_empty()) + objects.len();
        for number in 0..holders {
            writeln!(
                out,
                "<audioObjectIDRef>{}</audioObjectIDRef>",
                object_id(number)
            )?;
        }
        out.push_str("<dialogue nonDialogueContentKind=\"1\">0</dialogue>\n</audioContent>\n");

        let held = Some(bed)
            .filter(|bed| !bed.is_empty())
            .map(|bed| ("Bed", "DirectSpeakers", bed));
        let alone = objects
            .into_iter()
            .map(|track| (track.track.name, "Objects", vec![track]));
        for (number, (name, kind, tracks)) in held.into_iter().chain(alone).enumerate() {
            holder(out, number, &end, name, kind, &tracks)?;
        }
        out.push_str("</audioFormatExtended></format></coreMetadata>\n</ebuCoreMain>\n");
        Ok(())
    }

    /// What `chna` holds: the counts, and a row of 40 bytes for each track.
    pub fn chna(&self) -> Vec<u8> {
        let rows: Vec<Tied> = self
            .tied()
            .into_iter()
            .filter(|track| Some(track.number) != self.not_in_chna)
            .collect();
        let mut out = Vec::new();
        let count = rows.len() as u16;
        out.extend(count.to_le_bytes());
        out.extend(count.to_le_bytes());
        for row in rows {
            out.extend((row.number as u16).to_le_bytes());
            let channel = format!("{}_00", row.channel());
            for (text, width) in [(row.uid(), 12), (channel, 14), (row.pack(), 12)] {
                let mut field = text.into_bytes();
                field.resize(width, 0);
                out.extend(field);
            }
        }
        out
    }

    /// Each track with the numbers that its ids are made of.
    fn tied(&self) -> Vec<Tied<'_>> {
        let (mut speakers, mut objects) = (0x1000, 0x1000);
        let number = |(index, track): (usize, &'_ Track)| {
            let (kind, pack, channel) = match track.plays {
                Plays::Bed(_) => {
                    speakers += 1;
                    (1, 0x1001, speakers)
                }
                Plays::Object(_) => {
                    objects += 1;
                    (3, objects, objects)
                }
            };
            (index + 1, kind, pack, channel)
        };
        let numbers: Vec<_> = self.tracks.iter().enumerate().map(number).collect();
        let tied = |(track, (number, kind, pack, channel))| Tied {
            track,
            number,
            kind,
            pack,
            channel,
            rate_hz: self.rate_hz,
        };
        self.tracks.iter().zip(numbers).map(tied).collect()
    }

    /// The whole file, 24 bits, with dither.
    pub fn bytes(&self) -> Vec<u8> {
        let data = self.data();
        let channels = self.tracks.len();
        let mut chunks = Vec::new();
        let mut format = Vec::new();
        format.extend(1u16.to_le_bytes()); // PCM
        format.extend((channels as u16).to_le_bytes());
        format.extend(self.rate_hz.to_le_bytes());
        format.extend((self.rate_hz * channels as u32 * 3).to_le_bytes());
        format.extend((channels as u16 * 3).to_le_bytes());
        format.extend(24u16.to_le_bytes());
        chunk(&mut chunks, b"fmt ", &format);
        chunk(&mut chunks, b"chna", &self.chna());
        let data_at = chunks.len();
        chunk(&mut chunks, b"data", &data);
        // In BW64 this length and the file's stand in ds64.
        chunks[data_at + 4..data_at + 8].fill(0xFF);
        chunk(&mut chunks, b"axml", self.axml().as_bytes());

        let mut sizes = Vec::new();
        let of_ds64 = 8 + 28;
        sizes.extend((4 + of_ds64 + chunks.len() as u64).to_le_bytes());
        sizes.extend((data.len() as u64).to_le_bytes());
        sizes.extend([0; 12]); // a dummy, and a table of no further sizes
        let mut file = Vec::with_capacity(12 + of_ds64 as usize + chunks.len());
        file.extend(b"BW64\xFF\xFF\xFF\xFFWAVE");
        chunk(&mut file, b"ds64", &sizes);
        file.extend(chunks);
        file
    }

    fn data(&self) -> Vec<u8> {
        let steps = (1i32 << 23) as f32;
        let mut random = Seeded::new(99);
        let mut data = Vec::with_capacity(self.frames() * self.tracks.len() * 3);
        for frame in 0..self.frames() {
            for track in &self.tracks {
                let value = (track.samples[frame] * steps + random.dither()).round();
                let value = value.clamp(-steps, steps - 1.0) as i32;
                data.extend(&value.to_le_bytes()[..3]);
            }
        }
        data
    }
}

fn chunk(out: &mut Vec<u8>, id: &[u8; 4], body: &[u8]) {
    out.extend(id);
    out.extend((body.len() as u32).to_le_bytes());
    out.extend(body);
    if !body.len().is_multiple_of(2) {
        out.push(0);
    }
}

/// A track and the numbers of its elements.
struct Tied<'a> {
    track: &'a Track,
    /// From 1.
    number: usize,
    /// 1: a loudspeaker, 3: an object (BS.2076-2, clause 6).
    kind: u16,
    pack: u16,
    channel: u16,
    rate_hz: u32,
}

impl Tied<'_> {
    fn uid(&self) -> String {
        format!("ATU_{:08x}", self.number)
    }

    fn channel(&self) -> String {
        format!("AC_{:04x}{:04x}", self.kind, self.channel)
    }

    fn pack(&self) -> String {
        format!("AP_{:04x}{:04x}", self.kind, self.pack)
    }

    fn write_channel(&self, out: &mut String, kind: &str) -> std::fmt::Result {
        let (id, name) = (self.channel(), self.track.name);
        writeln!(
            out,
            "<audioChannelFormat audioChannelFormatID=\"{id}\" audioChannelFormatName=\"{name}\" \
             typeLabel=\"{:04x}\" typeDefinition=\"{kind}\">",
            self.kind
        )?;
        let block = |number: usize| format!("AB_{}_{number:08x}", &id[3..]);
        match &self.track.plays {
            Plays::Bed(channel) => {
                if let Some(hertz) = channel.low_pass_hz {
                    writeln!(
                        out,
                        "<frequency typeDefinition=\"lowPass\">{hertz}</frequency>"
                    )?;
                }
                write!(
                    out,
                    "<audioBlockFormat audioBlockFormatID=\"{}\">\n\
                     <speakerLabel>{}</speakerLabel>\n",
                    block(1),
                    channel.label
                )?;
                position(out, channel.azimuth_deg, channel.elevation_deg)?;
            }
            Plays::Object(stops) => {
                let mut from_s = 0.0;
                for (index, stop) in stops.iter().enumerate() {
                    writeln!(
                        out,
                        "<audioBlockFormat audioBlockFormatID=\"{}\" rtime=\"{}\" duration=\"{}\">",
                        block(index + 1),
                        time(from_s),
                        time(stop.until_s - from_s)
                    )?;
                    position(out, stop.azimuth_deg, stop.elevation_deg)?;
                    from_s = stop.until_s;
                }
            }
        }
        out.push_str("</audioChannelFormat>\n");
        Ok(())
    }
}

fn object_id(number: usize) -> String {
    format!("AO_{:04x}", 0x1001 + number)
}

/// An object with its pack, its channels and its tracks.
fn holder(
    out: &mut String,
    number: usize,
    end: &str,
    name: &str,
    kind: &str,
    tracks: &[&Tied],
) -> std::fmt::Result {
    let Some(first) = tracks.first() else {
        return Ok(());
    };
    let pack = first.pack();
    write!(
        out,
        "<audioObject audioObjectID=\"{}\" audioObjectName=\"{name}\" start=\"{}\" \
         duration=\"{end}\">\n<audioPackFormatIDRef>{pack}</audioPackFormatIDRef>\n",
        object_id(number),
        time(0.0)
    )?;
    for track in tracks {
        writeln!(out, "<audioTrackUIDRef>{}</audioTrackUIDRef>", track.uid())?;
    }
    write!(
        out,
        "</audioObject>\n<audioPackFormat audioPackFormatID=\"{pack}\" \
         audioPackFormatName=\"{name}\" typeLabel=\"{:04x}\" typeDefinition=\"{kind}\">\n",
        first.kind
    )?;
    for track in tracks {
        let channel = track.channel();
        writeln!(
            out,
            "<audioChannelFormatIDRef>{channel}</audioChannelFormatIDRef>"
        )?;
    }
    out.push_str("</audioPackFormat>\n");
    for track in tracks {
        track.write_channel(out, kind)?;
        write!(
            out,
            "<audioTrackUID UID=\"{}\" sampleRate=\"{}\" bitDepth=\"24\">\n\
             <audioChannelFormatIDRef>{}</audioChannelFormatIDRef>\n\
             <audioPackFormatIDRef>{pack}</audioPackFormatIDRef>\n</audioTrackUID>\n",
            track.uid(),
            track.rate_hz,
            track.channel()
        )?;
    }
    Ok(())
}

fn position(out: &mut String, azimuth_deg: f64, elevation_deg: f64) -> std::fmt::Result {
    for (coordinate, value) in [
        ("azimuth", azimuth_deg),
        ("elevation", elevation_deg),
        ("distance", 1.0),
    ] {
        writeln!(
            out,
            "<position coordinate=\"{coordinate}\">{value:.1}</position>"
        )?;
    }
    out.push_str("</audioBlockFormat>\n");
    Ok(())
}

/// `00:00:08.00000` (BS.2076-2, clause 5.13, number from memory).
fn time(seconds: f64) -> String {
    format!(
        "{:02}:{:02}:{:08.5}",
        (seconds / 3600.0) as u32,
        (seconds / 60.0) as u32 % 60,
        seconds % 60.0
    )
}
