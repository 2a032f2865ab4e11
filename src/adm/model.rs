//! The elements of the Audio Definition Model, ITU-R BS.2076-2 clause 5, as one file has them.
//!
//! A [`Model`] owns every element in file order, after those of the common definitions
//! (ITU-R BS.2094). Elements refer to each other by a [`Reference`]: the id that the file
//! wrote, and the place of the element it names, or none when it names nothing; so a broken
//! file is a model with findings, not an error. Knows nothing of rendering or limits.

use std::marker::PhantomData;

use super::block::Blocks;
use super::time::AdmTime;

/// A reference to an element of kind `T`: the id as written, and where it points.
pub struct Reference<T> {
    pub id: Box<str>,
    /// Index into the model's list of `T`; `None` is a dangling reference.
    pub target: Option<u32>,
    kind: PhantomData<fn() -> T>,
}

impl<T> Reference<T> {
    pub fn new(id: &str) -> Self {
        Self {
            id: id.into(),
            target: None,
            kind: PhantomData,
        }
    }

    pub fn index(&self) -> Option<usize> {
        self.target.map(|target| target as usize)
    }
}

impl<T> Clone for Reference<T> {
    fn clone(&self) -> Self {
        Self {
            id: self.id.clone(),
            target: self.target,
            kind: PhantomData,
        }
    }
}

impl<T> std::fmt::Debug for Reference<T> {
    fn fmt(&self, out: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(
            out,
            "{}{}",
            self.id,
            if self.target.is_none() {
                " (dangling)"
            } else {
                ""
            }
        )
    }
}

impl<T> PartialEq for Reference<T> {
    fn eq(&self, other: &Self) -> bool {
        self.id == other.id && self.target == other.target
    }
}

pub type ContentRef = Reference<AudioContent>;
pub type ObjectRef = Reference<AudioObject>;
pub type PackRef = Reference<AudioPackFormat>;
pub type ChannelRef = Reference<AudioChannelFormat>;
pub type StreamRef = Reference<AudioStreamFormat>;
pub type TrackFormatRef = Reference<AudioTrackFormat>;
pub type TrackUidRef = Reference<AudioTrackUid>;

/// The whole of one file's metadata.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Model {
    /// `version` of audioFormatExtended as written, `ITU-R_BS.2076-2`; absent in older files.
    pub version: Option<String>,
    pub programmes: Vec<AudioProgramme>,
    pub contents: Vec<AudioContent>,
    pub objects: Vec<AudioObject>,
    pub packs: Vec<AudioPackFormat>,
    pub channels: Vec<AudioChannelFormat>,
    pub streams: Vec<AudioStreamFormat>,
    pub track_formats: Vec<AudioTrackFormat>,
    pub track_uids: Vec<AudioTrackUid>,
    /// profileList of BS.2076-3, or of a file that carries it.
    pub profiles: Vec<String>,
}

impl Model {
    /// The number behind the last dash of `version`: 1 when there is none.
    ///
    /// BS.2076-0 and -1 files write no version or `ITU-R_BS.2076-1`.
    pub fn revision(&self) -> u32 {
        self.version
            .as_deref()
            .and_then(|version| version.rsplit_once('-'))
            .and_then(|(_, revision)| revision.trim().parse().ok())
            .unwrap_or(1)
    }

    pub fn pack(&self, reference: &PackRef) -> Option<&AudioPackFormat> {
        reference.index().map(|index| &self.packs[index])
    }

    pub fn channel(&self, reference: &ChannelRef) -> Option<&AudioChannelFormat> {
        reference.index().map(|index| &self.channels[index])
    }

    pub fn object(&self, reference: &ObjectRef) -> Option<&AudioObject> {
        reference.index().map(|index| &self.objects[index])
    }

    pub fn track_uid(&self, reference: &TrackUidRef) -> Option<&AudioTrackUid> {
        reference.index().map(|index| &self.track_uids[index])
    }

    /// The channel format that a track carries: through its track and stream format
    /// (BS.2076-1), or straight (BS.2076-2, clause 5.9).
    pub fn channel_of(&self, uid: &AudioTrackUid) -> Option<usize> {
        if let Some(reference) = &uid.channel {
            return reference.index();
        }
        let track = &self.track_formats[uid.track_format.as_ref()?.index()?];
        let stream = &self.streams[track.stream.as_ref()?.index()?];
        stream.channel.as_ref()?.index()
    }
}

/// typeDefinition of packs and channels (BS.2076-2, clause 5.3 and 5.5).
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum TypeDefinition {
    DirectSpeakers,
    Matrix,
    Objects,
    Hoa,
    Binaural,
    /// 0006 and above, or a word that no standard knows.
    Unknown,
}

impl TypeDefinition {
    /// `1` for DirectSpeakers to `5` for Binaural; `None` for an unknown one.
    pub fn number(self) -> Option<u16> {
        match self {
            Self::DirectSpeakers => Some(1),
            Self::Matrix => Some(2),
            Self::Objects => Some(3),
            Self::Hoa => Some(4),
            Self::Binaural => Some(5),
            Self::Unknown => None,
        }
    }

    pub fn of_number(number: u16) -> Self {
        match number {
            1 => Self::DirectSpeakers,
            2 => Self::Matrix,
            3 => Self::Objects,
            4 => Self::Hoa,
            5 => Self::Binaural,
            _ => Self::Unknown,
        }
    }
}

#[derive(Clone, Debug, PartialEq)]
pub struct AudioProgramme {
    pub id: String,
    pub name: String,
    pub language: Option<String>,
    pub start: Option<AdmTime>,
    pub end: Option<AdmTime>,
    pub contents: Vec<ContentRef>,
    pub loudness: Vec<LoudnessMetadata>,
    pub reference_screen: Option<Screen>,
    /// Ids of alternativeValueSets in use.
    pub alternative_values: Vec<String>,
    pub common: bool,
}

#[derive(Clone, Debug, PartialEq)]
pub struct AudioContent {
    pub id: String,
    pub name: String,
    pub language: Option<String>,
    pub objects: Vec<ObjectRef>,
    pub loudness: Vec<LoudnessMetadata>,
    /// 0 non-dialogue, 1 dialogue, 2 mixed.
    pub dialogue: Option<i64>,
    pub alternative_values: Vec<String>,
    pub common: bool,
}

/// loudnessMetadata (BS.2076-2, clause 5.8.5); levels as the file says them.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct LoudnessMetadata {
    pub method: Option<String>,
    pub recommendation: Option<String>,
    pub correction: Option<String>,
    pub integrated_lufs: Option<f64>,
    pub range_lu: Option<f64>,
    pub max_true_peak_dbtp: Option<f64>,
    pub max_momentary_lufs: Option<f64>,
    pub max_short_term_lufs: Option<f64>,
    pub dialogue_lufs: Option<f64>,
    /// Layouts or packs that renderer elements name (BS.2076-2), as written.
    pub renderers: Vec<String>,
}

/// audioProgrammeReferenceScreen (BS.2076-2, clause 5.7.5).
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Screen {
    Polar {
        aspect_ratio: f64,
        azimuth: f64,
        elevation: f64,
        distance: f64,
        width_azimuth: f64,
    },
    Cartesian {
        aspect_ratio: f64,
        centre: [f64; 3],
        width_x: f64,
    },
}

impl Default for Screen {
    /// 58 degrees wide, 1.78 to 1, in front (BS.2127-1, clause 7.3.4; BS.2076-2, 5.7.5).
    fn default() -> Self {
        Self::Polar {
            aspect_ratio: 1.78,
            azimuth: 0.0,
            elevation: 0.0,
            distance: 1.0,
            width_azimuth: 58.0,
        }
    }
}

#[derive(Clone, Debug, PartialEq)]
pub struct AudioObject {
    pub id: String,
    pub name: String,
    pub start: Option<AdmTime>,
    pub duration: Option<AdmTime>,
    pub packs: Vec<PackRef>,
    /// Track UIDs in order; `None` stands for `ATU_00000000`, the silent track.
    pub track_uids: Vec<Option<TrackUidRef>>,
    pub objects: Vec<ObjectRef>,
    pub complementary: Vec<ObjectRef>,
    pub dialogue: Option<i64>,
    pub importance: Option<i64>,
    pub interact: Option<bool>,
    pub disable_ducking: Option<bool>,
    /// Linear; default 1 (BS.2076-2).
    pub gain: f64,
    pub mute: bool,
    pub position_offset: Option<PositionOffset>,
    pub alternative_values: Vec<AlternativeValueSet>,
    pub common: bool,
}

#[derive(Clone, Copy, Debug, PartialEq)]
pub enum PositionOffset {
    /// Degrees.
    Polar {
        azimuth: f64,
        elevation: f64,
        distance: f64,
    },
    Cartesian {
        x: f64,
        y: f64,
        z: f64,
    },
}

#[derive(Clone, Debug, PartialEq)]
pub struct AlternativeValueSet {
    pub id: String,
    pub gain: Option<f64>,
    pub mute: Option<bool>,
    pub position_offset: Option<PositionOffset>,
}

#[derive(Clone, Debug, PartialEq)]
pub struct AudioPackFormat {
    pub id: String,
    pub name: String,
    pub type_definition: TypeDefinition,
    pub channels: Vec<ChannelRef>,
    pub packs: Vec<PackRef>,
    pub importance: Option<i64>,
    pub absolute_distance: Option<f64>,
    // Matrix
    pub encode_packs: Vec<PackRef>,
    pub decode_packs: Vec<PackRef>,
    pub input_pack: Option<PackRef>,
    pub output_pack: Option<PackRef>,
    // HOA
    pub normalization: Option<String>,
    pub nfc_ref_dist: Option<f64>,
    pub screen_ref: Option<bool>,
    pub common: bool,
}

#[derive(Clone, Debug, PartialEq)]
pub struct AudioChannelFormat {
    pub id: String,
    pub name: String,
    pub type_definition: TypeDefinition,
    pub frequency: Frequency,
    pub blocks: Blocks,
    pub common: bool,
}

/// Cut-off frequencies in Hz of the frequency elements.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Frequency {
    pub low_pass: Option<f64>,
    pub high_pass: Option<f64>,
}

#[derive(Clone, Debug, PartialEq)]
pub struct AudioStreamFormat {
    pub id: String,
    pub name: String,
    /// formatDefinition or formatLabel as written (`PCM`, `0001`).
    pub format: Option<String>,
    pub channel: Option<ChannelRef>,
    pub pack: Option<PackRef>,
    pub tracks: Vec<TrackFormatRef>,
    pub common: bool,
}

#[derive(Clone, Debug, PartialEq)]
pub struct AudioTrackFormat {
    pub id: String,
    pub name: String,
    pub format: Option<String>,
    /// Filled from the stream's own references where the track has none.
    pub stream: Option<StreamRef>,
    pub common: bool,
}

#[derive(Clone, Debug, PartialEq)]
pub struct AudioTrackUid {
    pub id: String,
    /// From 1, out of the chna chunk; `None` when chna does not list it.
    pub track_index: Option<u16>,
    pub sample_rate: Option<u32>,
    pub bit_depth: Option<u32>,
    pub track_format: Option<TrackFormatRef>,
    pub channel: Option<ChannelRef>,
    pub pack: Option<PackRef>,
    /// Not in axml: made from a chna row alone.
    pub from_chna: bool,
}
