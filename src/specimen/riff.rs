//! Walks the chunks of a WAVE, RF64 or BW64 file and says where each one lies.
//!
//! In: an open file. Out: a [`Riff`]: ids, offsets, sizes, what the header says of its own
//! completeness, and the oddities met on the way. Knows nothing of samples or of metadata.
//!
//! Source: RIFF after the Multimedia Programming Interface and Data Specifications 1.0 (chunks,
//! padding); RF64 after EBU Tech 3306; BW64 after ITU-R BS.2088-1 (`ds64`, sentinel).

use super::doubled;
use super::error::{OpenError, ReadError};
use super::facts::{ChunkFact, Container, Oddity, OddityKind};
use super::source::Source;
use super::text;

pub(super) type FourCc = [u8; 4];

/// In a 32-bit size field: the size stands in `ds64` (RF64, BW64), or was not known yet (a
/// file that was written into a pipe).
const SENTINEL: u32 = u32::MAX;

/// Own choice: exports hold some dozens of chunks, and a file of nothing but empty chunks must
/// not fill memory.
pub(super) const MAX_CHUNKS: usize = 4096;

/// Own choice: `ds64` lists the chunks other than `data` that are over 4 GB, so a handful.
const MAX_TABLE: usize = 256;

/// Bytes after `data` that are no chunk are taken for audio from this length on. Own choice:
/// rubbish that programs leave is shorter, a recorder's last buffers are longer.
const AUDIO_AFTER_END: u64 = 4096;

#[derive(Clone, Debug)]
pub(super) struct Chunk {
    pub id: FourCc,
    /// Of the payload.
    pub start: u64,
    /// Payload bytes that are in the file: the declared size, or what is there of it.
    pub bytes: u64,
}

/// The chunks of one file and what its size fields are worth.
#[derive(Debug)]
pub(super) struct Riff {
    pub container: Container,
    /// In file order.
    pub chunks: Vec<Chunk>,
    pub oddities: Vec<Oddity>,
    /// Why the header cannot be the last word of whoever writes the file, as far as it goes.
    pub incomplete: Option<String>,
}

impl Riff {
    /// The first chunk of that id.
    pub fn chunk(&self, id: &FourCc) -> Option<&Chunk> {
        self.chunks.iter().find(|chunk| chunk.id == *id)
    }

    pub fn facts(&self) -> Vec<ChunkFact> {
        self.chunks.iter().map(Chunk::fact).collect()
    }
}

impl Chunk {
    pub fn fact(&self) -> ChunkFact {
        ChunkFact {
            id: text::four_letters(&self.id),
            offset: self.start,
            bytes: self.bytes,
        }
    }
}

/// Whether the first bytes are those of this family.
pub(super) fn is_riff(head: &[u8]) -> bool {
    [b"RIFF", b"RF64", b"BW64"]
        .iter()
        .any(|id| head.starts_with(*id))
}

/// Walks from the first chunk to the end of the file.
///
/// # Errors
/// `Damaged` without a whole header, `Unsupported` where the form is not `WAVE`.
pub(super) fn walk(source: &Source) -> Result<Riff, OpenError> {
    let Some(head) = source.array::<12>(0)? else {
        return Err(OpenError::damaged(format!(
            "it has {} bytes, and a header alone has 12",
            source.len()
        )));
    };
    let container = match &head[..4] {
        b"RIFF" => Container::Wave,
        b"RF64" => Container::Rf64,
        b"BW64" => Container::Bw64,
        _ => return Err(OpenError::damaged("its first bytes are not RIFF")),
    };
    if &head[8..] != b"WAVE" {
        return Err(OpenError::unsupported(format!(
            "a RIFF file whose form is {:?} and not WAVE",
            String::from_utf8_lossy(&head[8..])
        )));
    }
    let mut walk = Walk {
        source,
        len: source.len(),
        long: container != Container::Wave,
        ds64: None,
        riff: Riff {
            container,
            chunks: Vec::new(),
            oddities: Vec::new(),
            incomplete: None,
        },
        data_open: false,
        blank: None,
    };
    let end = walk.chunks()?;
    walk.judge_riff_size(le32(&head[4..]), end);
    walk.judge_order();
    let doubled = doubled::oddities(source, &walk.riff.chunks)?;
    walk.riff.oddities.extend(doubled);
    Ok(walk.riff)
}

/// The 64-bit sizes (EBU Tech 3306, clause 3; ITU-R BS.2088-1, `ds64`).
#[derive(Debug, Default)]
struct Ds64 {
    riff: u64,
    data: u64,
    table: Vec<(FourCc, u64)>,
}

struct Walk<'a> {
    source: &'a Source,
    len: u64,
    long: bool,
    ds64: Option<Ds64>,
    riff: Riff,
    /// The end of `data` is not known from the header or lies beyond the file.
    data_open: bool,
    /// Where zeros stand in the place of a chunk.
    blank: Option<u64>,
}

impl Walk<'_> {
    /// Returns where the last chunk ends.
    fn chunks(&mut self) -> Result<u64, ReadError> {
        let mut at = 12;
        while at < self.len {
            if self.riff.chunks.len() == MAX_CHUNKS {
                self.odd(
                    OddityKind::TrailingBytes,
                    format!("more than {MAX_CHUNKS} chunks, what follows was not looked at"),
                    self.len - at,
                );
                break;
            }
            let header = self.source.array::<8>(at)?;
            let Some(header) = header.filter(|header| is_id(&header[..4])) else {
                self.stray(at)?;
                break;
            };
            let id: FourCc = [header[0], header[1], header[2], header[3]];
            let start = at + 8;
            let left = self.len - start;
            let declared = self.declared(id, le32(&header[4..]), start)?;
            let bytes = declared.min(left);
            self.riff.chunks.push(Chunk { id, start, bytes });
            if id == *b"ds64" && self.long && self.ds64.is_none() {
                self.ds64 = self.read_ds64(start, bytes)?;
            }
            if declared > left {
                self.cut_short(id, declared, left);
                return Ok(self.len);
            }
            at = self.next(id, start + bytes, bytes)?;
        }
        Ok(at.min(self.len))
    }

    /// The size that counts for a chunk whose 32-bit field says `field`.
    fn declared(&mut self, id: FourCc, field: u32, start: u64) -> Result<u64, ReadError> {
        let left = self.len - start;
        if id != *b"data" {
            let listed = self.ds64.as_ref().filter(|_| field == SENTINEL);
            let listed = listed.and_then(|ds64| ds64.table.iter().find(|(of, _)| *of == id));
            return Ok(listed.map_or(u64::from(field), |(_, bytes)| *bytes));
        }
        let long = self.ds64.as_ref().map(|ds64| ds64.data);
        let size = match (field, long) {
            (SENTINEL, Some(long)) => long,
            (SENTINEL, None) => {
                self.unfinished("the size of the audio is still the mark for not known yet");
                return Ok(left);
            }
            // Seen in the field: an RF64 whose 32-bit size is not the sentinel. The document
            // gives the 32-bit field the word, so ds64 has it only where that leads nowhere.
            (field, Some(long)) if long != u64::from(field) => {
                let field = u64::from(field);
                self.odd(
                    OddityKind::SizesDisagree,
                    format!(
                        "the data chunk says {field} bytes and the ds64 chunk says {long} for it"
                    ),
                    1,
                );
                let good = field > 0 && self.chain_from(start, field)?;
                if good || long > left { field } else { long }
            }
            (field, _) => u64::from(field),
        };
        if size == 0 && left > 0 && !self.chain_from(start, 0)? {
            self.unfinished("the size of the audio is 0 although audio follows");
            return Ok(left);
        }
        Ok(size)
    }

    fn unfinished(&mut self, why: &str) {
        self.data_open = true;
        self.riff.incomplete = Some(format!("the header was never finished: {why}"));
        self.odd(
            OddityKind::HeaderUnfinished,
            format!("the header was never finished: {why}; everything after it is taken for audio"),
            1,
        );
    }

    /// Whether a payload of `bytes` from `start` on is followed by nothing or by whole chunks up
    /// to the end of the file.
    fn chain_from(&self, start: u64, bytes: u64) -> Result<bool, ReadError> {
        let Some(mut at) = start.checked_add(bytes).filter(|end| *end <= self.len) else {
            return Ok(false);
        };
        at += bytes % 2;
        for _ in 0..MAX_CHUNKS {
            // One byte less than at: the last pad byte is missing.
            if at >= self.len {
                return Ok(true);
            }
            let Some(end) = self.plausible(at)? else {
                return Ok(false);
            };
            at = end + (end - at) % 2;
        }
        Ok(false)
    }

    /// Where the chunk at `at` ends, if a chunk that fits into the file can stand there.
    fn plausible(&self, at: u64) -> Result<Option<u64>, ReadError> {
        let header = self.source.array::<8>(at)?;
        Ok(header.filter(|h| is_id(&h[..4])).and_then(|header| {
            let end = at + 8 + u64::from(le32(&header[4..]));
            (end <= self.len).then_some(end)
        }))
    }

    /// Where the next header starts: chunks are padded to an even length, and the pad byte is
    /// not counted in the size (RIFF specification, "chunk"; ITU-R BS.2088-1, clause 2).
    fn next(&mut self, id: FourCc, end: u64, bytes: u64) -> Result<u64, ReadError> {
        if bytes.is_multiple_of(2) || self.data_open {
            return Ok(end);
        }
        let padded = end + 1;
        let missing = end == self.len
            || (padded < self.len
                && self.plausible(padded)?.is_none()
                && self.plausible(end)?.is_some());
        if missing {
            self.odd(
                OddityKind::PadMissing,
                format!(
                    "the {} chunk has {bytes} bytes and no pad byte after them",
                    text::four_letters(&id)
                ),
                1,
            );
            return Ok(end);
        }
        Ok(padded)
    }

    fn cut_short(&mut self, id: FourCc, declared: u64, left: u64) {
        let name = text::four_letters(&id);
        let says = format!("the {name} chunk says {declared} bytes, the file has {left} left");
        self.riff.incomplete = Some(says.clone());
        if id == *b"data" {
            self.data_open = true;
            self.odd(OddityKind::DataTruncated, says, declared - left);
        } else {
            self.odd(OddityKind::SizesDisagree, says, declared - left);
        }
    }

    /// Bytes that are no chunk: rubbish, or audio that the header does not know of.
    fn stray(&mut self, at: u64) -> Result<(), ReadError> {
        let bytes = self.len - at;
        let after_data = self.riff.chunks.last().is_some_and(|c| c.id == *b"data");
        let head = self.source.bytes(at, AUDIO_AFTER_END as usize)?;
        let blank = head.iter().all(|byte| *byte == 0);
        self.blank = blank.then_some(at);
        if after_data && bytes >= AUDIO_AFTER_END && !blank {
            self.odd(
                OddityKind::HeaderSaysLess,
                format!(
                    "after the end of the audio that the header declares come {bytes} more bytes that are no chunk and may be audio"
                ),
                bytes,
            );
        } else {
            self.odd(
                OddityKind::TrailingBytes,
                format!("the last {bytes} bytes of the file are no chunk"),
                bytes,
            );
        }
        Ok(())
    }

    fn judge_riff_size(&mut self, field: u32, end: u64) {
        let size = match (field, &self.ds64) {
            (SENTINEL, Some(ds64)) => ds64.riff,
            (SENTINEL | 0, _) => {
                if self.riff.incomplete.is_none() {
                    let why = "the size of the whole is not set";
                    self.riff.incomplete = Some(format!("the header was never finished: {why}"));
                    self.odd(
                        OddityKind::HeaderUnfinished,
                        format!("the header was never finished: {why}"),
                        1,
                    );
                }
                return;
            }
            (field, _) => u64::from(field),
        };
        if self.data_open {
            return;
        }
        let Some(says) = size.checked_add(8) else {
            self.odd(
                OddityKind::SizesDisagree,
                format!("the header says that {size} bytes follow it"),
                1,
            );
            return;
        };
        // The header counts chunks there: space that was set aside and is not written yet.
        if let Some(at) = self
            .blank
            .filter(|at| says >= self.len && self.len - at >= 8)
        {
            self.riff.incomplete.get_or_insert(format!(
                "the end may not have been written yet: zeros stand where a chunk should, at byte {at}"
            ));
        }
        // A missing or an uncounted last pad byte makes one byte of difference.
        if says > self.len + 1 {
            let text = format!(
                "the header says {says} bytes for the file, it has {}",
                self.len
            );
            // Writers are known that count the 8 bytes of the first header twice: no chunk
            // with anything in it can be missing there, so nothing need be waited for.
            if says > self.len + 8 && self.riff.incomplete.is_none() {
                self.riff.incomplete = Some(text.clone());
            }
            self.odd(OddityKind::SizesDisagree, text, 1);
        } else if says + 1 < end {
            self.odd(
                OddityKind::SizesDisagree,
                format!("the header says that the chunks end at byte {says}, they end at {end}"),
                1,
            );
        }
    }

    fn judge_order(&mut self) {
        let first = self.riff.chunks.first().map(|chunk| chunk.id);
        if self.long && first != Some(*b"ds64") {
            let name = if self.riff.container == Container::Rf64 {
                "RF64"
            } else {
                "BW64"
            };
            self.odd(
                OddityKind::Ds64Missing,
                format!("the first chunk of this {name} file is not ds64"),
                1,
            );
        }
    }

    /// `riffSize`, `dataSize`, `sampleCount`, `tableLength`, table (EBU Tech 3306, clause 3).
    fn read_ds64(&mut self, start: u64, bytes: u64) -> Result<Option<Ds64>, ReadError> {
        let wanted = usize::try_from(bytes).unwrap_or(usize::MAX);
        let payload = self.source.bytes(start, wanted.min(28 + 12 * MAX_TABLE))?;
        if payload.len() < 28 {
            self.odd(
                OddityKind::SizesDisagree,
                format!("the ds64 chunk has {} bytes, it needs 28", payload.len()),
                1,
            );
            return Ok(None);
        }
        let entries = usize::try_from(le32(&payload[24..])).unwrap_or(usize::MAX);
        let table = payload[28..]
            .chunks_exact(12)
            .take(entries)
            .map(|entry| ([entry[0], entry[1], entry[2], entry[3]], le64(&entry[4..])))
            .collect();
        Ok(Some(Ds64 {
            riff: le64(&payload),
            data: le64(&payload[8..]),
            table,
        }))
    }

    fn odd(&mut self, kind: OddityKind, says: String, count: u64) {
        self.riff
            .oddities
            .push(Oddity::new(kind, says).counted(count));
    }
}

/// Four printable ASCII characters (RIFF specification, "FOURCC").
fn is_id(id: &[u8]) -> bool {
    id.iter().all(|byte| (0x20..0x7f).contains(byte))
}

/// The first two bytes; the caller has checked the length.
pub(super) fn le16(bytes: &[u8]) -> u16 {
    u16::from_le_bytes([bytes[0], bytes[1]])
}

/// The first four bytes; the caller has checked the length.
pub(super) fn le32(bytes: &[u8]) -> u32 {
    u32::from_le_bytes([bytes[0], bytes[1], bytes[2], bytes[3]])
}

/// The first eight bytes; the caller has checked the length.
pub(super) fn le64(bytes: &[u8]) -> u64 {
    u64::from(le32(bytes)) | u64::from(le32(&bytes[4..])) << 32
}
