//! Compressed files, through the decoding library: FLAC, MP3, AAC (ADTS and MP4), ALAC, Ogg
//! Vorbis, and CAF with one of these.
//!
//! In: an open file and its kind. Out: facts, and a [`Coded`] that says how to read it. What the
//! library cannot decode is refused here in words: Opus, AAC other than LC or with more than two
//! channels, Vorbis with more than two (decoded wrongly), A-law and mu-law. It follows no edit list: an MP4's encoder delay stays in. It may
//! panic on hostile bytes, so every call into it is caught; a panic counts as refused bytes.

mod read;
mod tap;

pub(super) use read::read;

use std::collections::BTreeMap;
use std::panic::{AssertUnwindSafe, catch_unwind};

use symphonia::core::audio::Channels;
use symphonia::core::codecs::CodecParameters;
use symphonia::core::codecs::audio::well_known as codec;
use symphonia::core::codecs::audio::{
    AudioCodecId, AudioCodecParameters, AudioDecoder, AudioDecoderOptions,
};
use symphonia::core::errors::Error;
use symphonia::core::formats::probe::Hint;
use symphonia::core::formats::{FormatOptions, FormatReader, TrackType};
use symphonia::core::io::{MediaSourceStream, MediaSourceStreamOptions};
use symphonia::core::meta::{MetadataOptions, RawValue};

use super::error::{OpenError, ReadError};
use super::facts::{Container, Encoding, Format, Metadata};
use super::labels;
use super::linear::MAX_CHANNELS;
use super::metadata::{MAX_ENTRIES, MAX_HELD_BYTES, MAX_TEXT_BYTES, read_id3, tag_name};
use super::sniff::{Kind, content_start};
use super::source::Source;
use super::text;
use crate::layout::Label;
use crate::units::{Frames, Hertz};
use tap::{Digesting, Tap};

/// How a compressed file is read.
#[derive(Clone, Debug)]
pub(super) struct Coded {
    pub kind: Kind,
    pub encoding: Encoding,
    pub sample_rate: Hertz,
    pub channels: usize,
    /// Bits a sample where decoding gives the very integers that were encoded.
    pub lossless_bits: Option<u16>,
    /// Frames that the header declares, where it is exact.
    pub declared: Option<u64>,
}

/// Reads the header and makes a decoder, to know that there is one.
pub(super) fn open(
    source: &Source,
    kind: Kind,
    told: Option<&[Label]>,
) -> Result<(Format, Metadata, Coded), OpenError> {
    let digesting = Digesting::new(None);
    let opened = caught(|| {
        let mut stream = Stream::open(source, &digesting, kind)?;
        let mut tags = tags(stream.reader.as_mut());
        if begin(source, kind)? > 0 {
            read_id3(&source.bytes(0, MAX_HELD_BYTES)?, &mut tags);
        }
        Ok((stream.facts()?, tags))
    });
    // What the disk says goes before what the library makes of it.
    if let Some(failure) = digesting.take_failure() {
        return Err(failure.into());
    }
    let ((facts, channels), tags) = opened.unwrap_or_else(|| {
        Err(OpenError::damaged(
            "the decoding library gave up on its header",
        ))
    })?;
    let of_file = positions(&channels);
    let chosen = labels::choose(facts.channels, of_file, &[], told);
    let (labels, labels_from) = chosen.unzip();
    let format = Format {
        container: match kind {
            Kind::Caf => Container::Caf,
            Kind::Flac => Container::Flac,
            Kind::Mp3 => Container::Mp3,
            Kind::Adts => Container::Adts,
            Kind::Mp4 => Container::Mp4,
            Kind::Ogg | Kind::Riff | Kind::Form => Container::Ogg,
        },
        encoding: facts.encoding.clone(),
        sample_rate: facts.sample_rate,
        bit_depth: facts.lossless_bits,
        channels: facts.channels,
        labels,
        labels_from,
        frames: facts.declared.map(Frames),
    };
    let metadata = Metadata {
        tags,
        ..Metadata::default()
    };
    Ok((format, metadata, facts))
}

impl Kind {
    /// Whether the library has to jump about in the file. Where it need not, it must not: it
    /// would estimate the length from the end of the file and trim by the estimate.
    fn needs_jumps(self) -> bool {
        matches!(self, Self::Mp4 | Self::Caf | Self::Ogg)
    }
}

/// Where the library begins: behind an ID3v2 tag, which it would search through for frames.
fn begin(source: &Source, kind: Kind) -> Result<u64, ReadError> {
    match kind.needs_jumps() {
        true => Ok(0),
        false => content_start(source),
    }
}

/// A demultiplexer and the decoder for its sound track.
struct Stream<'a> {
    reader: Box<dyn FormatReader + 'a>,
    decoder: Box<dyn AudioDecoder>,
    track: u32,
    kind: Kind,
    frames: Option<u64>,
}

impl<'a> Stream<'a> {
    fn open(source: &'a Source, digesting: &'a Digesting, kind: Kind) -> Result<Self, OpenError> {
        match Self::open_as(source, digesting, kind, kind.needs_jumps()) {
            // The end of a cut Ogg file cannot be looked at for the length; its start can.
            Err(OpenError::Damaged { .. }) if kind == Kind::Ogg => {
                Self::open_as(source, digesting, kind, false)
            }
            opened => opened,
        }
    }

    fn open_as(
        source: &'a Source,
        digesting: &'a Digesting,
        kind: Kind,
        seekable: bool,
    ) -> Result<Self, OpenError> {
        let tap = Tap {
            source,
            digesting,
            at: begin(source, kind)?,
            seekable,
        };
        let stream = MediaSourceStream::new(Box::new(tap), MediaSourceStreamOptions::default());
        let mut hint = Hint::new();
        hint.with_extension(match kind {
            Kind::Flac => "flac",
            Kind::Mp3 => "mp3",
            Kind::Adts => "aac",
            Kind::Mp4 => "m4a",
            Kind::Caf => "caf",
            Kind::Ogg | Kind::Riff | Kind::Form => "ogg",
        });
        let reader = symphonia::default::get_probe()
            .probe(
                &hint,
                stream,
                FormatOptions::default(),
                MetadataOptions::default(),
            )
            .map_err(refused)?;
        let found = reader.default_track(TrackType::Audio);
        let Some((id, frames, params)) = found.and_then(|track| match &track.codec_params {
            Some(CodecParameters::Audio(params)) => {
                Some((track.id, track.num_frames, params.clone()))
            }
            _ => None,
        }) else {
            return Err(OpenError::unsupported(
                "no sound track in it has a coding that we know",
            ));
        };
        if params.codec == codec::CODEC_ID_OPUS {
            return Err(OpenError::unsupported(
                "the sound is Opus, and the decoding library has no decoder for it",
            ));
        }
        let decoder = symphonia::default::get_codecs()
            .make_audio_decoder(&params, &AudioDecoderOptions::default().verify(true))
            .map_err(refused)?;
        Ok(Self {
            reader,
            decoder,
            track: id,
            kind,
            frames,
        })
    }

    fn facts(&self) -> Result<(Coded, Channels), OpenError> {
        let params = self.decoder.codec_params();
        let rate = params.sample_rate.and_then(Hertz::new);
        let channels = params.channels.clone().unwrap_or(Channels::None);
        let count = channels.count();
        if count == 0 || count > MAX_CHANNELS {
            return Err(OpenError::unsupported(format!("{count} channels")));
        }
        let (encoding, lossless_bits) = encoding(params)?;
        // Held against a second decoder, its samples are wrong from the third channel on.
        if encoding == Encoding::Vorbis && count > 2 {
            return Err(OpenError::unsupported(format!(
                "Vorbis with {count} channels, which the decoding library does not decode rightly"
            )));
        }
        let coded = Coded {
            kind: self.kind,
            encoding,
            sample_rate: rate
                .ok_or_else(|| OpenError::damaged("its header says no sample rate"))?,
            channels: count,
            lossless_bits,
            declared: self.frames.filter(|frames| *frames > 0),
        };
        Ok((coded, channels))
    }
}

/// Runs a call into the library; `None` when it panicked.
fn caught<T>(call: impl FnOnce() -> T) -> Option<T> {
    catch_unwind(AssertUnwindSafe(call)).ok()
}

/// The library's refusal of a header as ours. A read error of the disk is told by the tap; the
/// end of the file within the header is damage.
fn refused(error: Error) -> OpenError {
    match error {
        Error::Unsupported(what) if what.contains("missing moov") => {
            OpenError::damaged("its index (moov) is not there")
        }
        Error::Unsupported(what) => {
            OpenError::unsupported(format!("the decoding library says {what}"))
        }
        Error::IoError(_) => OpenError::damaged("the file ends within its header"),
        other => OpenError::damaged(format!("the decoding library says {other}")),
    }
}

const PCM_INTEGERS: &[(AudioCodecId, u16)] = &[
    (codec::CODEC_ID_PCM_S8, 8),
    (codec::CODEC_ID_PCM_U8, 8),
    (codec::CODEC_ID_PCM_S16LE, 16),
    (codec::CODEC_ID_PCM_S16BE, 16),
    (codec::CODEC_ID_PCM_S24LE, 24),
    (codec::CODEC_ID_PCM_S24BE, 24),
    (codec::CODEC_ID_PCM_S32LE, 32),
    (codec::CODEC_ID_PCM_S32BE, 32),
];

const PCM_FLOATS: &[AudioCodecId] = &[
    codec::CODEC_ID_PCM_F32LE,
    codec::CODEC_ID_PCM_F32BE,
    codec::CODEC_ID_PCM_F64LE,
    codec::CODEC_ID_PCM_F64BE,
];

/// The coding, and its bits where decoding is exact.
fn encoding(params: &AudioCodecParameters) -> Result<(Encoding, Option<u16>), OpenError> {
    let bits = params
        .bits_per_sample
        .and_then(|bits| u16::try_from(bits).ok());
    Ok(match params.codec {
        codec::CODEC_ID_FLAC => (Encoding::Flac, bits),
        codec::CODEC_ID_ALAC => {
            let cookie = params.extra_data.as_deref().map_or(&[][..], alac_cookie);
            // Frame length (4 bytes), version, bit depth (from memory).
            let depth = cookie
                .get(5)
                .copied()
                .filter(|bits| (1..=32).contains(bits));
            (Encoding::Alac, depth.map(u16::from))
        }
        codec::CODEC_ID_MP3 => (Encoding::Mp3, None),
        codec::CODEC_ID_AAC => (Encoding::Aac, None),
        codec::CODEC_ID_VORBIS => (Encoding::Vorbis, None),
        codec::CODEC_ID_ADPCM_MS | codec::CODEC_ID_ADPCM_IMA_WAV | codec::CODEC_ID_ADPCM_IMA_QT => {
            (Encoding::Adpcm, None)
        }
        other => {
            if let Some((_, bits)) = PCM_INTEGERS.iter().find(|(id, _)| *id == other) {
                (Encoding::Pcm, Some(*bits))
            } else if PCM_FLOATS.contains(&other) {
                (Encoding::Float, None)
            } else {
                return Err(OpenError::unsupported(format!(
                    "its sound is in a coding that we do not weigh ({other})"
                )));
            }
        }
    })
}

/// The cookie itself: older writers put a `frma` and an `alac` atom around it.
fn alac_cookie(mut bytes: &[u8]) -> &[u8] {
    for name in [b"frma", b"alac"] {
        if bytes.get(4..8) == Some(name) {
            bytes = bytes.get(12..).unwrap_or(&[]);
        }
    }
    bytes
}

/// Labels where the stream says positions. The library's first 18 are those of the WAVE mask,
/// and its planes stand in that order.
fn positions(channels: &Channels) -> Option<Vec<Label>> {
    match channels {
        Channels::Positioned(positions) => u32::try_from(positions.bits())
            .ok()
            .and_then(labels::of_mask),
        _ => None,
    }
}

/// Text tags of all revisions, the first of a name wins.
fn tags(reader: &mut (dyn FormatReader + '_)) -> BTreeMap<String, String> {
    let mut tags = BTreeMap::new();
    let mut log = reader.metadata();
    while let Some(revision) = log.current() {
        for tag in &revision.media.tags {
            let value = match &tag.raw.value {
                RawValue::Binary(_) | RawValue::Flag => continue,
                value => value.to_string(),
            };
            let name = text::cut(tag_name(&text::clean(&tag.raw.key)), MAX_TEXT_BYTES);
            let value = text::cut(text::clean(&value), MAX_TEXT_BYTES);
            if !name.is_empty() && !value.is_empty() && tags.len() < MAX_ENTRIES {
                tags.entry(name).or_insert(value);
            }
        }
        if log.pop().is_none() {
            break;
        }
    }
    tags
}
