//! AIFF and AIFF-C: the chunks of a FORM, what COMM says of the samples, texts and markers.
//!
//! In: an open file. Out: facts, metadata, and where the samples lie. The samples themselves are
//! linear PCM and read like WAVE's; compressed AIFF-C is refused in words.
//!
//! Source: Audio Interchange File Format 1.3 and its AIFF-C draft (big-endian; chunks padded to
//! an even length; samples in the fewest whole bytes, their bits at the top).

use super::core_audio::{self, of_channel_layout};
use super::error::{OpenError, ReadError};
use super::facts::{Container, CuePoint, Encoding, Format, Metadata, Oddity, OddityKind};
use super::labels;
use super::linear::{Linear, MAX_CHANNELS};
use super::metadata::{self, MAX_ENTRIES, MAX_HELD_BYTES, MAX_TEXT_BYTES};
use super::pcm::{Coding, Order};
use super::riff::{Chunk, MAX_CHUNKS};
use super::source::Source;
use super::text;
use crate::layout::Label;

/// `offset` and `blockSize` before the samples in SSND.
const SSND_HEAD: u64 = 8;

/// The chunks of one FORM and what its size fields are worth.
pub(super) struct Form {
    pub container: Container,
    pub chunks: Vec<Chunk>,
    pub oddities: Vec<Oddity>,
    /// Why the header cannot be the last word of whoever writes the file.
    pub incomplete: Option<String>,
}

impl Form {
    pub fn chunk(&self, id: &[u8; 4]) -> Option<&Chunk> {
        self.chunks.iter().find(|chunk| chunk.id == *id)
    }
}

/// Walks from the first chunk to the end of the file.
pub(super) fn walk(source: &Source) -> Result<Form, OpenError> {
    let Some(head) = source.array::<12>(0)? else {
        return Err(OpenError::damaged(format!(
            "it has {} bytes, and a header alone has 12",
            source.len()
        )));
    };
    let container = match &head[8..] {
        b"AIFC" => Container::Aifc,
        _ => Container::Aiff,
    };
    let mut form = Form {
        container,
        chunks: Vec::new(),
        oddities: Vec::new(),
        incomplete: None,
    };
    let end = chunks(source, &mut form)?;
    let says = u64::from(be32(&head[4..])) + 8;
    let len = source.len();
    if form.incomplete.is_some() {
        return Ok(form);
    }
    if says == 8 {
        form.unfinished("the size of the whole is not set");
    } else if says > len + 1 {
        let text = format!("the header says {says} bytes for the file, it has {len}");
        form.incomplete = Some(text.clone());
        form.odd(OddityKind::SizesDisagree, text, 1);
    } else if says + 1 < end {
        let text = format!("the header says that the chunks end at byte {says}, they end at {end}");
        form.odd(OddityKind::SizesDisagree, text, 1);
    }
    Ok(form)
}

/// Returns where the last chunk ends.
fn chunks(source: &Source, form: &mut Form) -> Result<u64, ReadError> {
    let len = source.len();
    let mut at = 12;
    while at < len && form.chunks.len() < MAX_CHUNKS {
        let header = source.array::<8>(at)?;
        let Some(header) = header.filter(|h| h[..4].iter().all(|b| (0x20..0x7f).contains(b)))
        else {
            form.odd(
                OddityKind::TrailingBytes,
                format!("the last {} bytes of the file are no chunk", len - at),
                len - at,
            );
            break;
        };
        let id = [header[0], header[1], header[2], header[3]];
        let (start, left) = (at + 8, len - at - 8);
        let declared = u64::from(be32(&header[4..]));
        if id == *b"SSND" && declared <= SSND_HEAD && left > SSND_HEAD {
            // A recorder fills the size in at the end; here it never came to it, unless real
            // chunks follow an empty sound.
            let next = source.array::<8>(start + declared)?;
            let follows = next.is_some_and(|next| {
                next[..4].iter().all(|b| (0x20..0x7f).contains(b))
                    && u64::from(be32(&next[4..])) <= left - declared
            });
            if !follows {
                form.chunks.push(Chunk {
                    id,
                    start,
                    bytes: left,
                });
                form.unfinished("the size of the audio is not set although audio follows");
                return Ok(len);
            }
        }
        let bytes = declared.min(left);
        form.chunks.push(Chunk { id, start, bytes });
        if declared > left {
            let name = text::four_letters(&id);
            let says = format!("the {name} chunk says {declared} bytes, the file has {left} left");
            form.incomplete = Some(says.clone());
            let kind = match &id {
                b"SSND" => OddityKind::DataTruncated,
                _ => OddityKind::SizesDisagree,
            };
            form.odd(kind, says, declared - left);
            return Ok(len);
        }
        at = start + bytes;
        if bytes % 2 == 1 {
            if at == len {
                let name = text::four_letters(&id);
                form.odd(
                    OddityKind::PadMissing,
                    format!("the {name} chunk has {bytes} bytes and no pad byte after them"),
                    1,
                );
            } else {
                at += 1;
            }
        }
    }
    Ok(at)
}

impl Form {
    fn odd(&mut self, kind: OddityKind, says: String, count: u64) {
        self.oddities.push(Oddity::new(kind, says).counted(count));
    }

    fn unfinished(&mut self, why: &str) {
        let says = format!("the header was never finished: {why}");
        self.incomplete = Some(says.clone());
        self.odd(OddityKind::HeaderUnfinished, says, 1);
    }
}

/// Facts, metadata, oddities and the place of the samples.
pub(super) fn open(
    source: &Source,
    told: Option<&[Label]>,
) -> Result<(Format, Metadata, Vec<Oddity>, Linear), OpenError> {
    let form = walk(source)?;
    let comm = form
        .chunk(b"COMM")
        .ok_or_else(|| OpenError::damaged("it has no COMM chunk"))?;
    let comm = source.bytes(comm.start, 22)?;
    let comm = read_comm(&comm, form.container)?;
    let ssnd = form
        .chunk(b"SSND")
        .ok_or_else(|| OpenError::damaged("it has no SSND chunk"))?;
    let offset = match source.array::<4>(ssnd.start)? {
        Some(offset) => u64::from(be32(&offset)),
        None => 0,
    };
    let skip = (SSND_HEAD + offset).min(ssnd.bytes);
    let mut body = Linear {
        start: ssnd.start + skip,
        bytes: ssnd.bytes - skip,
        coding: comm.coding,
        channels: comm.channels,
        sample_rate: comm.sample_rate.0,
    };
    let mut oddities = Vec::new();
    let unfinished = form
        .oddities
        .iter()
        .any(|o| o.kind == OddityKind::HeaderUnfinished);
    let truncated = form
        .oddities
        .iter()
        .any(|o| o.kind == OddityKind::DataTruncated);
    let declared = u64::from(comm.frames) * body.frame_bytes();
    if !unfinished && !truncated && declared != body.bytes {
        let frames = body.bytes / body.frame_bytes();
        // One pad byte within SSND is usual where blocks are of odd length.
        if declared > body.bytes || body.bytes - declared > 1 {
            oddities.push(Oddity::new(
                OddityKind::SizesDisagree,
                format!("COMM says {} frames, SSND holds {frames}", comm.frames),
            ));
        }
        body.bytes = body.bytes.min(declared);
    }
    oddities.extend(form.oddities.iter().cloned());
    if !comm.sample_rate.1 {
        oddities.push(Oddity::new(
            OddityKind::FormatFields,
            "the sample rate is no whole number of hertz",
        ));
    }
    let (metadata, damaged) = metadata(source, &form)?;
    oddities.extend(damaged);
    oddities.extend(body.partial_frame());
    let of_file = match form.chunk(b"CHAN") {
        Some(chunk) => of_channel_layout(&held(source, chunk)?),
        None => None,
    };
    let chosen = labels::choose(body.channels, of_file, &[], told);
    let (labels, labels_from) = chosen.unzip();
    let format = Format {
        container: form.container,
        encoding: comm.encoding,
        sample_rate: body.sample_rate,
        bit_depth: Some(comm.bits),
        channels: body.channels,
        labels,
        labels_from,
        frames: Some(body.frames()),
    };
    Ok((format, metadata, oddities, body))
}

struct Comm {
    channels: usize,
    frames: u32,
    bits: u16,
    /// And whether it is a whole number.
    sample_rate: (crate::units::Hertz, bool),
    encoding: Encoding,
    coding: Coding,
}

fn read_comm(payload: &[u8], container: Container) -> Result<Comm, OpenError> {
    let needed = if container == Container::Aifc { 22 } else { 18 };
    if payload.len() < needed {
        return Err(OpenError::damaged(format!(
            "the COMM chunk has {} bytes, it needs {needed}",
            payload.len()
        )));
    }
    let channels = usize::from(be16(payload));
    if channels == 0 {
        return Err(OpenError::damaged("the COMM chunk says 0 channels"));
    }
    if channels > MAX_CHANNELS {
        return Err(OpenError::unsupported(format!(
            "{channels} channels, and we read at most {MAX_CHANNELS}"
        )));
    }
    let bits = be16(&payload[6..]);
    let sample_rate = core_audio::rate(extended(&payload[8..18]))
        .ok_or_else(|| OpenError::damaged("the COMM chunk says no usable sample rate"))?;
    let compression = match container {
        Container::Aifc => [payload[18], payload[19], payload[20], payload[21]],
        _ => *b"NONE",
    };
    let integer = |bits: u16, order: Order| Coding::signed(usize::from(bits.div_ceil(8)), order);
    // AIFF-C compression types; sowt, 23ni and the like are written by systems whose own order
    // is little-endian (common practice, no source).
    let (encoding, coding, bits) = match &compression {
        b"NONE" | b"twos" => (Encoding::Pcm, integer(bits, Order::Big), bits),
        b"sowt" => (Encoding::Pcm, integer(bits, Order::Little), bits),
        b"raw " if bits <= 8 => (Encoding::Pcm, Some(Coding::Unsigned8), bits),
        b"in24" => (Encoding::Pcm, integer(24, Order::Big), 24),
        b"42ni" => (Encoding::Pcm, integer(24, Order::Little), 24),
        b"in32" => (Encoding::Pcm, integer(32, Order::Big), 32),
        b"23ni" => (Encoding::Pcm, integer(32, Order::Little), 32),
        b"fl32" | b"FL32" => (Encoding::Float, Some(Coding::Float32(Order::Big)), 32),
        b"fl64" | b"FL64" => (Encoding::Float, Some(Coding::Float64(Order::Big)), 64),
        other => {
            return Err(OpenError::unsupported(format!(
                "an AIFF-C file of compression {:?}, we read the uncompressed ones",
                text::four_letters(other)
            )));
        }
    };
    let coding = coding
        .ok_or_else(|| OpenError::unsupported(format!("an AIFF file with {bits} bits a sample")))?;
    Ok(Comm {
        channels,
        frames: be32(&payload[2..]),
        bits,
        sample_rate,
        encoding,
        coding,
    })
}

fn held(source: &Source, chunk: &Chunk) -> Result<Vec<u8>, ReadError> {
    let wanted = usize::try_from(chunk.bytes).unwrap_or(usize::MAX);
    source.bytes(chunk.start, wanted.min(MAX_HELD_BYTES))
}

fn metadata(source: &Source, form: &Form) -> Result<(Metadata, Vec<Oddity>), ReadError> {
    let mut metadata = Metadata {
        chunks: form.chunks.iter().map(Chunk::fact).collect(),
        ..Metadata::default()
    };
    let mut damaged = Vec::new();
    for chunk in &form.chunks {
        let name = match &chunk.id {
            b"NAME" => "title",
            b"AUTH" => "author",
            b"(c) " => "copyright",
            b"ANNO" => "annotation",
            b"MARK" => {
                metadata.cues = markers(&held(source, chunk)?);
                continue;
            }
            b"ID3 " => {
                if !metadata::read_id3(&held(source, chunk)?, &mut metadata.tags) {
                    damaged.push(Oddity::new(
                        OddityKind::MetadataDamaged,
                        "the ID3 chunk holds no ID3v2 tag that we can read",
                    ));
                }
                continue;
            }
            _ => continue,
        };
        let value = text::cut(text::field(&held(source, chunk)?), MAX_TEXT_BYTES);
        if !value.is_empty() {
            metadata.tags.entry(name.to_owned()).or_insert(value);
        }
    }
    Ok((metadata, damaged))
}

/// `numMarkers`, then id, position, name with its length before it, padded to even.
fn markers(payload: &[u8]) -> Vec<CuePoint> {
    let mut cues = Vec::new();
    let Some(mut rest) = payload.get(2..) else {
        return cues;
    };
    for _ in 0..usize::from(be16(payload)).min(MAX_ENTRIES) {
        let Some(head) = rest.get(..7) else { break };
        let length = usize::from(head[6]);
        let Some(name) = rest.get(7..7 + length) else {
            break;
        };
        let label = text::field(name);
        cues.push(CuePoint {
            id: u32::from(be16(head)),
            frame: u64::from(be32(&head[2..])),
            label: (!label.is_empty()).then_some(label),
        });
        rest = rest.get(7 + length + (length + 1) % 2..).unwrap_or(&[]);
    }
    cues
}

/// 80-bit IEEE 754 extended: sign and exponent (bias 16383), then 64 bits with the leading one.
fn extended(bytes: &[u8]) -> f64 {
    let exponent = i32::from(be16(bytes) & 0x7fff) - 16_383 - 63;
    let mantissa = u64::from(be32(&bytes[2..])) << 32 | u64::from(be32(&bytes[6..]));
    mantissa as f64 * 2f64.powi(exponent)
}

/// The first two bytes; the caller has checked the length.
pub(super) fn be16(bytes: &[u8]) -> u16 {
    u16::from_be_bytes([bytes[0], bytes[1]])
}

/// The first four bytes; the caller has checked the length.
pub(super) fn be32(bytes: &[u8]) -> u32 {
    u32::from_be_bytes([bytes[0], bytes[1], bytes[2], bytes[3]])
}
