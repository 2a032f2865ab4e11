//! A [`Specimen`]: one opened file with its facts, and the one reading of it.
//!
//! Puts the parts of the room together: the kind decides who reads the header and who reads the
//! samples; oddities of both are collected. Knows nothing of any container itself.

use std::path::Path;

use super::block::BlockSink;
use super::chunk::ChunkReader;
use super::coded::{self, Coded};
use super::error::{OpenError, ReadError};
use super::facts::{Digests, Format, Metadata, Oddity, OddityKind};
use super::linear::{self, Linear};
use super::pcm::Coding;
use super::sniff::{self, Kind};
use super::source::Source;
use super::{caf, iff, labels, metadata, riff, wave};
use crate::intake::Identity;
use crate::layout::Label;
use crate::units::Frames;

/// An opened file: facts known, samples not yet read.
#[derive(Debug)]
pub struct Specimen {
    source: Source,
    format: Format,
    metadata: Metadata,
    oddities: Vec<Oddity>,
    body: Body,
}

/// How the samples are got.
#[derive(Debug)]
enum Body {
    Linear(Linear),
    Coded(Coded),
}

/// What a header gives: all of a [`Specimen`] but the file itself.
struct Opened {
    format: Format,
    metadata: Metadata,
    oddities: Vec<Oddity>,
    body: Body,
}

/// What one pass over a file found.
#[derive(Clone, Debug)]
pub struct Reading {
    /// Frames that were given to the sink.
    pub frames: Frames,
    /// Of the file's bytes; empty when `ended_early`.
    pub digests: Digests,
    /// BLAKE3 of the audio payload alone; empty when `ended_early`. For linear PCM the bytes of
    /// the audio as they stand in the file; for lossless codings the decoded samples,
    /// interleaved, little-endian, signed, in the fewest whole bytes; for lossy codings the
    /// encoded packets. Tags do not touch it.
    pub audio_blake3: String,
    /// All of them: from opening and from reading.
    pub oddities: Vec<Oddity>,
    pub metadata: Metadata,
    /// By the same descriptor when the reading had ended: differs where the file was changed.
    pub identity_after: Identity,
    /// The sink said that it wants no more.
    pub ended_early: bool,
}

impl Specimen {
    /// Opens read-only, follows no link, takes regular files only.
    ///
    /// `told`: labels from route, profile or `--channels`, for a file that does not say where
    /// its channels play; left aside when their number is not the file's.
    pub fn open(path: &Path, told: Option<&[Label]>) -> Result<Self, OpenError> {
        let source = Source::open(path)?;
        let opened = match sniff::kind(&source)? {
            Kind::Riff => open_riff(&source, told)?,
            Kind::Form => {
                let (format, metadata, oddities, body) = iff::open(&source, told)?;
                Opened {
                    format,
                    metadata,
                    oddities,
                    body: Body::Linear(body),
                }
            }
            Kind::Caf => open_caf(&source, told)?,
            kind => {
                let (format, metadata, coded) = coded::open(&source, kind, told)?;
                Opened {
                    format,
                    metadata,
                    oddities: Vec::new(),
                    body: Body::Coded(coded),
                }
            }
        };
        let mut oddities = opened.oddities;
        if let Body::Linear(linear) = &opened.body {
            let end = linear.frames().at(linear.sample_rate);
            for oddity in &mut oddities {
                if oddity.kind == OddityKind::DataTruncated {
                    oddity.at = Some(end);
                }
            }
        }
        oddities.extend(sniff::extension_differs(path, opened.format.container));
        oddities.extend(labels::told_for_another_count(&opened.format, told));
        Ok(Self {
            source,
            format: opened.format,
            metadata: opened.metadata,
            oddities,
            body: opened.body,
        })
    }

    /// As it was when the file was opened.
    pub fn identity(&self) -> Identity {
        self.source.identity()
    }

    pub fn format(&self) -> &Format {
        &self.format
    }

    pub fn metadata(&self) -> &Metadata {
        &self.metadata
    }

    /// Those that the header shows; more may come with the samples.
    pub fn oddities(&self) -> &[Oddity] {
        &self.oddities
    }

    /// The payload of the first chunk of that id (`axml`, `chna`), where the container has chunks.
    pub fn chunk(&self, id: &str) -> Option<ChunkReader<'_>> {
        let chunk = self.metadata.chunks.iter().find(|chunk| chunk.id == id)?;
        Some(ChunkReader::new(&self.source, chunk.offset, chunk.bytes))
    }

    /// Offset of the first sample's first byte and bytes of a frame, where a zero byte is part of
    /// a zero sample; `None` for compressed samples and for unsigned ones.
    pub fn sample_bytes(&self) -> Option<(u64, u64)> {
        match &self.body {
            Body::Linear(linear) if linear.coding == Coding::Unsigned8 => None,
            Body::Linear(linear) => Some((linear.start, linear.frame_bytes())),
            Body::Coded(_) => None,
        }
    }

    /// One pass over the file's bytes: digests, payload digest and decoding share each piece.
    ///
    /// `progress` gets the bytes read so far. A damaged stream is read as far as it goes and
    /// its damage told as oddities.
    pub fn read(
        self,
        md5: bool,
        sink: &mut dyn BlockSink,
        progress: &mut dyn FnMut(u64),
    ) -> Result<Reading, ReadError> {
        let pass = match &self.body {
            Body::Linear(linear) => linear::read(&self.source, linear, md5, sink, progress)?,
            Body::Coded(coded) => coded::read(&self.source, coded, md5, sink, progress)?,
        };
        let mut oddities = self.oddities;
        // A container that is cut short says so at opening; its stream says it again at its end.
        let known_cut = oddities.iter().any(|o| o.kind == OddityKind::DataTruncated);
        let repeats = |oddity: &Oddity| known_cut && oddity.kind == OddityKind::DataTruncated;
        oddities.extend(pass.oddities.into_iter().filter(|oddity| !repeats(oddity)));
        Ok(Reading {
            frames: pass.frames,
            digests: pass.digests,
            audio_blake3: pass.audio_blake3,
            oddities,
            metadata: self.metadata,
            identity_after: self.source.identity_now()?,
            ended_early: pass.ended_early,
        })
    }
}

fn open_caf(source: &Source, told: Option<&[Label]>) -> Result<Opened, OpenError> {
    let caf = caf::walk(source)?;
    let mut metadata = caf::metadata(source, &caf)?;
    if caf.format_id(source)? == Some(*b"lpcm") {
        let (format, more, body) = caf::open(source, &caf, told)?;
        let mut oddities = caf.oddities;
        oddities.extend(more);
        return Ok(Opened {
            format,
            metadata,
            oddities,
            body: Body::Linear(body),
        });
    }
    let (format, tagged, coded) = coded::open(source, Kind::Caf, told)?;
    for (name, value) in tagged.tags {
        metadata.tags.entry(name).or_insert(value);
    }
    Ok(Opened {
        format,
        metadata,
        oddities: caf.oddities,
        body: Body::Coded(coded),
    })
}

fn open_riff(source: &Source, told: Option<&[Label]>) -> Result<Opened, OpenError> {
    let riff = riff::walk(source)?;
    let missing = |id: &str| {
        let known: Vec<String> = riff.facts().into_iter().take(12).map(|c| c.id).collect();
        OpenError::damaged(format!(
            "it has no {id} chunk, what was found is: {}",
            match known.is_empty() {
                true => "nothing".to_owned(),
                false => known.join(", "),
            }
        ))
    };
    let fmt_chunk = riff.chunk(b"fmt ").ok_or_else(|| missing("fmt"))?;
    let wanted = usize::try_from(fmt_chunk.bytes).unwrap_or(usize::MAX);
    let fmt = wave::read_fmt(&source.bytes(fmt_chunk.start, wanted.min(wave::FMT_BYTES))?)?;
    let data = riff.chunk(b"data").ok_or_else(|| missing("data"))?;
    let body = Linear {
        start: data.start,
        bytes: data.bytes,
        coding: fmt.coding,
        channels: fmt.channels,
        sample_rate: fmt.sample_rate,
    };
    let (metadata, damaged) = metadata::of_riff(source, &riff)?;
    let chna = metadata.adm.as_ref().map_or(&[][..], |adm| &adm.chna);
    let chosen = labels::choose(fmt.channels, labels::of_mask(fmt.mask), chna, told);
    let (labels, labels_from) = chosen.unzip();
    let mut oddities = riff.oddities;
    oddities.extend(fmt.oddities);
    oddities.extend(damaged);
    oddities.extend(body.partial_frame());
    Ok(Opened {
        format: Format {
            container: riff.container,
            encoding: fmt.encoding,
            sample_rate: fmt.sample_rate,
            bit_depth: Some(fmt.bit_depth),
            channels: fmt.channels,
            labels,
            labels_from,
            frames: Some(body.frames()),
        },
        metadata,
        oddities,
        body: Body::Linear(body),
    })
}
