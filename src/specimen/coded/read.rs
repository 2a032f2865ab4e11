//! The one pass over a compressed file: packets are decoded while the tap digests the bytes.
//!
//! In: an open file and its [`Coded`]. Out: blocks for the sink, digests, and what is damaged:
//! refused packets with their place, a stream that ends early, a digest that does not match.

use std::num::FpCategory;
use std::ops::ControlFlow;

use symphonia::core::errors::Error;
use symphonia::core::packet::Packet;

use super::super::block::{Block, BlockSink};
use super::super::digest::Hashers;
use super::super::error::ReadError;
use super::super::facts::{Encoding, Oddity, OddityKind};
use super::super::linear::{Floats, Pass};
use super::super::source::Source;
use super::tap::Digesting;
use super::{Coded, Kind, Stream, caught};
use crate::units::{Frames, Seconds};

/// Packets in a row that may be refused before the stream is given up. Own choice: a damaged
/// spot in a file is shorter, and hostile bytes must not be tried for ever.
const MAX_REFUSED_IN_A_ROW: u64 = 1000;

/// For lossy codings a declared length includes the coder's delay or not, depending on the
/// writer; two frames of the longest (MP3, AAC) are no missing audio. Own choice.
const LOSSY_SLACK_FRAMES: u64 = 2 * 2048;

/// Writers of CAF are known that count the last packet as a full one (of 4096 frames).
const CAF_SLACK_FRAMES: u64 = 4096;

pub(in super::super) fn read(
    source: &Source,
    coded: &Coded,
    md5: bool,
    sink: &mut dyn BlockSink,
    progress: &mut dyn FnMut(u64),
) -> Result<Pass, ReadError> {
    let digesting = Digesting::new(Some(Hashers::new(md5)));
    let mut decoding = Decoding {
        coded,
        blocks: Blocks::new(coded),
        refused: Refused::default(),
        cut: false,
        changed: false,
        end: None,
        lost: 0,
    };
    let verified = {
        let opened = caught(|| Stream::open(source, &digesting, coded.kind));
        match opened {
            Some(Ok(mut stream)) => {
                let flow = decoding.stream(&mut stream, sink, &digesting, progress);
                if flow.is_break() {
                    return Ok(Pass::ended_early(Frames(decoding.blocks.frames)));
                }
                caught(|| stream.decoder.finalize().verify_ok).flatten()
            }
            // It was opened a moment ago: the file has changed, which the identity tells.
            Some(Err(_)) | None => {
                decoding.refused.note(coded.place(0));
                None
            }
        }
    };
    if let Some(failure) = digesting.take_failure() {
        return Err(failure);
    }
    if decoding.blocks.flush(sink).is_break() {
        return Ok(Pass::ended_early(Frames(decoding.blocks.frames)));
    }
    let digests = digesting.finish(source, progress)?;
    let oddities = decoding.oddities(verified);
    Ok(Pass {
        frames: Frames(decoding.blocks.frames),
        digests,
        audio_blake3: decoding.blocks.payload.finalize().to_hex().to_string(),
        oddities,
        ended_early: false,
    })
}

impl Coded {
    fn place(&self, frame: u64) -> Option<Seconds> {
        Some(Frames(frame).at(self.sample_rate))
    }
}

/// Refused packets: how many, and where the first was.
#[derive(Default)]
struct Refused {
    count: u64,
    in_a_row: u64,
    first: Option<Option<Seconds>>,
}

impl Refused {
    fn note(&mut self, place: Option<Seconds>) {
        self.count += 1;
        self.in_a_row += 1;
        self.first.get_or_insert(place);
    }
}

struct Decoding<'a> {
    coded: &'a Coded,
    blocks: Blocks<'a>,
    refused: Refused,
    /// The file ends within a packet or before the stream does.
    cut: bool,
    /// The stream changes its sample rate or channels on the way.
    changed: bool,
    /// Where the last packet ends on the stream's own clock (FLAC: in frames).
    end: Option<u64>,
    /// Frames that are missing between packets on that clock.
    lost: u64,
}

impl Decoding<'_> {
    /// Decodes to the end of the stream or of its usable part; `Break` when the sink wants no
    /// more.
    fn stream(
        &mut self,
        stream: &mut Stream<'_>,
        sink: &mut dyn BlockSink,
        digesting: &Digesting,
        progress: &mut dyn FnMut(u64),
    ) -> ControlFlow<()> {
        let mut planes: Vec<Vec<f64>> = Vec::new();
        while self.refused.in_a_row < MAX_REFUSED_IN_A_ROW && !self.changed {
            let packet = match caught(|| stream.reader.next_packet()) {
                Some(Ok(Some(packet))) => packet,
                Some(Ok(None)) => break,
                Some(Err(Error::IoError(error))) => {
                    self.cut |= error.kind() == std::io::ErrorKind::UnexpectedEof;
                    break;
                }
                // A chained stream begins anew: what follows has another form.
                Some(Err(Error::ResetRequired)) => {
                    self.changed = true;
                    break;
                }
                // After any other error the library goes no further.
                Some(Err(_)) | None => {
                    self.refused.note(self.coded.place(self.blocks.frames));
                    break;
                }
            };
            progress(digesting.done());
            if packet.track_id != stream.track {
                continue;
            }
            self.follow_clock(&packet);
            if self.coded.lossless_bits.is_none() {
                self.blocks.payload.update(&packet.data);
            }
            let decoded = caught(|| {
                let buffer = stream.decoder.decode(&packet)?;
                let spec = buffer.spec();
                let same = spec.rate() == self.coded.sample_rate.value()
                    && spec.channels().count() == self.coded.channels;
                if same {
                    buffer.copy_to_vecs_planar(&mut planes);
                }
                Ok::<bool, Error>(same)
            });
            match decoded {
                Some(Ok(true)) => {
                    self.refused.in_a_row = 0;
                    self.blocks.push(&planes, sink)?;
                }
                Some(Ok(false)) => self.changed = true,
                Some(Err(_)) => self.refused.note(self.coded.place(self.blocks.frames)),
                // A decoder that panicked may be in any state.
                None => {
                    self.refused.note(self.coded.place(self.blocks.frames));
                    break;
                }
            }
        }
        ControlFlow::Continue(())
    }

    /// FLAC numbers its frames, and the library passes over those whose check sum fails without
    /// a word: a gap in the numbers is a refused frame.
    fn follow_clock(&mut self, packet: &Packet) {
        if self.coded.kind != Kind::Flac {
            return;
        }
        let Ok(start) = u64::try_from(packet.pts.get()) else {
            return;
        };
        let expected = self.end.unwrap_or(0);
        if start > expected {
            self.lost += start - expected;
            self.refused.note(self.coded.place(expected));
            self.refused.in_a_row = 0;
        }
        self.end = start.checked_add(packet.dur.get());
    }

    fn oddities(&self, verified: Option<bool>) -> Vec<Oddity> {
        let coded = self.coded;
        let mut oddities = self.blocks.floats.oddities_at(coded.sample_rate);
        let end_place = coded.place(self.blocks.frames);
        if self.changed {
            oddities.push(
                Oddity::new(
                    OddityKind::DecodeErrors,
                    "the stream changes its sample rate or its channels on the way, what follows was not read",
                )
                .at(end_place),
            );
        }
        if let Some(place) = self.refused.first {
            let missing = match self.lost {
                0 => String::new(),
                lost => format!(", {lost} frames are missing"),
            };
            let count = self.refused.count;
            let places = if count == 1 { "place" } else { "places" };
            oddities.push(
                Oddity::new(
                    OddityKind::DecodeErrors,
                    format!("the decoder refused the stream in {count} {places}{missing}"),
                )
                .counted(count)
                .at(place),
            );
        }
        let reached = self.end.unwrap_or(self.blocks.frames);
        let slack = match (coded.kind, coded.lossless_bits) {
            (Kind::Caf, _) => CAF_SLACK_FRAMES,
            (_, Some(_)) => 0,
            (_, None) => LOSSY_SLACK_FRAMES,
        };
        let missing = coded
            .declared
            .map_or(0, |frames| frames.saturating_sub(reached));
        if missing > slack {
            oddities.push(
                Oddity::new(
                    OddityKind::DataTruncated,
                    format!(
                        "the header declares {} frames, the stream ends after {reached}",
                        reached + missing
                    ),
                )
                .counted(missing)
                .at(end_place),
            );
        } else if self.cut && coded.declared.is_none() {
            oddities.push(
                Oddity::new(OddityKind::DataTruncated, "the file ends within a packet")
                    .at(end_place),
            );
        } else if let Some(declared) = coded.declared.filter(|_| coded.encoding == Encoding::Flac)
            && reached > declared
        {
            oddities.push(
                Oddity::new(
                    OddityKind::HeaderSaysLess,
                    format!("the header declares {declared} frames, the stream has {reached}"),
                )
                .counted(reached - declared),
            );
        }
        // A stream that ends early cannot match, and the end is said already.
        if verified == Some(false) && missing == 0 {
            oddities.push(Oddity::new(
                OddityKind::StreamDigest,
                "the decoded samples do not match the MD5 that the stream carries",
            ));
        }
        oddities
    }
}

/// Collects decoded planes into full blocks and digests the payload of lossless streams.
struct Blocks<'a> {
    coded: &'a Coded,
    block: Block,
    filled: usize,
    /// Frames that were taken in.
    frames: u64,
    payload: blake3::Hasher,
    floats: Floats,
    scratch: Vec<u8>,
}

impl<'a> Blocks<'a> {
    fn new(coded: &'a Coded) -> Self {
        Self {
            coded,
            block: Block::new(coded.channels),
            filled: 0,
            frames: 0,
            payload: blake3::Hasher::new(),
            floats: Floats::default(),
            scratch: Vec::new(),
        }
    }

    fn push(&mut self, planes: &[Vec<f64>], sink: &mut dyn BlockSink) -> ControlFlow<()> {
        let frames = planes.iter().map(Vec::len).min().unwrap_or(0);
        if planes.len() < self.coded.channels {
            return ControlFlow::Continue(());
        }
        if let Some(bits) = self.coded.lossless_bits {
            self.digest_samples(planes, frames, bits);
        }
        let mut taken = 0;
        while taken < frames {
            let count = (frames - taken).min(self.capacity() - self.filled);
            for (channel, plane) in planes.iter().enumerate().take(self.coded.channels) {
                let room = &mut self.block.channel_mut(channel)[self.filled..self.filled + count];
                room.copy_from_slice(&plane[taken..taken + count]);
                if room.iter().any(|sample| !sample.is_finite()) {
                    let first = self.frames;
                    for (index, sample) in room.iter_mut().enumerate() {
                        // Lossy decoders make denormals of their own: only what is no number
                        // counts here.
                        let class = match sample.classify() {
                            FpCategory::Subnormal => FpCategory::Zero,
                            class => class,
                        };
                        if self.floats.note(class, first + index as u64, channel) {
                            *sample = 0.0;
                        }
                    }
                }
            }
            self.filled += count;
            self.frames += count as u64;
            taken += count;
            if self.filled == self.capacity() {
                self.flush(sink)?;
            }
        }
        ControlFlow::Continue(())
    }

    fn capacity(&self) -> usize {
        Block::capacity_frames(self.coded.channels)
    }

    fn flush(&mut self, sink: &mut dyn BlockSink) -> ControlFlow<()> {
        if self.filled == 0 {
            return ControlFlow::Continue(());
        }
        self.block
            .set(self.frames - self.filled as u64, self.filled);
        self.filled = 0;
        sink.take(&self.block)
    }

    /// Interleaved, little-endian, signed, in the fewest whole bytes: as FLAC's own MD5 counts
    /// (RFC 9639, section 8.2).
    fn digest_samples(&mut self, planes: &[Vec<f64>], frames: usize, bits: u16) {
        let scale = 2f64.powi(i32::from(bits) - 1);
        let bytes = usize::from(bits.div_ceil(8)).min(8);
        self.scratch.clear();
        for frame in 0..frames {
            for plane in planes.iter().take(self.coded.channels) {
                let integer = (plane[frame] * scale) as i64;
                self.scratch
                    .extend_from_slice(&integer.to_le_bytes()[..bytes]);
            }
        }
        self.payload.update(&self.scratch);
    }
}
