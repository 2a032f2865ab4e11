//! Reads an `axml` chunk into a [`Model`].
//!
//! In: the chunk as a stream, the rows of `chna`, and bounds. Out: the model with every
//! reference resolved, among the file's own elements and the common definitions, and the
//! findings that only the text shows: faults of the XML, values that cannot be read. The text is
//! never held; what is kept is bounded. Knows nothing of audio.
//!
//! Source of elements, attributes and defaults: ITU-R BS.2076-2, clause 5.

mod blocks;
mod elements;
mod object_block;
mod other_blocks;
mod programme;
mod pull;
mod reading;
mod source;
mod values;

#[cfg(test)]
mod tests;

pub(super) use self::programme::is_silent_track;
pub(super) use self::reading::block_name;

use std::io::{self, BufRead};

use self::pull::Stop;
use self::reading::Reading;
use super::chna::ChnaRow;
use super::finding::{Class, Finding, Findings, Severity};
use super::{Model, resolve};

/// How much a document may ask for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Limits {
    /// Bytes of the document.
    pub bytes: u64,
    /// Bytes of one tag, text or comment.
    pub token_bytes: u32,
    /// Elements inside of each other.
    pub depth: u32,
    /// Elements in all.
    pub elements: u64,
    /// Bytes of the model that is made, about.
    pub model_bytes: u64,
}

impl Default for Limits {
    /// Own choice: ten minutes of 118 objects with a block every 30 ms are 0.7 GB of text, 20
    /// million elements and 0.13 GB of model; a film of two hours in that manner does not fit, and says
    /// so.
    fn default() -> Self {
        Self {
            bytes: 4 << 30,
            token_bytes: 1 << 20,
            depth: 64,
            elements: 200_000_000,
            model_bytes: 1 << 30,
        }
    }
}

/// What was read.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Parsed {
    pub model: Model,
    /// Faults of the text; [`check`](crate::adm::check::check) finds those of the model.
    pub findings: Vec<Finding>,
    /// False when the text broke off or has no audioFormatExtended: the model then holds what
    /// stood before, and must not be rendered.
    pub usable: bool,
}

/// Reads a whole axml chunk.
///
/// The document's element may be any; audioFormatExtended is found wherever it stands, in
/// any namespace. Zeros and spaces behind the document are taken as padding.
///
/// # Errors
/// When `reader` fails: the same bytes may read well later. Every fault of the document
/// itself is a finding.
pub fn parse(reader: impl BufRead, limits: &Limits, chna: &[ChnaRow]) -> io::Result<Parsed> {
    let mut reading = Reading::new(reader, limits);
    let usable = match reading.document() {
        Ok(found) => found,
        Err(Stop::Io(error)) => return Err(error),
        Err(Stop::Fault(halt)) => {
            let (line, byte) = reading.pull.place();
            let empty = halt.class == Class::AxmlSyntax && !reading.pull.root_seen() && byte == 0;
            if empty {
                return Ok(without_axml(chna));
            }
            reading.findings.of(
                halt.class,
                Severity::Fail,
                "axml",
                format!("{} (line {line}, before byte {byte})", halt.says),
            );
            false
        }
    };
    if !reading.pull.root_seen() && usable {
        return Ok(without_axml(chna));
    }
    let mut model = reading.model;
    resolve::resolve(&mut model, chna);
    Ok(Parsed {
        model,
        findings: reading.findings.into_list(),
        usable,
    })
}

/// The elements of a document of our own, before any reference is resolved.
pub(super) fn unresolved(reader: impl BufRead, limits: &Limits) -> Model {
    let mut reading = Reading::new(reader, limits);
    // A fault would show in the tests of the common definitions: they are the only user.
    let _ = reading.document();
    reading.model
}

/// The model of a file without an axml chunk: its chna rows point at the common definitions.
///
/// ITU-R BS.2127-1, clause 5, renders such a file track by track.
pub fn without_axml(chna: &[ChnaRow]) -> Parsed {
    let mut model = Model::default();
    resolve::resolve(&mut model, chna);
    let resolved = |uid: &super::model::AudioTrackUid| {
        uid.track_index.is_some()
            && model.channel_of(uid).is_some()
            && uid.pack.as_ref().is_some_and(|pack| pack.target.is_some())
    };
    let usable = !model.track_uids.is_empty() && model.track_uids.iter().all(resolved);
    let mut findings = Findings::default();
    if usable {
        findings.of(
            Class::AxmlMissing,
            Severity::Warn,
            "axml",
            format!(
                "the file has no ADM metadata in axml; its {} tracks are known by chna and the common definitions alone",
                model.track_uids.len()
            ),
        );
    } else {
        findings.of(
            Class::AxmlMissing,
            Severity::Fail,
            "axml",
            "the file has no ADM metadata in axml, and chna does not tie every track to the common definitions".to_owned(),
        );
    }
    Parsed {
        model,
        findings: findings.into_list(),
        usable,
    }
}
