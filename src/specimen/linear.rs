//! The one pass over a file whose samples are linear PCM: digests, the audio's own digest,
//! decoding and the float checks go over each piece while it is in the cache.
//!
//! In: where the samples lie and how they are written ([`Linear`]). Out: blocks for the sink,
//! digests, and the oddities that only the samples can show. Knows no container.

use std::collections::BTreeMap;
use std::num::FpCategory;

use super::block::{Block, BlockSink};
use super::digest::{Hashers, PIECE_BYTES};
use super::error::ReadError;
use super::facts::{Digests, Oddity, OddityKind};
use super::pcm::Coding;
use super::source::Source;
use crate::units::{Frames, Hertz};

/// More channels are refused. Own choice: a block of so many is 16 MB, an immersive master has
/// 128 tracks at most, and a lying header could otherwise ask for gigabytes.
pub(super) const MAX_CHANNELS: usize = 512;

/// Where the samples of a file lie and how they are written.
#[derive(Clone, Debug)]
pub(super) struct Linear {
    pub start: u64,
    /// Bytes of audio that are there, a cut last frame included.
    pub bytes: u64,
    pub coding: Coding,
    /// 1 to [`MAX_CHANNELS`].
    pub channels: usize,
    pub sample_rate: Hertz,
}

impl Linear {
    pub fn frame_bytes(&self) -> u64 {
        (self.channels * self.coding.bytes()) as u64
    }

    pub fn frames(&self) -> Frames {
        Frames(self.bytes / self.frame_bytes())
    }

    /// The oddity of a last frame that is cut.
    pub fn partial_frame(&self) -> Option<Oddity> {
        let rest = self.bytes % self.frame_bytes();
        (rest > 0).then(|| {
            Oddity::new(
                OddityKind::PartialFrame,
                format!(
                    "the last frame has {rest} of its {} bytes",
                    self.frame_bytes()
                ),
            )
            .counted(self.frame_bytes() - rest)
            .at(Some(self.frames().at(self.sample_rate)))
        })
    }
}

/// What one pass found.
pub(super) struct Pass {
    pub frames: Frames,
    pub digests: Digests,
    pub audio_blake3: String,
    pub oddities: Vec<Oddity>,
    pub ended_early: bool,
}

/// Reads the whole file once, front to back.
pub(super) fn read(
    source: &Source,
    linear: &Linear,
    md5: bool,
    sink: &mut dyn BlockSink,
    progress: &mut dyn FnMut(u64),
) -> Result<Pass, ReadError> {
    let mut hashers = Hashers::new(md5);
    let mut audio = blake3::Hasher::new();
    let mut block = Block::new(linear.channels);
    let mut floats = Floats::default();

    // A whole number of full blocks, so that no frame is carried from one piece to the next.
    let frame_bytes = linear.channels * linear.coding.bytes();
    let block_bytes = Block::capacity_frames(linear.channels) * frame_bytes;
    let piece_bytes = (PIECE_BYTES / block_bytes).max(1) * block_bytes;
    let mut piece = vec![0; piece_bytes];

    let mut at = hashers.update_from(source, 0, linear.start, progress)?;
    let end = linear.start + linear.bytes;
    let mut first_frame = 0;
    while at < end {
        let wanted = usize::try_from(end - at).map_or(piece_bytes, |left| left.min(piece_bytes));
        let got = source.fill(at, &mut piece[..wanted])?;
        let bytes = &piece[..got];
        hashers.update(bytes);
        audio.update(bytes);
        at += got as u64;
        let whole = &bytes[..got - got % frame_bytes];
        for frames in whole.chunks(block_bytes) {
            let count = linear.coding.decode(frames, linear.channels, &mut block);
            if linear.coding.is_suspect(frames) {
                floats.look(linear, frames, first_frame, &mut block);
            }
            block.set(first_frame, count);
            first_frame += count as u64;
            if sink.take(&block).is_break() {
                return Ok(Pass::ended_early(Frames(first_frame)));
            }
        }
        progress(at);
        if got < wanted {
            break;
        }
    }
    hashers.update_from(source, at, source.len(), progress)?;
    Ok(Pass {
        frames: Frames(first_frame),
        digests: hashers.finish(),
        audio_blake3: audio.finalize().to_hex().to_string(),
        oddities: floats.oddities(linear),
        ended_early: false,
    })
}

impl Pass {
    /// Digests of half a file would only mislead: they are left empty.
    pub fn ended_early(frames: Frames) -> Self {
        Self {
            frames,
            digests: Digests::default(),
            audio_blake3: String::new(),
            oddities: Vec::new(),
            ended_early: true,
        }
    }
}

/// Bad samples of one channel within so many frames are one place. Own choice: 10 ms at 48 kHz.
const JOIN_FRAMES: u64 = 480;

/// Places of one kind that are kept; what comes after them is counted. Own choice.
const PLACES_KEPT: usize = 1000;

/// Bad samples of one channel that lie together.
#[derive(Clone, Copy)]
struct Spot {
    first: u64,
    last: u64,
    channel: usize,
    count: u64,
}

/// Floats of one kind, and where they are.
#[derive(Clone, Default)]
struct Seen {
    spots: Vec<Spot>,
    /// The newest spot of each channel.
    newest: BTreeMap<usize, usize>,
    beyond: u64,
}

impl Seen {
    fn note(&mut self, frame: u64, channel: usize) {
        let newest = self.newest.get(&channel).copied();
        if let Some(spot) = newest.and_then(|index| self.spots.get_mut(index))
            && frame - spot.last <= JOIN_FRAMES
        {
            spot.last = frame;
            spot.count += 1;
        } else if self.spots.len() < PLACES_KEPT {
            self.newest.insert(channel, self.spots.len());
            self.spots.push(Spot {
                first: frame,
                last: frame,
                channel,
                count: 1,
            });
        } else {
            self.beyond += 1;
        }
    }

    /// An oddity a place, and one for what lies beyond those that are kept.
    fn oddities(&self, kind: OddityKind, word: &str, rate: Hertz) -> Vec<Oddity> {
        let says = |count: u64| {
            let samples = if count == 1 {
                "sample is"
            } else {
                "samples are"
            };
            format!("{count} {samples} {word}")
        };
        let mut all: Vec<Oddity> = self
            .spots
            .iter()
            .map(|spot| {
                let mut oddity = Oddity::new(kind, says(spot.count))
                    .counted(spot.count)
                    .at(Some(Frames(spot.first).at(rate)));
                oddity.channel = Some(spot.channel);
                oddity
            })
            .collect();
        if self.beyond > 0 {
            all.push(Oddity::new(kind, says(self.beyond)).counted(self.beyond));
        }
        all
    }
}

/// The floats that are no usable numbers.
#[derive(Default)]
pub(super) struct Floats {
    nan: Seen,
    infinite: Seen,
    denormal: Seen,
}

impl Floats {
    /// Counts what is in these frames, and puts 0 where the block holds NaN or infinity.
    fn look(&mut self, linear: &Linear, frames: &[u8], first_frame: u64, block: &mut Block) {
        let sample_bytes = linear.coding.bytes();
        for (index, sample) in frames.chunks_exact(sample_bytes).enumerate() {
            let class = linear.coding.float_class(sample);
            let (frame, channel) = (index / linear.channels, index % linear.channels);
            if self.note(class, first_frame + frame as u64, channel) {
                block.channel_mut(channel)[frame] = 0.0;
            }
        }
    }

    /// Returns whether the sample must be replaced.
    pub fn note(&mut self, class: FpCategory, frame: u64, channel: usize) -> bool {
        match class {
            FpCategory::Nan => self.nan.note(frame, channel),
            FpCategory::Infinite => self.infinite.note(frame, channel),
            FpCategory::Subnormal => self.denormal.note(frame, channel),
            FpCategory::Normal | FpCategory::Zero => return false,
        }
        class != FpCategory::Subnormal
    }

    fn oddities(&self, linear: &Linear) -> Vec<Oddity> {
        self.oddities_at(linear.sample_rate)
    }

    pub fn oddities_at(&self, rate: Hertz) -> Vec<Oddity> {
        let kinds = [
            (OddityKind::FloatNan, &self.nan, "not a number (NaN)"),
            (OddityKind::FloatInf, &self.infinite, "infinite"),
            (OddityKind::FloatDenormal, &self.denormal, "denormal"),
        ];
        kinds
            .into_iter()
            .flat_map(|(kind, seen, word)| seen.oddities(kind, word, rate))
            .collect()
    }
}
