//! What `fmt ` says of the samples in a WAVE, RF64 or BW64 file.
//!
//! In: the payload of `fmt `. Out: a [`FmtFacts`] with the oddities of fields that contradict
//! each other. Knows nothing of the other chunks.
//!
//! Source: Multimedia Programming Interface and Data Specifications 1.0 (`fmt-ck`, PCM: a sample
//! stands in the fewest whole bytes, its bits at the top); WAVEFORMATEXTENSIBLE (valid bits,
//! channel mask, sub-format).

use super::error::OpenError;
use super::facts::{Encoding, Oddity, OddityKind, Rival};
use super::linear::MAX_CHANNELS;
use super::pcm::{Coding, Order};
use super::riff::{le16, le32};
use crate::units::Hertz;

const PCM: u16 = 0x0001;
const IEEE_FLOAT: u16 = 0x0003;
const EXTENSIBLE: u16 = 0xfffe;

/// The sub-format's last 14 bytes: the first two are the format tag.
const SUBFORMAT_TAIL: [u8; 14] = [
    0x00, 0x00, 0x00, 0x00, 0x10, 0x00, 0x80, 0x00, 0x00, 0xaa, 0x00, 0x38, 0x9b, 0x71,
];

/// As much of `fmt ` as is looked at: the extensible form has 40 bytes.
pub(super) const FMT_BYTES: usize = 40;

#[derive(Debug)]
pub(super) struct FmtFacts {
    pub encoding: Encoding,
    pub coding: Coding,
    pub channels: usize,
    pub sample_rate: Hertz,
    pub bit_depth: u16,
    /// The channel mask of the extensible form; 0 says nothing.
    pub mask: u32,
    pub oddities: Vec<Oddity>,
}

/// Reads the payload of `fmt `.
pub(super) fn read_fmt(payload: &[u8]) -> Result<FmtFacts, OpenError> {
    if payload.len() < 16 {
        return Err(OpenError::damaged(format!(
            "the fmt chunk has {} bytes, it needs at least 16",
            payload.len()
        )));
    }
    let mut oddities = Vec::new();
    let mut odd = |says: String| oddities.push(Oddity::new(OddityKind::FormatFields, says));
    let mut tag = le16(payload);
    let channels = usize::from(le16(&payload[2..]));
    let rate = le32(&payload[4..]);
    let byte_rate = le32(&payload[8..]);
    let block_align = usize::from(le16(&payload[12..]));
    let bits = le16(&payload[14..]);
    let mut valid_bits = bits;
    let mut mask = 0;

    if channels == 0 {
        return Err(OpenError::damaged("the fmt chunk says 0 channels"));
    }
    if channels > MAX_CHANNELS {
        return Err(OpenError::unsupported(format!(
            "{channels} channels, and we read at most {MAX_CHANNELS}"
        )));
    }
    let sample_rate = Hertz::new(rate)
        .ok_or_else(|| OpenError::damaged("the fmt chunk says a sample rate of 0 Hz"))?;
    if tag == EXTENSIBLE {
        if payload.len() < FMT_BYTES {
            return Err(OpenError::damaged(format!(
                "the extensible fmt chunk has {} bytes, it needs {FMT_BYTES}",
                payload.len()
            )));
        }
        valid_bits = le16(&payload[18..]);
        mask = le32(&payload[20..]);
        tag = le16(&payload[24..]);
        if payload[26..40] != SUBFORMAT_TAIL {
            return Err(OpenError::unsupported(
                "a WAVE file with a sub-format that we do not know",
            ));
        }
    }

    let least = usize::from(bits.div_ceil(8));
    let stated = block_align / channels;
    let by_least = || {
        format!(
            "fmt says {block_align} bytes a frame, {channels} channels of {bits} bits have {}, as they were read",
            least * channels
        )
    };
    let mut two_readings = None;
    let (encoding, coding) = match tag {
        PCM if (1..=32).contains(&bits) => {
            let bytes = if block_align % channels == 0 && (least..=4).contains(&stated) {
                if stated != least {
                    two_readings = Some(format!(
                        "fmt says {bits} bits a sample and {block_align} bytes a frame of {channels} channels: by the bytes a sample has {stated} bytes, as it was read, by the bits it has {least}"
                    ));
                }
                stated
            } else {
                two_readings = Some(by_least());
                least
            };
            let coding = match bytes {
                1 => Some(Coding::Unsigned8),
                bytes => Coding::signed(bytes, Order::Little),
            };
            (Encoding::Pcm, coding)
        }
        IEEE_FLOAT if bits == 32 || bits == 64 => {
            if block_align != least * channels {
                two_readings = Some(by_least());
            }
            let coding = if bits == 32 {
                Coding::Float32(Order::Little)
            } else {
                Coding::Float64(Order::Little)
            };
            (Encoding::Float, Some(coding))
        }
        PCM | IEEE_FLOAT => {
            return Err(OpenError::unsupported(format!(
                "a WAVE file with {bits} bits a sample"
            )));
        }
        tag => {
            return Err(OpenError::unsupported(format!(
                "a WAVE file of format {tag:#06x} ({}), we read linear PCM and floats",
                tag_name(tag)
            )));
        }
    };
    let coding = coding
        .ok_or_else(|| OpenError::unsupported(format!("a WAVE file with {bits} bits a sample")))?;

    let expected = u64::from(rate) * (channels * coding.bytes()) as u64;
    if u64::from(byte_rate) != expected {
        odd(format!(
            "fmt says {byte_rate} bytes a second, its other fields give {expected}"
        ));
    }
    if valid_bits > bits {
        odd(format!(
            "fmt says {valid_bits} valid bits in samples of {bits}"
        ));
    }
    let bit_depth = if (1..=bits).contains(&valid_bits) {
        valid_bits
    } else {
        bits
    };
    if mask != 0 && mask.count_ones() as usize != channels {
        odd(format!(
            "the channel mask {mask:#x} names {} positions, the file has {channels} channels",
            mask.count_ones()
        ));
        mask = 0;
    }
    // No reader can cut frames of 0 bytes: there is one reading.
    let kind = match block_align {
        0 => OddityKind::FormatFields,
        _ => OddityKind::TwoReadings(Rival::BlockAlign),
    };
    oddities.extend(two_readings.map(|says| Oddity::new(kind, says)));
    Ok(FmtFacts {
        encoding,
        coding,
        channels,
        sample_rate,
        bit_depth,
        mask,
        oddities,
    })
}

/// A few of the registered format tags, for the message.
fn tag_name(tag: u16) -> &'static str {
    match tag {
        0x0002 | 0x0011 => "ADPCM",
        0x0006 => "A-law",
        0x0007 => "mu-law",
        0x0050 => "MPEG layer 1 or 2",
        0x0055 => "MP3",
        0x00ff | 0x1600 | 0x1610 => "AAC",
        0xf1ac => "FLAC",
        _ => "not known to us",
    }
}
