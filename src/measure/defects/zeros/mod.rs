//! Zero bytes where the disk should have held samples: tails and holes that begin, and holes
//! that end, at the borders of disk blocks.
//!
//! In: blocks of samples, and where in the file their bytes lie. Out: [`ZeroFacts`]. Knows
//! nothing of how the bytes were read; of compressed files there is nothing to say.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::super::{Spot, Spots};
use super::slabs::{Slab, Slabs};
use crate::units::Hertz;

/// Sizes of disk blocks and of pages, the larger first. Common practice, no source: sectors of
/// 512 bytes, file system blocks and pages of 4096.
const ALIGNMENTS: [u32; 2] = [4096, 512];

/// The fewest zero bytes that count: one page. Own choice.
const FEWEST_BYTES: u64 = 4096;

/// How sure it is that a frame is split by damage: own choice, all but certain, since no editor
/// writes half a frame.
const SPLIT: f64 = 0.999;
/// And the surest that zeros can be that begin and end between two frames, however seldom a border
/// lies there: a mute or a cold end that is meant does too. Own choice, under any certainty.
const WHOLE_FRAMES: f64 = 0.9;

/// Frames before a run that tell which channels sound: in most of them a sounding channel is not
/// zero. Own choice.
const FRAMES_BEFORE: usize = 8;

/// A channel that goes on is seldom so far under its sample before. Own choice; where it is, the
/// frame is not said to be split.
const FALLS: f64 = 8.0;

/// Peak of the last 10 ms before the zeros, from which on there was a signal: -60 dBFS, common
/// practice, no source.
const SIGNAL: f64 = 1e-3;

/// Frames that a slab keeps of the past: more than 10 ms at 192 kHz.
const PAST: usize = 2048;

/// Where the samples of an uncompressed file lie.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct DataLayout {
    /// Offset in the file of the first byte of the first sample.
    pub first_byte: u64,
    /// Bytes of a frame, all channels; a whole number of bytes per sample.
    pub frame_bytes: u32,
}

/// A run of zero bytes.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ZeroBlock {
    /// The block border at which it begins, as offset in the file.
    pub start_byte: u64,
    pub length_bytes: u64,
    pub start_frame: u64,
    pub length_frames: u64,
    /// 4096 or 512.
    pub start_aligned_bytes: u32,
    /// 4096 or 512; `None` for a tail, which ends where the samples end.
    pub end_aligned_bytes: Option<u32>,
    /// The border at which it begins lies within a frame that sounds before the border and is zero
    /// behind it: no editor leaves half a frame.
    pub start_splits_frame: bool,
    /// The same of the border at which it ends; `false` for a tail.
    pub end_splits_frame: bool,
    /// How probable it is that zeros which have nothing to do with disk blocks lie so.
    pub chance: f64,
}

impl ZeroBlock {
    /// One of its borders splits a frame: certain damage. Else an edit that is meant may have
    /// fallen on a border by chance.
    pub fn splits_frame(&self) -> bool {
        self.start_splits_frame || self.end_splits_frame
    }

    fn spot(&self) -> Spot {
        Spot {
            start: self.start_frame,
            end: self.start_frame + self.length_frames,
            channel: None,
            size: self.length_bytes as f64,
            confidence: match self.splits_frame() {
                true => SPLIT,
                false => (1.0 - self.chance).min(WHOLE_FRAMES),
            },
            inherited: false,
            summarised: false,
        }
    }
}

/// What was found.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ZeroFacts {
    /// `false` where nobody knows where the bytes lie.
    pub looked: bool,
    pub tail: Option<ZeroBlock>,
    /// The first [`Spots::KEPT`], in order.
    pub holes: Vec<ZeroBlock>,
    pub holes_total: u64,
}

impl ZeroFacts {
    /// The holes as places of all channels: the size is the length in bytes, the confidence the
    /// probability that it is no accident.
    pub fn hole_spots(&self) -> Spots {
        let mut spots = Spots::default();
        self.holes.iter().for_each(|hole| spots.push(hole.spot()));
        spots.total = self.holes_total;
        spots
    }

    /// The tail likewise.
    pub fn tail_spots(&self) -> Spots {
        let mut spots = Spots::default();
        self.tail.iter().for_each(|tail| spots.push(tail.spot()));
        spots
    }
}

/// The meter: runs of zero bytes of at least `FEWEST_BYTES` in all channels after signal.
///
/// Own method: a preallocated file whose last blocks were never written, or a block that was
/// lost, is zero from one border to another, and a border may fall inside a frame or a sample.
pub struct ZeroBlocks {
    slabs: Slabs,
    search: Search,
}

struct Search {
    channels: u64,
    layout: Option<DataLayout>,
    /// Frames that are looked at together; no run of [`FEWEST_BYTES`] fits between two.
    stride: usize,
    lookback: usize,
    open: Option<Open>,
    facts: ZeroFacts,
}

/// A run that goes on.
struct Open {
    /// In samples from the start, counted through the channels.
    first_sample: u64,
    after_signal: bool,
    /// One a channel: it sounded just before.
    sounding: Vec<bool>,
    /// Magnitudes of the last sample that is not zero, and of the one before in its channel.
    last: f64,
    before_last: f64,
}

impl ZeroBlocks {
    /// `layout`: `None` for compressed files, of which nothing is said.
    pub fn new(rate: Hertz, channels: usize, layout: Option<DataLayout>) -> Self {
        let layout = layout.filter(|layout| {
            let channels = channels as u64;
            channels > 0
                && layout.frame_bytes > 0
                && u64::from(layout.frame_bytes).is_multiple_of(channels)
        });
        let frames = layout.map_or(64, |layout| FEWEST_BYTES / u64::from(layout.frame_bytes));
        let stride = 1usize << (frames.saturating_sub(2) / 2).clamp(1, 64).ilog2();
        Self {
            slabs: Slabs::new(channels, PAST),
            search: Search {
                channels: channels as u64,
                layout,
                stride,
                lookback: (rate.value() as usize / 100).clamp(1, PAST - 64),
                open: None,
                facts: ZeroFacts {
                    looked: layout.is_some(),
                    ..ZeroFacts::default()
                },
            },
        }
    }

    /// Takes the next samples, `[channel][frame]`, all channels equally long.
    pub fn feed(&mut self, planes: &[&[f64]]) {
        let Self { slabs, search } = self;
        if search.layout.is_some() {
            slabs.feed(planes, |slab| search.look(slab));
        }
    }

    pub fn finish(self) -> ZeroFacts {
        let Self { slabs, mut search } = self;
        let slab = slabs.slab();
        search.look(&slab);
        search.close(slab.end() * search.channels, true);
        search.facts
    }
}

/// All bits of a sample are zero; minus zero is not.
fn zero(sample: f64) -> bool {
    sample.to_bits() == 0
}

impl Search {
    fn look(&mut self, slab: &Slab) {
        let channels = self.channels as usize;
        let mut from = slab.body.start;
        while from < slab.body.end {
            let to = (from + self.stride).min(slab.body.end);
            // One sample says no nearly always.
            let zeros = zero(slab.plane(0)[to - 1])
                && (0..channels).all(|c| slab.plane(c)[from..to].iter().all(|&v| zero(v)));
            match (&self.open, zeros) {
                (None, true) => self.open = Some(self.opened(slab, from)),
                (Some(_), false) => {
                    let end = (from..to)
                        .flat_map(|at| (0..channels).map(move |c| (at, c)))
                        .find(|&(at, c)| !zero(slab.plane(c)[at]));
                    if let Some((at, c)) = end {
                        let frame = slab.frame(at).unwrap_or(0);
                        self.close(frame * self.channels + c as u64, false);
                    }
                }
                _ => {}
            }
            from = to;
        }
    }

    /// A run that holds the stride from index `from` on began in the stride before.
    fn opened(&self, slab: &Slab, from: usize) -> Open {
        let channels = self.channels as usize;
        let earliest = slab.first().max(from.saturating_sub(self.stride));
        let last_sound = (earliest..from)
            .rev()
            .flat_map(|at| (0..channels).rev().map(move |c| (at, c)))
            .find(|&(at, c)| !zero(slab.plane(c)[at]));
        let (at, sample) = match last_sound {
            Some((at, c)) => (
                at,
                slab.frame(at).unwrap_or(0) * self.channels + c as u64 + 1,
            ),
            None => (earliest, slab.frame(earliest).unwrap_or(0) * self.channels),
        };
        let before = (at + 1).saturating_sub(self.lookback).max(slab.first())..at + 1;
        let after_signal = last_sound.is_some()
            && (0..channels).any(|c| {
                slab.plane(c)[before.clone()]
                    .iter()
                    .any(|v| v.abs() > SIGNAL)
            });
        let (last, before_last) = last_sound.map_or((0.0, 0.0), |(at, c)| {
            let plane = slab.plane(c);
            let before = if at > slab.first() {
                plane[at - 1]
            } else {
                0.0
            };
            (plane[at].abs(), before.abs())
        });
        Open {
            first_sample: sample,
            after_signal,
            sounding: (0..channels).map(|c| sounds(slab, c, at)).collect(),
            last,
            before_last,
        }
    }

    /// The run ends before sample `end`, or with the file.
    fn close(&mut self, end: u64, tail: bool) {
        let (Some(open), Some(layout)) = (self.open.take(), self.layout) else {
            return;
        };
        let sample_bytes = u64::from(layout.frame_bytes) / self.channels;
        let byte = |sample: u64| layout.first_byte.saturating_add(sample * sample_bytes);
        let (start, stop) = (byte(open.first_sample), byte(end));
        // A border inside a sample takes up to all but one of its bytes, at both ends.
        let longest = stop - start + 2 * (sample_bytes - 1);
        if !open.after_signal || longest < FEWEST_BYTES {
            return;
        }
        // A border inside a sample leaves a part of it: the zeros then begin one sample late.
        // And the sample before a border may be zero by chance.
        let begin = border(start + sample_bytes, 2 * sample_bytes);
        let finish = border(stop + sample_bytes - 1, 2 * sample_bytes);
        let Some((start_byte, start_aligned)) = begin else {
            return;
        };
        let end_byte = if tail {
            Some(stop)
        } else {
            finish.map(|(byte, _)| byte)
        };
        if end_byte.is_none_or(|end| end.saturating_sub(start_byte) < FEWEST_BYTES) {
            return;
        }
        // What is cut for other reasons is cut between two frames.
        let chance = |at_sample: u64, aligned: u32| -> f64 {
            let places = match at_sample.is_multiple_of(self.channels) {
                true => u64::from(layout.frame_bytes) + sample_bytes,
                false => 2 * sample_bytes,
            };
            (places as f64 / f64::from(aligned)).min(1.0)
        };
        let start_chance = chance(open.first_sample, start_aligned);
        let start_splits_frame = self.splits_start(&open, layout, start_byte);
        let start_frame = open.first_sample.div_ceil(self.channels);
        let length_frames = (end / self.channels).saturating_sub(start_frame);
        if tail {
            self.facts.tail = Some(ZeroBlock {
                start_byte,
                length_bytes: stop.saturating_sub(start_byte),
                start_frame,
                length_frames,
                start_aligned_bytes: start_aligned,
                end_aligned_bytes: None,
                start_splits_frame,
                end_splits_frame: false,
                chance: start_chance,
            });
        } else if let Some((end_byte, end_aligned)) = finish {
            let end_splits_frame = self.splits_end(&open, layout, end, end_byte);
            self.facts.holes_total += 1;
            if self.facts.holes.len() < Spots::KEPT {
                self.facts.holes.push(ZeroBlock {
                    start_byte,
                    length_bytes: end_byte.saturating_sub(start_byte),
                    start_frame,
                    length_frames,
                    start_aligned_bytes: start_aligned,
                    end_aligned_bytes: Some(end_aligned),
                    start_splits_frame,
                    end_splits_frame,
                    chance: start_chance * chance(end, end_aligned),
                });
            }
        }
    }
}

impl Search {
    /// Whether the border at which a run begins splits a frame: between two channels, where those
    /// behind the border sounded; or within a sample, of which the bytes before the border stay.
    fn splits_start(&self, open: &Open, layout: DataLayout, border: u64) -> bool {
        let Some(place) = Place::new(layout, self.channels, border) else {
            return false;
        };
        let Some(last_sample) = open.first_sample.checked_sub(1) else {
            return false;
        };
        let (last_frame, last_channel) = (last_sample / self.channels, last_sample % self.channels);
        if place.frame != last_frame {
            return false;
        }
        let rest = &open.sounding[last_channel as usize + 1..];
        let between = !rest.is_empty() && rest.iter().all(|&sounds| sounds);
        // Little-endian: what stays of a sample is its lowest bytes, so it is small. Where its
        // channel was loud, no editor has left that.
        let within = rest.is_empty()
            && place.channel == last_channel
            && place.byte > 0
            && open.before_last > FALLS * open.last;
        between || within
    }

    /// The same for the border at which a run ends, `end` being the first sample that is not zero.
    fn splits_end(&self, open: &Open, layout: DataLayout, end: u64, border: u64) -> bool {
        let Some(place) = Place::new(layout, self.channels, border) else {
            return false;
        };
        let (first_frame, first_channel) = (end / self.channels, end % self.channels);
        let silent = &open.sounding[..first_channel as usize];
        place.frame == first_frame && !silent.is_empty() && silent.iter().all(|&sounds| sounds)
    }
}

/// Where in the samples a byte of the file lies.
struct Place {
    frame: u64,
    channel: u64,
    /// In the sample.
    byte: u64,
}

impl Place {
    /// `None` for a byte at which a frame begins.
    fn new(layout: DataLayout, channels: u64, byte: u64) -> Option<Self> {
        let at = byte.checked_sub(layout.first_byte)?;
        let frame_bytes = u64::from(layout.frame_bytes);
        let sample_bytes = frame_bytes / channels;
        let within = at % frame_bytes;
        (within > 0).then_some(Self {
            frame: at / frame_bytes,
            channel: within / sample_bytes,
            byte: within % sample_bytes,
        })
    }
}

/// Whether a channel is not zero in most of the frames before index `at`.
fn sounds(slab: &Slab, channel: usize, at: usize) -> bool {
    let before = at.saturating_sub(FRAMES_BEFORE).max(slab.first())..at;
    let length = before.len();
    let sounding = slab.plane(channel)[before]
        .iter()
        .filter(|&&v| !zero(v))
        .count();
    length > 0 && 2 * sounding > length
}

/// The largest block size that has a border among the last `span` bytes up to `last`, with it.
fn border(last: u64, span: u64) -> Option<(u64, u32)> {
    ALIGNMENTS.iter().find_map(|&size| {
        let at = last / u64::from(size) * u64::from(size);
        (last - at < span).then_some((at, size))
    })
}

#[cfg(test)]
mod tests;
