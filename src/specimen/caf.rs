//! CAF: its chunks, and what `desc` says of the samples.
//!
//! In: an open file. Out: the walk, and for linear PCM facts and the place of the samples;
//! compressed CAF goes to the decoding library.
//!
//! Source: Core Audio Format specification 1.0 (big-endian; 64-bit sizes; chunks are not padded;
//! `data` may be last with a size of -1, which means up to the end of the file).

use super::core_audio::{self, of_channel_layout};
use super::error::{OpenError, ReadError};
use super::facts::{Container, Encoding, Format, Metadata, Oddity, OddityKind};
use super::iff::be32;
use super::labels;
use super::linear::{Linear, MAX_CHANNELS};
use super::metadata::{MAX_ENTRIES, MAX_HELD_BYTES, MAX_TEXT_BYTES, tag_name};
use super::pcm::{Coding, Order};
use super::riff::{Chunk, MAX_CHUNKS};
use super::source::Source;
use super::text;
use crate::layout::Label;

/// The edit count before the samples in `data`.
const DATA_HEAD: u64 = 4;

pub(super) struct Caf {
    pub chunks: Vec<Chunk>,
    pub oddities: Vec<Oddity>,
    pub incomplete: Option<String>,
    /// `data` says that it goes to the end of the file.
    pub open_ended: bool,
}

impl Caf {
    pub fn chunk(&self, id: &[u8; 4]) -> Option<&Chunk> {
        self.chunks.iter().find(|chunk| chunk.id == *id)
    }

    /// The format's four letters.
    pub fn format_id(&self, source: &Source) -> Result<Option<[u8; 4]>, ReadError> {
        match self.chunk(b"desc") {
            Some(chunk) => source.array::<4>(chunk.start + 8),
            None => Ok(None),
        }
    }
}

pub(super) fn walk(source: &Source) -> Result<Caf, ReadError> {
    let len = source.len();
    let mut caf = Caf {
        chunks: Vec::new(),
        oddities: Vec::new(),
        incomplete: None,
        open_ended: false,
    };
    let mut at = 8;
    while at < len && caf.chunks.len() < MAX_CHUNKS {
        let header = source.array::<12>(at)?;
        let Some(header) = header.filter(|h| h[..4].iter().all(|b| (0x20..0x7f).contains(b)))
        else {
            caf.oddities.push(
                Oddity::new(
                    OddityKind::TrailingBytes,
                    format!("the last {} bytes of the file are no chunk", len - at),
                )
                .counted(len - at),
            );
            break;
        };
        let id = [header[0], header[1], header[2], header[3]];
        let (start, left) = (at + 12, len - at - 12);
        let size = u64::from(be32(&header[4..])) << 32 | u64::from(be32(&header[8..]));
        let declared = match size {
            u64::MAX if id == *b"data" => {
                caf.open_ended = true;
                left
            }
            size => size,
        };
        let bytes = declared.min(left);
        caf.chunks.push(Chunk { id, start, bytes });
        if declared > left {
            let name = text::four_letters(&id);
            let says = format!("the {name} chunk says {declared} bytes, the file has {left} left");
            caf.incomplete = Some(says.clone());
            let kind = match &id {
                b"data" => OddityKind::DataTruncated,
                _ => OddityKind::SizesDisagree,
            };
            caf.oddities
                .push(Oddity::new(kind, says).counted(declared - left));
            break;
        }
        at = start + bytes;
    }
    Ok(caf)
}

/// Facts of linear PCM in CAF.
pub(super) fn open(
    source: &Source,
    caf: &Caf,
    told: Option<&[Label]>,
) -> Result<(Format, Vec<Oddity>, Linear), OpenError> {
    let desc = match caf.chunk(b"desc") {
        Some(chunk) => source.array::<32>(chunk.start)?,
        None => None,
    };
    let desc = desc.ok_or_else(|| OpenError::damaged("it has no desc chunk"))?;
    let bits_of_rate = u64::from(be32(&desc)) << 32 | u64::from(be32(&desc[4..]));
    let (sample_rate, whole) = core_audio::rate(f64::from_bits(bits_of_rate))
        .ok_or_else(|| OpenError::damaged("the desc chunk says no usable sample rate"))?;
    let flags = be32(&desc[12..]);
    let packet_bytes = be32(&desc[16..]);
    let channels = be32(&desc[24..]);
    let bits = be32(&desc[28..]);
    let channels = usize::try_from(channels).unwrap_or(usize::MAX);
    if channels == 0 {
        return Err(OpenError::damaged("the desc chunk says 0 channels"));
    }
    if channels > MAX_CHANNELS {
        return Err(OpenError::unsupported(format!(
            "{channels} channels, and we read at most {MAX_CHANNELS}"
        )));
    }
    let order = if flags & 2 != 0 {
        Order::Little
    } else {
        Order::Big
    };
    let stated = usize::try_from(packet_bytes).unwrap_or(0);
    let (width, rest) = (stated / channels, stated % channels);
    let (encoding, coding) = match (flags & 1 != 0, bits) {
        (true, 32) => (Encoding::Float, Some(Coding::Float32(order))),
        (true, 64) => (Encoding::Float, Some(Coding::Float64(order))),
        (false, 1..=32) if rest == 0 && width * 8 >= bits as usize => {
            (Encoding::Pcm, Coding::signed(width, order))
        }
        _ => (Encoding::Pcm, None),
    };
    let coding = coding.filter(|coding| coding.bytes() * channels == stated);
    let coding = coding.ok_or_else(|| {
        OpenError::unsupported(format!(
            "a CAF file with {bits} bits a sample in {stated} bytes a frame"
        ))
    })?;
    let data = caf
        .chunk(b"data")
        .ok_or_else(|| OpenError::damaged("it has no data chunk"))?;
    let skip = DATA_HEAD.min(data.bytes);
    let body = Linear {
        start: data.start + skip,
        bytes: data.bytes - skip,
        coding,
        channels,
        sample_rate,
    };
    let mut oddities = Vec::new();
    if !whole {
        oddities.push(Oddity::new(
            OddityKind::FormatFields,
            "the sample rate is no whole number of hertz",
        ));
    }
    oddities.extend(body.partial_frame());
    let of_file = match caf.chunk(b"chan") {
        Some(chunk) => of_channel_layout(&held(source, chunk)?),
        None => None,
    };
    let (labels, labels_from) = labels::choose(channels, of_file, &[], told).unzip();
    let format = Format {
        container: Container::Caf,
        encoding,
        sample_rate,
        bit_depth: u16::try_from(bits).ok(),
        channels,
        labels,
        labels_from,
        frames: Some(body.frames()),
    };
    Ok((format, oddities, body))
}

/// Chunks as facts, and the texts of `info`.
pub(super) fn metadata(source: &Source, caf: &Caf) -> Result<Metadata, ReadError> {
    let mut metadata = Metadata {
        chunks: caf.chunks.iter().map(Chunk::fact).collect(),
        ..Metadata::default()
    };
    if let Some(chunk) = caf.chunk(b"info") {
        let payload = held(source, chunk)?;
        let mut texts = payload.get(4..).unwrap_or(&[]).split(|byte| *byte == 0);
        for _ in 0..MAX_ENTRIES {
            let (Some(key), Some(value)) = (texts.next(), texts.next()) else {
                break;
            };
            let name = text::cut(tag_name(&text::field(key)), MAX_TEXT_BYTES);
            let value = text::cut(text::field(value), MAX_TEXT_BYTES);
            if !name.is_empty() && !value.is_empty() {
                metadata.tags.entry(name).or_insert(value);
            }
        }
    }
    Ok(metadata)
}

fn held(source: &Source, chunk: &Chunk) -> Result<Vec<u8>, ReadError> {
    let wanted = usize::try_from(chunk.bytes).unwrap_or(usize::MAX);
    source.bytes(chunk.start, wanted.min(MAX_HELD_BYTES))
}
