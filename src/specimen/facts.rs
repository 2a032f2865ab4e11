//! What is in a file, as facts without an opinion: container, encoding, channels,
//! metadata chunks, and the oddities that were met on the way.

use std::collections::BTreeMap;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::layout::Label;
use crate::units::{Frames, Hertz, Seconds};

/// The wrapping of the samples.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub enum Container {
    #[serde(rename = "WAVE")]
    Wave,
    #[serde(rename = "RF64")]
    Rf64,
    #[serde(rename = "BW64")]
    Bw64,
    #[serde(rename = "AIFF")]
    Aiff,
    #[serde(rename = "AIFC")]
    Aifc,
    #[serde(rename = "CAF")]
    Caf,
    #[serde(rename = "FLAC")]
    Flac,
    #[serde(rename = "MP3")]
    Mp3,
    #[serde(rename = "MP4")]
    Mp4,
    #[serde(rename = "ADTS")]
    Adts,
    #[serde(rename = "Ogg")]
    Ogg,
}

/// How a sample is written.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub enum Encoding {
    /// Linear PCM, integers.
    #[serde(rename = "PCM")]
    Pcm,
    /// Linear PCM, IEEE 754 floats.
    #[serde(rename = "float")]
    Float,
    #[serde(rename = "FLAC")]
    Flac,
    #[serde(rename = "ALAC")]
    Alac,
    #[serde(rename = "MP3")]
    Mp3,
    #[serde(rename = "AAC")]
    Aac,
    #[serde(rename = "Vorbis")]
    Vorbis,
    #[serde(rename = "ADPCM")]
    Adpcm,
}

/// Where the channel labels come from.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum LabelSource {
    /// WAVE_FORMAT_EXTENSIBLE's mask, or another container's own channel description.
    File,
    /// The `chna` chunk's references to common definitions (ITU-R BS.2094).
    Chna,
    /// The profile, the route, or `--channels`.
    Told,
    /// One channel is M+000 and two are M+030, M-030: common practice, no source.
    Convention,
}

/// The technical facts of one file.
#[derive(Clone, Debug, PartialEq)]
pub struct Format {
    pub container: Container,
    pub encoding: Encoding,
    pub sample_rate: Hertz,
    /// Bits a sample as the header says; `None` for lossy encodings.
    pub bit_depth: Option<u16>,
    pub channels: usize,
    /// One label a channel, in file order; `None` where nobody says where they play.
    pub labels: Option<Vec<Label>>,
    pub labels_from: Option<LabelSource>,
    /// Length as declared or as present, whichever is less; `None` where only decoding tells.
    pub frames: Option<Frames>,
}

/// Metadata as found, for the record and for checks on what is required.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Metadata {
    #[serde(skip_serializing_if = "Option::is_none")]
    pub bext: Option<Bext>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub ixml: Option<Ixml>,
    /// LIST/INFO entries by their four letters.
    #[serde(skip_serializing_if = "BTreeMap::is_empty", default)]
    pub info: BTreeMap<String, String>,
    #[serde(skip_serializing_if = "Vec::is_empty", default)]
    pub cues: Vec<CuePoint>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub adm: Option<AdmFacts>,
    /// Tags of FLAC, MP3, MP4, Ogg, AIFF and of an `id3 ` chunk, by lower-case name.
    #[serde(skip_serializing_if = "BTreeMap::is_empty", default)]
    pub tags: BTreeMap<String, String>,
    /// Every chunk of a chunked container, in file order.
    #[serde(skip_serializing_if = "Vec::is_empty", default)]
    pub chunks: Vec<ChunkFact>,
}

/// One chunk: its id as text, where its payload starts, how long it is.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct ChunkFact {
    pub id: String,
    pub offset: u64,
    pub bytes: u64,
}

/// The Broadcast Audio Extension chunk (EBU Tech 3285 v2, clause 2.3).
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Bext {
    pub version: u16,
    pub description: String,
    pub originator: String,
    pub originator_reference: String,
    pub origination_date: String,
    pub origination_time: String,
    /// Samples since midnight.
    pub time_reference: u64,
    /// Hexadecimal; `None` before version 1 or when all zero.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub umid: Option<String>,
    /// Version 2 and up, and only where the field is set.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub loudness_lufs: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub range_lu: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub max_true_peak_dbtp: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub max_momentary_lufs: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub max_short_term_lufs: Option<f64>,
    pub coding_history: String,
}

/// The iXML chunk: its length, and its leaf elements by path (`PROJECT`, `BEXT/BWF_ORIGINATOR`).
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Ixml {
    pub bytes: u64,
    /// `false` when the XML could not be parsed; `fields` is then empty.
    pub well_formed: bool,
    pub fields: BTreeMap<String, String>,
}

/// What `axml` and `chna` are, as far as a channel-based file needs it.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct AdmFacts {
    /// Length of the `axml` chunk; `None` when absent.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub axml_bytes: Option<u64>,
    /// Entries of the `chna` chunk (ITU-R BS.2088-1, clause 8).
    #[serde(skip_serializing_if = "Vec::is_empty", default)]
    pub chna: Vec<ChnaEntry>,
}

#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct ChnaEntry {
    /// Counted from 1.
    pub track_index: u16,
    pub uid: String,
    pub track_ref: String,
    pub pack_ref: String,
}

#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct CuePoint {
    pub id: u32,
    pub frame: u64,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub label: Option<String>,
}

/// Something about the bytes that is not as it should be. A fact; the opinion is the judge's.
#[derive(Clone, Debug, PartialEq)]
pub struct Oddity {
    pub kind: OddityKind,
    /// One plain sentence without full stop: what was found and what was expected.
    pub says: String,
    /// Where in the audio, when it has a place there.
    pub at: Option<Seconds>,
    /// Which channel, counted from 0, when it is one.
    pub channel: Option<usize>,
    /// How many times (samples, frames, bytes), at least 1.
    pub count: u64,
}

impl Oddity {
    /// One without a place in the audio, met once.
    pub(super) fn new(kind: OddityKind, says: impl Into<String>) -> Self {
        Self {
            kind,
            says: says.into(),
            at: None,
            channel: None,
            count: 1,
        }
    }

    pub(super) fn counted(mut self, count: u64) -> Self {
        self.count = count.max(1);
        self
    }

    pub(super) fn at(mut self, place: Option<Seconds>) -> Self {
        self.at = place;
        self
    }
}

/// The kinds of oddity; a check of the catalogue reports each.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum OddityKind {
    /// Fewer bytes of audio than the header declares.
    DataTruncated,
    /// The size fields were never written (0 or the pipe's sentinel).
    HeaderUnfinished,
    /// Audio goes on after the end that the header declares.
    HeaderSaysLess,
    /// A size field that contradicts another or the file's length, audio being whole.
    SizesDisagree,
    /// RF64 or BW64 without a ds64 chunk that comes first.
    Ds64Missing,
    /// An odd-sized chunk without its pad byte.
    PadMissing,
    /// Bytes after the end of the container that are no chunk.
    TrailingBytes,
    /// A chunk that may stand once stands twice, and nothing that plays depends on which counts.
    ChunkTwice,
    /// Two readers may take the file for two different things; `says` holds both readings.
    TwoReadings(Rival),
    /// fmt fields that contradict each other and change nothing that plays (byte rate, valid
    /// bits, a block align of 0, a channel mask for another number of channels).
    FormatFields,
    /// The last frame is cut within its samples; counted are the bytes that it lacks.
    PartialFrame,
    /// NaN samples.
    FloatNan,
    /// Infinite samples.
    FloatInf,
    /// Denormal samples.
    FloatDenormal,
    /// Packets or frames that the decoder refused.
    DecodeErrors,
    /// The stream's own digest (FLAC's MD5) does not match the decoded samples.
    StreamDigest,
    /// The name's extension is not the container's.
    ExtensionDiffers,
    /// Metadata that could not be read (bext too short, iXML not well-formed, ...).
    MetadataDamaged,
    /// Channel labels were told for another number of channels.
    LabelsForAnotherCount,
}

/// What there are two readings of.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Rival {
    /// Two ds64 chunks: the length of the audio.
    Sizes,
    /// Two fmt chunks: channels, rate, coding.
    Format,
    /// Two data chunks with something in them: which audio.
    Data,
    /// Two axml chunks: which metadata.
    Axml,
    /// Two chna chunks: which track is what.
    Chna,
    /// `nBlockAlign` is not the number of channels times the bytes of a sample: how the bytes
    /// are cut into samples.
    BlockAlign,
}

impl Rival {
    pub const ALL: [Self; 6] = [
        Self::Sizes,
        Self::Format,
        Self::Data,
        Self::Axml,
        Self::Chna,
        Self::BlockAlign,
    ];
}

/// Digests of one byte sequence, lower-case hexadecimal.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Digests {
    pub blake3: String,
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub sha256: Option<String>,
    /// Only where a watch asks for it.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub md5: Option<String>,
}
