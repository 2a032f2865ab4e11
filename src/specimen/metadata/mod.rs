//! The metadata chunks of the RIFF family, collected.
//!
//! In: an open file and its chunks. Out: a [`Metadata`] and the oddities of what could not be
//! read. What is held in memory is capped by kind; nothing here decides what is required.

mod bext;
mod id3;
mod ixml;
mod listed;

pub(super) use id3::{name_of as tag_name, read as read_id3};

use super::error::ReadError;
use super::facts::{AdmFacts, ChnaEntry, Metadata, Oddity, OddityKind};
use super::riff::{Chunk, Riff, le16};
use super::source::Source;
use super::text;

/// What is read of one metadata chunk. Own choice: the longest real ones (coding histories, iXML
/// of a hundred tracks, a picture in `id3 `) are well under it, and several of them together
/// must not grow memory.
pub(super) const MAX_HELD_BYTES: usize = 4 * 1024 * 1024;

/// The longest text value that is kept. Own choice: a person reads it in the record.
pub(super) const MAX_TEXT_BYTES: usize = 16 * 1024;

/// Texts of one kind that are kept (iXML fields, INFO entries, tags, cue points). Own choice.
pub(super) const MAX_ENTRIES: usize = 1024;

/// `numTracks`, `numUIDs`, then 40 bytes an entry (ITU-R BS.2088-1, clause 8).
const CHNA_HEAD: usize = 4;
const CHNA_ENTRY: usize = 40;

/// Reads all metadata of a RIFF file. Chunks that are too broken are oddities, never errors.
pub(super) fn of_riff(source: &Source, riff: &Riff) -> Result<(Metadata, Vec<Oddity>), ReadError> {
    let mut metadata = Metadata {
        chunks: riff.facts(),
        ..Metadata::default()
    };
    let mut oddities = Vec::new();
    let mut damaged = |says: String| {
        oddities.push(Oddity::new(OddityKind::MetadataDamaged, says));
    };
    let payload = |chunk: &Chunk| {
        let wanted = usize::try_from(chunk.bytes).unwrap_or(usize::MAX);
        source.bytes(chunk.start, wanted.min(MAX_HELD_BYTES))
    };

    if let Some(chunk) = riff.chunk(b"bext") {
        match bext::read(&payload(chunk)?) {
            Ok(bext) => metadata.bext = Some(bext),
            Err(says) => damaged(says),
        }
    }
    if let Some(chunk) = riff.chunk(b"iXML") {
        let (ixml, says) = if chunk.bytes > MAX_HELD_BYTES as u64 {
            let says = format!("the iXML chunk has {} bytes and was not read", chunk.bytes);
            (super::facts::Ixml::default(), Some(says))
        } else {
            ixml::read(&payload(chunk)?)
        };
        metadata.ixml = Some(super::facts::Ixml {
            bytes: chunk.bytes,
            ..ixml
        });
        if let Some(says) = says {
            damaged(says);
        }
    }
    let mut labels = Vec::new();
    for chunk in riff.chunks.iter().filter(|chunk| chunk.id == *b"LIST") {
        let payload = payload(chunk)?;
        let whole = match payload.get(..4) {
            Some(b"INFO") => listed::read_info(&payload[4..], &mut metadata.info),
            Some(b"adtl") => listed::read_labels(&payload[4..], &mut labels),
            _ => true,
        };
        if !whole {
            damaged("an entry of a LIST chunk is longer than the chunk".to_owned());
        }
    }
    if let Some(chunk) = riff.chunk(b"cue ") {
        match listed::read_cues(&payload(chunk)?, &labels) {
            (cues, true) => metadata.cues = cues,
            (cues, false) => {
                damaged(format!(
                    "the cue chunk declares more points than the {} that it holds",
                    cues.len()
                ));
                metadata.cues = cues;
            }
        }
    }
    for id in [b"id3 ", b"ID3 "] {
        if let Some(chunk) = riff.chunk(id)
            && !id3::read(&payload(chunk)?, &mut metadata.tags)
        {
            damaged("the id3 chunk holds no ID3v2 tag that we can read".to_owned());
        }
    }
    let axml_bytes = riff.chunk(b"axml").map(|chunk| chunk.bytes);
    let chna = match riff.chunk(b"chna") {
        Some(chunk) => {
            let (entries, says) = read_chna(&payload(chunk)?);
            if let Some(says) = says {
                damaged(says);
            }
            Some(entries)
        }
        None => None,
    };
    if axml_bytes.is_some() || chna.is_some() {
        metadata.adm = Some(AdmFacts {
            axml_bytes,
            chna: chna.unwrap_or_default(),
        });
    }
    Ok((metadata, oddities))
}

/// Entries with a track index, in chunk order: index 0 marks a place that is kept free.
fn read_chna(payload: &[u8]) -> (Vec<ChnaEntry>, Option<String>) {
    if payload.len() < CHNA_HEAD {
        let says = format!("the chna chunk has {} bytes, it needs 4", payload.len());
        return (Vec::new(), Some(says));
    }
    let declared = usize::from(le16(&payload[2..]));
    let present = (payload.len() - CHNA_HEAD) / CHNA_ENTRY;
    let entries = payload[CHNA_HEAD..]
        .chunks_exact(CHNA_ENTRY)
        .filter(|entry| le16(entry) != 0)
        .map(|entry| ChnaEntry {
            track_index: le16(entry),
            uid: text::field(&entry[2..14]),
            track_ref: text::field(&entry[14..28]),
            pack_ref: text::field(&entry[28..39]),
        })
        .collect::<Vec<_>>();
    let says = (declared > present)
        .then(|| format!("the chna chunk declares {declared} entries and has room for {present}"));
    (entries, says)
}
