//! Direct current: a mean that is not zero, over the file, and one that steps.
//!
//! In: blocks of samples. Out: [`DcFacts`], with how far low frequencies leave the mean in doubt.
//! Knows no files.

use std::collections::VecDeque;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::super::{Spot, Spots};
use crate::units::Hertz;
use crate::vector::{Work, fast};

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

/// The mean of one channel.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ChannelDc {
    /// Mean of all tenths of a second that hold anything but exact zeros, full scale = 1.0.
    pub offset_fs: f64,
    /// Standard error of the mean, from how the means of single seconds lie, full scale = 1.0;
    /// `None` under 3 s.
    pub uncertainty_fs: Option<f64>,
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

/// The meter: mean of each channel with its standard error from the means of 1 s (the method of
/// batch means: R. W. Conway, "Some tactical problems in digital simulation", Management Science
/// 10(1), 1963, from memory, widened by the correlation of neighbours), and steps of the mean
/// between up to 8 s before and after, against the same errors.
pub struct DcMeter {
    rate: u64,
    frames: u64,
    /// Tenths of a second that are over.
    tenth: u64,
    channels: Vec<Channel>,
}

#[derive(Default)]
struct Channel {
    /// Running sums of the present tenth, by frame in it modulo 8.
    lanes: [f64; 8],
    sounding: bool,
    /// Means of the newest tenths, both sides of a step.
    tenths: VecDeque<f64>,
    /// Sum and number of tenths that are not silent.
    sum: f64,
    sounding_tenths: u64,
    second: Second,
    spread: Spread,
    /// The largest step so far that none has topped within the least side.
    best: Option<Step>,
    steps: Vec<Step>,
}

/// The second that is being filled with sounding tenths.
#[derive(Default)]
struct Second {
    sum: f64,
    tenths: usize,
}

/// How the means of seconds lie, and how alike neighbours are.
#[derive(Default)]
struct Spread {
    count: f64,
    mean: f64,
    squares: f64,
    products: f64,
    last: f64,
}

#[derive(Clone, Copy)]
struct Step {
    /// The tenth that begins with it.
    at: u64,
    size: f64,
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
                let offset = ((self.frames - start) % 8) as usize;
                let sounding = fast(Sum {
                    samples,
                    offset,
                    lanes: &mut channel.lanes,
                });
                channel.sounding |= sounding;
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
        let rest = self.frames - self.start_of(self.tenth);
        for index in 0..self.channels.len() {
            let tenth = self.tenth;
            let channel = &mut self.channels[index];
            channel.last_steps(tenth);
            let dc = channel.dc(rest as f64, self.rate as f64 / TENTHS as f64);
            if dc.confidence > 0.0 {
                facts.offsets.push(Spot {
                    start: 0,
                    end: self.frames,
                    channel: Some(index),
                    size: dc.offset_fs,
                    confidence: dc.confidence,
                    inherited: false,
                });
            }
            facts.channels.push(dc);
            for step in &self.channels[index].steps {
                facts.steps.push(Spot {
                    start: self.start_of(step.at - 1),
                    end: self.start_of(step.at + 1),
                    channel: Some(index),
                    size: step.size,
                    confidence: step.confidence,
                    inherited: false,
                });
            }
        }
        facts.steps.sort();
        facts
    }
}

/// Adds to the sum of each lane; says whether there was anything but zeros.
struct Sum<'a> {
    samples: &'a [f64],
    /// Lane of the first sample.
    offset: usize,
    lanes: &'a mut [f64; 8],
}

impl Work for Sum<'_> {
    type Output = bool;

    #[inline(always)]
    fn work(self) -> bool {
        let Self { samples, offset, lanes } = self;
        let head = ((8 - offset) % 8).min(samples.len());
        let (head, body) = samples.split_at(head);
        for (lane, sample) in lanes[offset..].iter_mut().zip(head) {
            *lane += sample;
        }
        let mut any = head.iter().any(|&v| v != 0.0);
        let mut rows = body.chunks_exact(8);
        let mut tops = [0.0f64; 8];
        for row in &mut rows {
            for lane in 0..8 {
                lanes[lane] += row[lane];
                let magnitude = row[lane].abs();
                tops[lane] = if magnitude > tops[lane] { magnitude } else { tops[lane] };
            }
        }
        for (lane, sample) in lanes.iter_mut().zip(rows.remainder()) {
            *lane += sample;
            any |= *sample != 0.0;
        }
        any || tops != [0.0; 8]
    }
}

impl Spread {
    fn add(&mut self, mean: f64) {
        self.count += 1.0;
        let before = mean - self.mean;
        self.mean += before / self.count;
        self.squares += before * (mean - self.mean);
        if self.count > 1.0 {
            self.products += (mean - self.mean) * (self.last - self.mean);
        }
        self.last = mean;
    }

    /// Standard error of the mean; `None` for fewer than three seconds.
    fn error(&self) -> Option<f64> {
        if self.count < 3.0 {
            return None;
        }
        let alike = (self.products / self.squares.max(f64::MIN_POSITIVE)).clamp(0.0, 0.9);
        let variance = self.squares / (self.count - 1.0) / self.count;
        Some((variance * (1.0 + alike) / (1.0 - alike)).sqrt())
    }
}

impl Channel {
    fn close_tenth(&mut self, length: f64, tenths: u64) {
        let mean = std::mem::take(&mut self.lanes).iter().sum::<f64>() / length;
        if std::mem::take(&mut self.sounding) {
            self.sum += mean;
            self.sounding_tenths += 1;
            self.second.sum += mean;
            self.second.tenths += 1;
            if self.second.tenths == TENTHS {
                self.spread.add(self.second.sum / TENTHS as f64);
                self.second = Second::default();
            }
        }
        if self.tenths.len() == 2 * SIDE {
            self.tenths.pop_front();
        }
        self.tenths.push_back(mean);
        if self.tenths.len() >= SIDE + LEAST_SIDE {
            self.test(self.tenths.len() - SIDE, tenths);
        }
    }

    /// Steps so near to the end that less than a full side comes after.
    fn last_steps(&mut self, tenths: u64) {
        let length = self.tenths.len();
        let from = (length.saturating_sub(SIDE) + 1).max(LEAST_SIDE);
        for boundary in from..(length + 1).saturating_sub(LEAST_SIDE) {
            self.test(boundary, tenths);
        }
        self.steps.extend(self.best.take());
    }

    /// Compares the tenths before and after `boundary`, an index into those that are kept.
    fn test(&mut self, boundary: usize, tenths: u64) {
        let at = tenths - (self.tenths.len() - boundary) as u64;
        if let Some(best) = self.best
            && at > best.at + LEAST_SIDE as u64
        {
            if self.steps.len() < Spots::KEPT {
                self.steps.push(best);
            }
            self.best = None;
        }
        let kept = self.tenths.make_contiguous();
        let before = &kept[boundary.saturating_sub(SIDE)..boundary];
        let after = &kept[boundary..];
        let size = mean(after) - mean(before);
        if size.abs() < SMALLEST || self.best.is_some_and(|best| best.size.abs() >= size.abs()) {
            return;
        }
        // The seconds are counted from the step on both sides.
        let mut errors = [Spread::default(), Spread::default()];
        for second in before.rchunks_exact(TENTHS) {
            errors[0].add(mean(second));
        }
        for second in after.chunks_exact(TENTHS) {
            errors[1].add(mean(second));
        }
        let squares = errors.iter().map(|e| e.error().unwrap_or(1.0).powi(2));
        let error = squares.sum::<f64>().sqrt().max(1e-6);
        let confidence = 0.9 * rise(size.abs(), SMALLEST, CERTAIN) * rise(size.abs() / error, 4.0, 10.0);
        if confidence > 0.0 {
            self.best = Some(Step { at, size, confidence });
        }
    }

    /// `rest`: frames of the last, unfinished tenth.
    fn dc(&self, rest: f64, tenth: f64) -> ChannelDc {
        let rest = if self.sounding { rest / tenth } else { 0.0 };
        let weight = self.sounding_tenths as f64 + rest;
        if weight == 0.0 {
            return ChannelDc::default();
        }
        let offset = (self.sum + self.lanes.iter().sum::<f64>() / tenth * rest.min(1.0).ceil()) / weight;
        let uncertainty = self.spread.error();
        let sure = match uncertainty {
            Some(error) => rise(offset.abs() / error.max(1e-6), 2.0, 6.0),
            None => 0.4,
        };
        ChannelDc {
            offset_fs: offset,
            uncertainty_fs: uncertainty,
            confidence: 0.9 * rise(offset.abs(), SMALLEST, CERTAIN) * sure,
        }
    }
}

fn mean(values: &[f64]) -> f64 {
    values.iter().sum::<f64>() / values.len().max(1) as f64
}

/// 0 at `none` and before, 1 at `full` and after.
fn rise(value: f64, none: f64, full: f64) -> f64 {
    ((value - none) / (full - none)).clamp(0.0, 1.0)
}
