//! Chunks that stand more than once, and whether that matters.
//!
//! In: an open file and its chunks in file order. Out: one oddity for each id that stands more
//! than once. A doubled chunk whose copies are equal is harmless; where they differ and decide
//! what plays, two readers may play two things, and both readings are told. Knows nothing of
//! what the chunks mean beyond the few fields that it names.
//!
//! Source: RIFF (Multimedia Programming Interface and Data Specifications 1.0) and ITU-R BS.2088-1
//! define one of each of these chunks and do not say which of two counts.

use super::error::ReadError;
use super::facts::{Oddity, OddityKind, Rival};
use super::riff::{Chunk, FourCc, le16, le32, le64};
use super::source::Source;
use super::text;

/// Every chunk that may stand once, and what it decides where two of them differ; `None` where
/// it decides nothing that plays.
const ONCE: [(&FourCc, Option<Rival>); 9] = [
    (b"ds64", Some(Rival::Sizes)),
    (b"fmt ", Some(Rival::Format)),
    (b"data", Some(Rival::Data)),
    (b"fact", None),
    (b"bext", None),
    (b"iXML", None),
    (b"axml", Some(Rival::Axml)),
    (b"chna", Some(Rival::Chna)),
    (b"cue ", None),
];

/// As much of two chunks is compared; longer ones are taken to differ. Own choice: the metadata
/// of large masters stay under it, and opening a file must not read all of it.
const COMPARED: u64 = 64 << 20;
const PIECE: usize = 1 << 16;

pub(super) fn oddities(source: &Source, chunks: &[Chunk]) -> Result<Vec<Oddity>, ReadError> {
    let mut found = Vec::new();
    for (id, rival) in ONCE {
        let mut of_id = chunks.iter().filter(|chunk| chunk.id == *id);
        let Some(first) = of_id.next() else { continue };
        let mut others = 0;
        let mut other = None;
        for chunk in of_id {
            others += 1;
            if other.is_none() && rival.is_some() && !equal(source, first, chunk)? {
                other = Some(chunk);
            }
        }
        if others == 0 {
            continue;
        }
        let (name, times) = (text::four_letters(id), others + 1);
        found.push(match (rival, other) {
            (Some(rival), Some(other)) => {
                let one = reading(source, rival, first)?;
                let two = reading(source, rival, other)?;
                let says = format!(
                    "the {name} chunk stands {times} times in the file and two readers may read it differently: the first, which was used, {one}; another {two}"
                );
                Oddity::new(OddityKind::TwoReadings(rival), says)
            }
            (Some(_), None) => Oddity::new(
                OddityKind::ChunkTwice,
                format!("the {name} chunk stands {times} times in the file, each time with the same content"),
            ),
            (None, _) => Oddity::new(
                OddityKind::ChunkTwice,
                format!("the {name} chunk stands {times} times in the file, the first was used"),
            ),
        }
        .counted(times));
    }
    Ok(found)
}

/// Whether both hold the same bytes. Audio is not compared: an empty second chunk is harmless,
/// any other one is not.
fn equal(source: &Source, one: &Chunk, other: &Chunk) -> Result<bool, ReadError> {
    if one.id == *b"data" {
        return Ok(other.bytes == 0);
    }
    if one.bytes != other.bytes || one.bytes > COMPARED {
        return Ok(false);
    }
    Ok(first_difference(source, one, other)?.is_none())
}

/// The first byte of the payloads, counted from 0, in which they differ.
fn first_difference(source: &Source, one: &Chunk, other: &Chunk) -> Result<Option<u64>, ReadError> {
    let length = one.bytes.min(other.bytes).min(COMPARED);
    let mut at = 0;
    while at < length {
        let wanted = usize::try_from(length - at).map_or(PIECE, |left| left.min(PIECE));
        let mine = source.bytes(one.start + at, wanted)?;
        let theirs = source.bytes(other.start + at, wanted)?;
        if let Some(place) = mine.iter().zip(&theirs).position(|(a, b)| a != b) {
            return Ok(Some(at + place as u64));
        }
        if mine.len().min(theirs.len()) < wanted {
            break;
        }
        at += wanted as u64;
    }
    Ok((one.bytes != other.bytes).then_some(length))
}

/// What a reader that takes this chunk has of it: the end of a sentence that begins with it.
fn reading(source: &Source, rival: Rival, chunk: &Chunk) -> Result<String, ReadError> {
    let head = source.bytes(
        chunk.start,
        28.min(usize::try_from(chunk.bytes).unwrap_or(28)),
    )?;
    let words = match rival {
        Rival::Format if head.len() >= 16 => Some(format!(
            "says format {:#06x}, {} channels, {} Hz, {} bit",
            le16(&head),
            le16(&head[2..]),
            le32(&head[4..]),
            le16(&head[14..])
        )),
        Rival::Chna if head.len() >= 4 => Some(format!(
            "has {} bytes and says {} tracks with {} track UIDs",
            chunk.bytes,
            le16(&head),
            le16(&head[2..])
        )),
        Rival::Sizes if head.len() >= 16 => {
            Some(format!("says {} bytes of audio", le64(&head[8..])))
        }
        _ => None,
    };
    let words = words.unwrap_or_else(|| format!("has {} bytes", chunk.bytes));
    Ok(format!("{words} (at byte {})", chunk.start))
}
