//! Direct current: a mean that is not zero, over the file, and one that steps.
//!
//! In: blocks of samples. Out: [`DcFacts`], with how far low frequencies leave the mean in doubt.
//! Knows no files.

mod line;
mod windows;

use std::collections::VecDeque;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::super::spot::ramp;
use super::super::{Spot, Spots};
use crate::units::Hertz;
use line::Line;
use windows::{Window, Windows};

/// Means are taken over a tenth of a second, and of ten of them over a second.
const TENTHS: usize = 10;

/// Tenths on each side of a step that are compared, and the fewest.
const SIDE: usize = 8 * TENTHS;
const LEAST_SIDE: usize = 3 * TENTHS;

/// Offsets under the first are none (-60 dBFS; common practice, no source); at the second one
/// they are worth a person's time, at the third one certain. Own choice: the smallest of the
/// labelled offsets is 0.2 %.
const SMALLEST: f64 = 0.0010;
const CERTAIN: f64 = 0.0020;

/// A step is clear where two constants leave so many times less than one, the first as a doubt,
/// the second without. Own choice, measured on music with and without steps.
const CLEAR: [f64; 2] = [12.0, 24.0];

/// Where the level changes by more than so many dB, another sound sets in, and its mean with it:
/// the first a doubt, the second none of ours. Own choice, measured on music.
const STEADY_DB: [f64; 2] = [1.5, 3.0];

/// The mean of one channel.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ChannelDc {
    /// Mean of all tenths of a second that hold anything but exact zeros, full scale = 1.0.
    pub offset_fs: f64,
    /// The same mean with quiet tenths weighing more, as their low frequencies leave less in
    /// doubt, full scale = 1.0.
    pub constant_fs: f64,
    /// Standard error of `constant_fs`; `None` under 3 s.
    pub uncertainty_fs: Option<f64>,
    /// How many times better a constant explains the means than one that follows the level.
    pub constancy: f64,
    /// 0 to 1, how sure it is that this is an offset and no slow music.
    pub confidence: f64,
}

/// What was found. The size of a spot is the offset or the step, full scale = 1.0, with sign.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct DcFacts {
    /// One a channel, in file order.
    pub channels: Vec<ChannelDc>,
    /// Channels whose mean is not zero (F6); the place is the whole file.
    pub offsets: Spots,
    /// Lasting steps of the mean (F7); the step is within the place, of two tenths of a second.
    pub steps: Spots,
}

/// The meter. A fault of a converter or of a plug-in is there whatever is played, while the
/// mean of an asymmetrical sound comes and goes with the sound. So two models are fitted to the
/// means of smooth windows, ten a second, by weighted least squares: a constant, and a multiple of
/// the level; what they leave unexplained is compared. A step is where two constants, of up to 8 s
/// before and after, leave much less than one, and no more than two multiples of the level, while
/// the level stays. Own method.
pub struct DcMeter {
    rate: u64,
    frames: u64,
    /// Tenths of a second that are over.
    tenth: u64,
    channels: Vec<Channel>,
}

#[derive(Default)]
struct Channel {
    windows: Windows,
    /// The newest windows, both sides of a step.
    kept: VecDeque<Window>,
    line: Line,
    /// The clearest step so far that none has topped within a side.
    best: Option<Step>,
    steps: Vec<Step>,
}

#[derive(Clone, Copy)]
struct Step {
    /// The tenth that begins with it.
    at: u64,
    size: f64,
    /// How many times less two constants leave than one.
    gain: f64,
    /// How clear it is that there is one, whatever made it.
    clear: f64,
    confidence: f64,
}

impl DcMeter {
    pub fn new(rate: Hertz, channels: usize) -> Self {
        Self {
            rate: u64::from(rate.value()),
            frames: 0,
            tenth: 0,
            channels: (0..channels).map(|_| Channel::default()).collect(),
        }
    }

    /// The frame with which a tenth begins.
    fn start_of(&self, tenth: u64) -> u64 {
        tenth.saturating_mul(self.rate) / TENTHS as u64
    }

    /// Takes the next samples, `[channel][frame]`, all channels equally long.
    pub fn feed(&mut self, planes: &[&[f64]]) {
        let total = planes.first().map_or(0, |plane| plane.len());
        let mut done = 0;
        while done < total {
            let (start, end) = (self.start_of(self.tenth), self.start_of(self.tenth + 1));
            let left = usize::try_from(end - self.frames).unwrap_or(usize::MAX);
            let take = left.min(total - done);
            for (channel, plane) in self.channels.iter_mut().zip(planes) {
                let samples = &plane[done..done + take];
                channel.windows.add(samples, (self.frames - start) as usize);
            }
            done += take;
            self.frames += take as u64;
            if self.frames == end {
                self.tenth += 1;
                for channel in &mut self.channels {
                    channel.close_tenth((end - start) as f64, self.tenth);
                }
            }
        }
    }

    pub fn finish(mut self) -> DcFacts {
        let mut facts = DcFacts::default();
        for index in 0..self.channels.len() {
            let tenth = self.tenth;
            let channel = &mut self.channels[index];
            channel.last_steps(tenth);
            let dc = channel.dc();
            if dc.confidence > 0.0 {
                facts.offsets.push(Spot {
                    start: 0,
                    end: self.frames,
                    channel: Some(index),
                    size: dc.offset_fs,
                    confidence: dc.confidence,
                    inherited: false,
                    summarised: false,
                });
            }
            facts.channels.push(dc);
            let steps = &self.channels[index].steps;
            // A fault sets in once; what comes and goes is in the sounds.
            let clear = steps.iter().filter(|step| step.clear > 0.2).count();
            let once = if clear > 1 { 0.45 } else { 1.0 };
            for step in steps.iter().filter(|step| step.confidence > 0.0) {
                facts.steps.push(Spot {
                    start: self.start_of(step.at - 1),
                    end: self.start_of(step.at + 1),
                    channel: Some(index),
                    size: step.size,
                    confidence: step.confidence * once,
                    inherited: false,
                    summarised: false,
                });
            }
        }
        facts.steps.sort();
        facts
    }
}

impl Channel {
    /// Ends a tenth of a second; `tenths` are over now.
    fn close_tenth(&mut self, length: f64, tenths: u64) {
        let Some(window) = self.windows.close(length) else {
            return;
        };
        if window.sounding {
            self.line.add(&window);
        }
        if self.kept.len() == 2 * SIDE {
            self.kept.pop_front();
        }
        self.kept.push_back(window);
        if self.kept.len() >= SIDE + LEAST_SIDE {
            self.test(self.kept.len() - SIDE, tenths);
        }
    }

    /// Steps so near to the end that less than a full side comes after.
    fn last_steps(&mut self, tenths: u64) {
        let length = self.kept.len();
        let from = (length.saturating_sub(SIDE) + 1).max(LEAST_SIDE);
        for boundary in from..(length + 1).saturating_sub(LEAST_SIDE) {
            self.test(boundary, tenths);
        }
        self.steps.extend(self.best.take());
    }

    /// Compares the windows before and after `boundary`, an index into those that are kept; a step
    /// there is in both that meet.
    fn test(&mut self, boundary: usize, tenths: u64) {
        // The last window lies around the last tenth but one.
        let at = tenths - 1 - (self.kept.len() - boundary) as u64;
        if let Some(best) = self.best
            && at > best.at + SIDE as u64
        {
            if self.steps.len() < Spots::KEPT {
                self.steps.push(best);
            }
            self.best = None;
        }
        let kept = self.kept.make_contiguous();
        let before = &kept[boundary.saturating_sub(SIDE)..boundary - 1];
        let after = &kept[boundary + 1..];
        let (was, is) = (Line::of(before.iter()), Line::of(after.iter()));
        let size = is.constant() - was.constant();
        if size.abs() < SMALLEST {
            return;
        }
        let two = was.beside_constant() + is.beside_constant();
        let gain = was.and(&is).beside_constant() / two;
        if self.best.is_some_and(|best| best.gain >= gain) {
            return;
        }
        let constancy = (was.beside_level() + is.beside_level()) / two;
        let [none, full] = CLEAR;
        let clear = ramp(size.abs(), SMALLEST, CERTAIN) * ramp(gain, none, full);
        let [steady, other] = STEADY_DB;
        let confidence = 0.9
            * clear
            * (1.0 - ramp(is.decibels_from(&was), steady, other))
            * ramp(constancy, 1.0, 1.1);
        if clear > 0.0 {
            self.best = Some(Step {
                at,
                size,
                gain,
                clear,
                confidence,
            });
        }
    }

    fn dc(&self) -> ChannelDc {
        let offset = self.windows.offset();
        let constant = self.line.constant();
        if self.line.count() < LEAST_SIDE as f64 {
            return ChannelDc {
                offset_fs: offset,
                constant_fs: constant,
                ..ChannelDc::default()
            };
        }
        let error = self.line.error();
        let constancy = self.line.beside_level() / self.line.beside_constant();
        // Both means agree that there is one, and in which direction.
        let both = if offset * constant > 0.0 {
            offset.abs().min(constant.abs())
        } else {
            0.0
        };
        let sure = ramp(constancy, 1.8, 3.5).min(ramp(constant.abs() / error, 3.0, 6.0));
        ChannelDc {
            offset_fs: offset,
            constant_fs: constant,
            uncertainty_fs: Some(error),
            constancy,
            confidence: 0.9 * ramp(both, SMALLEST, CERTAIN) * sure,
        }
    }
}

#[cfg(test)]
mod tests;
