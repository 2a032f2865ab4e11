//! The ends of FLAC, Ogg and MP4: does the last packet that the header promises stand there?
//!
//! In: an open file. Out: a [`Completeness`] from headers and the last bytes alone.

use super::super::error::ReadError;
use super::super::sniff::content_start;
use super::super::source::Source;
use super::Completeness;

/// How much of the end is looked at for the last packet. Own choice: over the longest Ogg page
/// (65,307 bytes) and the longest FLAC frame of eight channels, 24 bits and usual blocks.
const END_BYTES: usize = 1024 * 1024;

/// Own choice: an MP4 has a handful of top-level boxes, a fragmented one some thousands.
const MAX_BOXES: usize = 65_536;

fn incomplete(why: String) -> Completeness {
    Completeness::Incomplete(why)
}

fn end_of(source: &Source) -> Result<Vec<u8>, ReadError> {
    let from = source.len().saturating_sub(END_BYTES as u64);
    source.bytes(from, END_BYTES)
}

/// Whether a frame that ends with the last sample of STREAMINFO stands at the end.
///
/// Source: RFC 9639, sections 8.2 (STREAMINFO), 9.1 (frame header), 9.3 (footer).
pub(super) fn flac(source: &Source) -> Result<Completeness, ReadError> {
    let start = content_start(source)?;
    let Some(info) = source.array::<42>(start)? else {
        return Ok(incomplete("its header is not all there".to_owned()));
    };
    if info[4] & 0x7f != 0 {
        return Ok(Completeness::Unknown);
    }
    let info = &info[8..];
    let block = u64::from(u16::from_be_bytes([info[0], info[1]]));
    let packed = info[10..18]
        .iter()
        .fold(0u64, |n, byte| n << 8 | u64::from(*byte));
    let total = packed & 0xf_ffff_ffff;
    if total == 0 {
        return Ok(Completeness::Unknown);
    }
    let mut end = end_of(source)?;
    // ID3v1 behind the stream: 128 bytes from TAG on.
    if end.len() > 128 && end[end.len() - 128..].starts_with(b"TAG") {
        end.truncate(end.len() - 128);
    }
    let mut reached = 0;
    for at in (0..end.len().saturating_sub(1)).rev() {
        if end[at] != 0xff || end[at + 1] & 0xfe != 0xf8 {
            continue;
        }
        let Some(last) = frame_end(&end[at..], block) else {
            continue;
        };
        if last == total && crc(&end[at..], 0x8005, 16) == 0 {
            return Ok(Completeness::Complete);
        }
        reached = reached.max(last.min(total));
    }
    Ok(incomplete(
        format!(
            "its header declares {total} frames, and the last of them does not stand at the end"
        ) + &match reached {
            0 => String::new(),
            frames => format!(" (found up to {frames})"),
        },
    ))
}

/// The number of the sample after the frame whose header begins here; `None` for no header.
fn frame_end(bytes: &[u8], fixed_block: u64) -> Option<u64> {
    let variable = bytes[1] & 1 != 0;
    let (block_code, rate_code) = (bytes.get(2)? >> 4, bytes[2] & 15);
    let mut at = 4;
    let first = *bytes.get(at)?;
    at += 1;
    // A number in the manner of UTF-8, up to 36 bits.
    let extra = match first.leading_ones() {
        0 => 0,
        1 | 8 => return None,
        ones => ones as usize - 1,
    };
    let mut number = u64::from(first) & (0x7f >> extra);
    for byte in bytes.get(at..at + extra)? {
        number = number << 6 | u64::from(byte & 0x3f);
    }
    at += extra;
    let block = match block_code {
        0 => return None,
        1 => 192,
        code @ 2..=5 => 144 << code,
        6 => u64::from(*bytes.get(at)?) + 1,
        7 => u64::from(u16::from_be_bytes([*bytes.get(at)?, *bytes.get(at + 1)?])) + 1,
        code => 1 << code,
    };
    at += match block_code {
        6 => 1,
        7 => 2,
        _ => 0,
    };
    at += match rate_code {
        12 => 1,
        13 | 14 => 2,
        15 => return None,
        _ => 0,
    };
    let header = bytes.get(..at + 1)?;
    if crc(header, 0x07, 8) != 0 {
        return None;
    }
    let start = match variable {
        true => number,
        false => number * fixed_block,
    };
    Some(start + block)
}

/// Remainder with the top bit first; 0 over bytes that end with their own check sum.
fn crc(bytes: &[u8], polynomial: u32, bits: u32) -> u32 {
    let top = 1u32 << (bits - 1);
    let mask = (top - 1) << 1 | 1;
    bytes.iter().fold(0, |crc, byte| {
        let mut crc = crc ^ u32::from(*byte) << (bits - 8);
        for _ in 0..8 {
            let carry = crc & top != 0;
            crc = crc << 1 & mask;
            if carry {
                crc ^= polynomial;
            }
        }
        crc
    })
}

/// Whether the last page is whole and marked as the last (RFC 3533, section 6).
pub(super) fn ogg(source: &Source) -> Result<Completeness, ReadError> {
    let end = end_of(source)?;
    let Some(at) = end.windows(4).rposition(|four| four == b"OggS") else {
        return Ok(incomplete("no page of it stands near the end".to_owned()));
    };
    let page = &end[at..];
    let cut = || incomplete("its last page is not all there".to_owned());
    let Some(segments) = page.get(26) else {
        return Ok(cut());
    };
    let Some(table) = page.get(27..27 + usize::from(*segments)) else {
        return Ok(cut());
    };
    let bytes: usize = table.iter().map(|bytes| usize::from(*bytes)).sum();
    if page.len() < 27 + table.len() + bytes {
        return Ok(cut());
    }
    if page[5] & 4 == 0 {
        return Ok(incomplete(
            "it has no page that is marked as the last".to_owned(),
        ));
    }
    Ok(Completeness::Complete)
}

/// Whether all top-level boxes fit and the index is among them (ISO/IEC 14496-12, clause 4.2).
pub(super) fn mp4(source: &Source) -> Result<Completeness, ReadError> {
    let len = source.len();
    let mut at = 0;
    let mut has_index = false;
    for _ in 0..MAX_BOXES {
        if at >= len {
            break;
        }
        let Some(head) = source.array::<8>(at)? else {
            return Ok(incomplete("it ends within the head of a box".to_owned()));
        };
        let name = [head[4], head[5], head[6], head[7]];
        let short = u32::from_be_bytes([head[0], head[1], head[2], head[3]]);
        let size = match short {
            0 => len - at,
            1 => match source.array::<8>(at + 8)? {
                Some(long) => u64::from_be_bytes(long),
                None => return Ok(incomplete("it ends within the head of a box".to_owned())),
            },
            short => u64::from(short),
        };
        let end = at.checked_add(size).filter(|end| *end <= len && size >= 8);
        let Some(end) = end else {
            return Ok(incomplete(format!(
                "a box at byte {at} says {size} bytes, the file has {} left",
                len - at
            )));
        };
        has_index |= name == *b"moov";
        at = end;
    }
    Ok(match has_index {
        true => Completeness::Complete,
        false => incomplete("its index (moov) is not there".to_owned()),
    })
}
