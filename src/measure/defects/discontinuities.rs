//! Clicks and splices: places where a wave is not what its own past and future say.
//!
//! In: planes of samples. Out: [`DiscontinuityFacts`]. One pass over blocks of a fixed size,
//! counted from the first sample, so that the cut of the input leaves no trace; each channel
//! keeps a fraction of a second.

use super::analysis::{Analyst, Finding, SIDE};
use super::candidates::{BLOCK, Candidate, Front, STRETCH};
use super::clicks::ClickFacts;
use super::splices::SpliceFacts;
use crate::units::Hertz;

/// Blocks that a channel keeps before it moves its samples to the front.
const HELD: usize = 8;

/// What stands out at one place of one channel.
#[derive(Clone, Copy, Debug)]
pub(super) struct Event {
    pub frame: u64,
    pub channel: usize,
    /// As the first look saw it, here and in the channel where it stands out most besides.
    pub ratio: f32,
    pub others: f32,
    pub finding: Finding,
}

/// The facts of both meters.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct DiscontinuityFacts {
    pub clicks: ClickFacts,
    pub splices: SpliceFacts,
}

/// Finds clicks and splices in all channels.
pub struct DiscontinuityMeter {
    rate: Hertz,
    channels: Vec<Channel>,
    analyst: Analyst,
    frames: u64,
    /// Samples of the block that is being filled.
    filled: usize,
    blocks: u64,
    events: Vec<Event>,
}

struct Channel {
    /// Two zeros or samples, then blocks; the newest is the last.
    samples: Vec<f64>,
    front: Front,
    candidates: Vec<Candidate>,
}

impl DiscontinuityMeter {
    pub fn new(rate: Hertz, channels: usize) -> Self {
        Self {
            rate,
            channels: (0..channels)
                .map(|_| Channel {
                    samples: {
                        let mut samples = Vec::with_capacity(2 + HELD * BLOCK);
                        samples.resize(2 + 2 * BLOCK, 0.0);
                        samples
                    },
                    front: Front::new(),
                    candidates: Vec::new(),
                })
                .collect(),
            analyst: Analyst::new(f64::from(rate.value())),
            frames: 0,
            filled: 0,
            blocks: 0,
            events: Vec::new(),
        }
    }

    /// Takes the next samples, `[channel][frame]`, all channels equally long.
    pub fn feed(&mut self, planes: &[&[f64]]) {
        let total = planes.first().map_or(0, |plane| plane.len());
        let mut done = 0;
        while done < total {
            let take = (BLOCK - self.filled).min(total - done);
            for (channel, plane) in self.channels.iter_mut().zip(planes) {
                channel.samples.extend_from_slice(&plane[done..done + take]);
            }
            done += take;
            self.filled += take;
            self.frames += take as u64;
            if self.filled == BLOCK {
                self.close_block();
            }
        }
    }

    fn close_block(&mut self) {
        self.filled = 0;
        self.blocks += 1;
        for channel in &mut self.channels {
            let length = channel.samples.len();
            channel.front.take(&channel.samples[length - BLOCK - 2..]);
            channel.front.candidates(&mut channel.candidates);
        }
        self.look();
        for channel in &mut self.channels {
            if channel.samples.len() + BLOCK > 2 + HELD * BLOCK {
                let from = channel.samples.len() - 2 - 2 * BLOCK;
                channel.samples.copy_within(from.., 0);
                channel.samples.truncate(2 + 2 * BLOCK);
            }
        }
    }

    /// Looks at the candidates of the middle one of the last three blocks.
    fn look(&mut self) {
        // The middle block began two blocks before the end of what was taken.
        let Some(start) = (self.blocks * BLOCK as u64).checked_sub(2 * BLOCK as u64) else {
            return;
        };
        for index in 0..self.channels.len() {
            let candidates = std::mem::take(&mut self.channels[index].candidates);
            for candidate in &candidates {
                let channel = &self.channels[index];
                let middle = channel.samples.len() - 2 * BLOCK + candidate.at + STRETCH / 2;
                let samples = &channel.samples[middle - SIDE - 2..middle + SIDE];
                let Some(finding) = self.analyst.look(samples) else { continue };
                let others = (0..self.channels.len())
                    .filter(|&other| other != index)
                    .map(|other| {
                        let front = &self.channels[other].front;
                        let at = candidate.at / STRETCH;
                        let mut best = front.ratio(at);
                        if at > 0 { best = best.max(front.ratio(at - 1)); }
                        if at + 1 < BLOCK / STRETCH { best = best.max(front.ratio(at + 1)); }
                        best
                    })
                    .fold(0.0, f32::max);
                let frame = (start + (candidate.at + STRETCH / 2) as u64)
                    .saturating_add_signed(finding.first as i64);
                // One event may stand out in two stretches.
                let seen = self.events.iter().rev().take(8).any(|event| {
                    event.channel == index && event.frame.abs_diff(frame) < 8
                });
                if !seen {
                    self.events.push(Event {
                        frame,
                        channel: index,
                        ratio: candidate.ratio,
                        others,
                        finding,
                    });
                }
            }
            self.channels[index].candidates = candidates;
        }
    }

    /// Ends the programme.
    pub fn finish(mut self) -> DiscontinuityFacts {
        self.flush();
        DiscontinuityFacts::default()
    }

    fn flush(&mut self) {
        let end = self.frames;
        let zeros = vec![0.0; 3 * BLOCK - self.filled];
        let planes: Vec<&[f64]> = self.channels.iter().map(|_| &zeros[..]).collect();
        self.feed(&planes);
        self.frames = end;
        self.events.retain(|event| event.frame + 64 < end && event.frame > 64);
    }

    #[doc(hidden)]
    pub fn probe(mut self) -> Vec<(u64, usize, Vec<f64>)> {
        self.flush();
        let _ = self.rate;
        self.events
            .iter()
            .map(|e| {
                let f = &e.finding;
                (e.frame, e.channel, vec![
                    e.ratio as f64, e.others as f64, f.width as f64, f.added, f.explained, f.left,
                    f.peak, f.close_before, f.close_after, f.rival, f.rise, f.louder, f.over_8_khz,
                    f.clipping as u8 as f64, f.flat as f64, f.level, f.backward_peak, f.burst, f.jump,
                ])
            })
            .collect()
    }
}
