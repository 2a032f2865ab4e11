//! Whether a file is all there, for intake: do its sizes agree with its length right now, and is
//! its end written?
//!
//! In: a path. Out: a [`Completeness`]. Reads headers and the tail only, decodes nothing. A
//! wrong "incomplete" costs a wait, a wrong "complete" costs a weighing of half a file, so
//! doubt is incomplete; what a container cannot tell is unknown and left to settling.

mod packed;

use std::io;
use std::path::Path;

use rustix::fs::SeekFrom;

use super::digest::to_io;
use super::error::{OpenError, ReadError};
use super::sniff::{self, Kind};
use super::source::Source;
use super::{caf, iff, riff};

/// What a header and a tail say of a file.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Completeness {
    Complete,
    /// Why, in one plain sentence without full stop.
    Incomplete(String),
    /// The container cannot tell, or the file is no audio.
    Unknown,
}

/// Bytes that are looked at from the end backwards for the first that is not 0. Own choice: a
/// programme may end in a minute of digital silence, and an answer must stay cheap.
const TAIL_BYTES: u64 = 64 * 1024 * 1024;

/// Step of that look, and the unit in which copying programs and file systems write.
const STEP_BYTES: u64 = 64 * 1024;
const PAGE_BYTES: u64 = 4096;

/// Looks at one file. `InvalidInput` where it is no regular file.
pub fn completeness(path: &Path) -> io::Result<Completeness> {
    let source = Source::open(path).map_err(to_io)?;
    match look(&source, path) {
        Ok(answer) => Ok(answer),
        Err(error) => Err(to_io(error)),
    }
}

fn look(source: &Source, path: &Path) -> Result<Completeness, OpenError> {
    let kind = match sniff::kind(source) {
        Ok(kind) => kind,
        Err(error @ OpenError::Io { .. }) => return Err(error),
        Err(OpenError::NotAudio { .. }) if sniff::is_audio_name(path) => return head(source),
        Err(_) => return Ok(Completeness::Unknown),
    };
    let whole_file = (0, source.len());
    match kind {
        Kind::Riff => {
            let riff = match wait_for(riff::walk(source))? {
                Ok(riff) => riff,
                Err(answer) => return Ok(answer),
            };
            let data = riff
                .chunk(b"data")
                .filter(|_| riff.chunk(b"fmt ").is_some());
            let span = data.map(|data| (data.start, data.start + data.bytes));
            chunked(source, riff.incomplete, span, Completeness::Complete)
        }
        Kind::Form => {
            let form = match wait_for(iff::walk(source))? {
                Ok(form) => form,
                Err(answer) => return Ok(answer),
            };
            let data = form
                .chunk(b"SSND")
                .filter(|_| form.chunk(b"COMM").is_some());
            let span = data.map(|data| (data.start, data.start + data.bytes));
            chunked(source, form.incomplete, span, Completeness::Complete)
        }
        Kind::Caf => {
            let caf = caf::walk(source)?;
            let span = caf
                .chunk(b"data")
                .map(|data| (data.start, data.start + data.bytes));
            let otherwise = match caf.open_ended {
                true => Completeness::Unknown,
                false => Completeness::Complete,
            };
            chunked(source, caf.incomplete, span, otherwise)
        }
        Kind::Flac => tail_then(source, whole_file, packed::flac(source)?),
        Kind::Ogg => tail_then(source, whole_file, packed::ogg(source)?),
        Kind::Mp4 => tail_then(source, whole_file, packed::mp4(source)?),
        Kind::Mp3 | Kind::Adts => tail_then(source, whole_file, Completeness::Unknown),
    }
}

/// A header that is not all there yet is waited for; a kind that we do not read is not.
fn wait_for<T>(walked: Result<T, OpenError>) -> Result<Result<T, Completeness>, OpenError> {
    match walked {
        Ok(walked) => Ok(Ok(walked)),
        Err(OpenError::Damaged { what }) => Ok(Err(Completeness::Incomplete(what))),
        Err(error @ OpenError::Io { .. }) => Err(error),
        Err(_) => Ok(Err(Completeness::Unknown)),
    }
}

fn chunked(
    source: &Source,
    incomplete: Option<String>,
    audio: Option<(u64, u64)>,
    otherwise: Completeness,
) -> Result<Completeness, OpenError> {
    match (incomplete, audio) {
        (Some(why), _) => Ok(Completeness::Incomplete(why)),
        (None, None) => Ok(Completeness::Incomplete(
            "its header is there, its audio is not".to_owned(),
        )),
        (None, Some(span)) => tail_then(source, span, otherwise),
    }
}

/// A name that promises audio over bytes that are none.
fn head(source: &Source) -> Result<Completeness, OpenError> {
    let first = source.bytes(0, PAGE_BYTES as usize)?;
    if first.len() < 12 {
        return Ok(Completeness::Incomplete(format!(
            "it has {} bytes, too few for any header",
            first.len()
        )));
    }
    if first.iter().all(|byte| *byte == 0) {
        return Ok(Completeness::Incomplete(
            "its beginning is not written yet".to_owned(),
        ));
    }
    Ok(Completeness::Unknown)
}

/// `otherwise`, unless the end may not have been written yet.
fn tail_then(
    source: &Source,
    (start, end): (u64, u64),
    otherwise: Completeness,
) -> Result<Completeness, OpenError> {
    if let Completeness::Incomplete(_) = otherwise {
        return Ok(otherwise);
    }
    if let Some(at) = hole(source, start, end) {
        return Ok(Completeness::Incomplete(format!(
            "a part was never written: the file has a hole at byte {at}"
        )));
    }
    if let Some(at) = unwritten_tail(source, start, end)? {
        return Ok(Completeness::Incomplete(format!(
            "the end may not have been written yet: from byte {at} on there are only zeros"
        )));
    }
    Ok(otherwise)
}

/// The first hole in the audio, where the file system tells.
fn hole(source: &Source, start: u64, end: u64) -> Option<u64> {
    if start >= end {
        return None;
    }
    // A file system that cannot tell says that the hole is at the end of the file, or refuses.
    let at = rustix::fs::seek(source.file(), SeekFrom::Hole(start)).ok()?;
    (at < end && at < source.len()).then_some(at)
}

/// Where the zeros at the end of the audio begin, when they look like space that a copying
/// program set aside: at least a page, from the border of a page, behind something that is no
/// zero.
fn unwritten_tail(source: &Source, start: u64, end: u64) -> Result<Option<u64>, ReadError> {
    let least = start.max(end.saturating_sub(TAIL_BYTES));
    let mut step = vec![0; STEP_BYTES as usize];
    let mut to = end;
    while to > least {
        let from = least.max(to.saturating_sub(STEP_BYTES));
        // At most a step.
        let got = source.fill(from, &mut step[..(to - from) as usize])?;
        if let Some(last) = step[..got].iter().rposition(|byte| *byte != 0) {
            let zeros = from + last as u64 + 1;
            let looks_so = zeros.is_multiple_of(PAGE_BYTES) && end - zeros >= PAGE_BYTES;
            return Ok(looks_so.then_some(zeros));
        }
        to = from;
    }
    Ok(None)
}
