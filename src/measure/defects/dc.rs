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

/// Level under which quieter tenths weigh no more: -60 dBFS. Own choice.
const QUIET: f64 = 1e-3;

/// Weighted squares that a tenth leaves at least, so that models can be compared which leave
/// nothing: a millionth of the weight of -60 dBFS. Own choice.
const FLOOR: f64 = 1e-6;

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
/// means of tenths of a second by weighted least squares: a constant, and a multiple of the
/// level; what they leave unexplained is compared. A step is where two constants, of up to 8 s
/// before and after, leave much less than one, and less than two multiples of the level. Own
/// method.
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
    sums: [f64; 8],
    squares: [f64; 8],
    /// The newest tenths, both sides of a step.
    tenths: VecDeque<Tenth>,
    /// Sum and number of tenths that are not silent.
    sum: f64,
    sounding: u64,
    line: Line,
    /// The clearest step so far that none has topped within a side.
    best: Option<Step>,
    steps: Vec<Step>,
}

/// Mean, and RMS without it.
#[derive(Clone, Copy)]
struct Tenth {
    mean: f64,
    level: f64,
}

/// Weighted sums over tenths: what a constant and a multiple of the level leave unexplained.
#[derive(Clone, Copy, Default)]
struct Line {
    count: f64,
    weight: f64,
    levels: f64,
    mean: f64,
    means: f64,
    both: f64,
}

#[derive(Clone, Copy)]
struct Step {
    /// The tenth that begins with it.
    at: u64,
    size: f64,
    /// How many times less two constants leave than one.
    gain: f64,
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
                fast(Sum {
                    samples,
                    offset,
                    sums: &mut channel.sums,
                    squares: &mut channel.squares,
                });
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
                });
            }
            facts.channels.push(dc);
            let steps = &self.channels[index].steps;
            // A fault sets in once; what comes and goes is in the sounds.
            let clear = steps.iter().filter(|step| step.confidence > 0.2).count();
            let once = if clear > 1 { 0.45 } else { 1.0 };
            for step in steps {
                facts.steps.push(Spot {
                    start: self.start_of(step.at - 1),
                    end: self.start_of(step.at + 1),
                    channel: Some(index),
                    size: step.size,
                    confidence: step.confidence * once,
                    inherited: false,
                });
            }
        }
        facts.steps.sort();
        facts
    }
}

/// Adds to the sums of each lane.
struct Sum<'a> {
    samples: &'a [f64],
    /// Lane of the first sample.
    offset: usize,
    sums: &'a mut [f64; 8],
    squares: &'a mut [f64; 8],
}

impl Work for Sum<'_> {
    type Output = ();

    #[inline(always)]
    fn work(self) {
        let Self {
            samples,
            offset,
            sums,
            squares,
        } = self;
        let head = ((8 - offset) % 8).min(samples.len());
        let (head, body) = samples.split_at(head);
        for (lane, sample) in (offset..8).zip(head) {
            sums[lane] += sample;
            squares[lane] += sample * sample;
        }
        let (mut kept, mut kept_squares) = (*sums, *squares);
        let mut rows = body.chunks_exact(8);
        for row in &mut rows {
            for lane in 0..8 {
                kept[lane] += row[lane];
                kept_squares[lane] += row[lane] * row[lane];
            }
        }
        (*sums, *squares) = (kept, kept_squares);
        for (lane, sample) in rows.remainder().iter().enumerate() {
            sums[lane] += sample;
            squares[lane] += sample * sample;
        }
    }
}

impl Line {
    fn add(&mut self, tenth: &Tenth) {
        let weight = 1.0 / (tenth.level * tenth.level + QUIET * QUIET);
        self.count += 1.0;
        self.weight += weight;
        self.levels += weight * tenth.level * tenth.level;
        self.mean += weight * tenth.mean;
        self.means += weight * tenth.mean * tenth.mean;
        self.both += weight * tenth.level * tenth.mean;
    }

    fn of<'a>(tenths: impl Iterator<Item = &'a Tenth>) -> Self {
        let mut line = Self::default();
        tenths.for_each(|tenth| line.add(tenth));
        line
    }

    fn and(&self, other: &Self) -> Self {
        Self {
            count: self.count + other.count,
            weight: self.weight + other.weight,
            levels: self.levels + other.levels,
            mean: self.mean + other.mean,
            means: self.means + other.means,
            both: self.both + other.both,
        }
    }

    fn constant(&self) -> f64 {
        self.mean / self.weight.max(f64::MIN_POSITIVE)
    }

    /// Weighted squares that the constant leaves.
    fn beside_constant(&self) -> f64 {
        (self.means - self.mean * self.constant()).max(FLOOR * self.count)
    }

    /// Weighted squares that a multiple of the level leaves.
    fn beside_level(&self) -> f64 {
        let slope = self.both / self.levels.max(f64::MIN_POSITIVE);
        (self.means - slope * self.both).max(FLOOR * self.count)
    }

    /// Standard error of the constant.
    fn error(&self) -> f64 {
        let variance = self.beside_constant() / (self.count - 1.0).max(1.0);
        (variance / self.weight.max(f64::MIN_POSITIVE)).sqrt()
    }
}

impl Channel {
    fn close_tenth(&mut self, length: f64, tenths: u64) {
        let mean = std::mem::take(&mut self.sums).iter().sum::<f64>() / length;
        let square = std::mem::take(&mut self.squares).iter().sum::<f64>() / length;
        let tenth = Tenth {
            mean,
            level: (square - mean * mean).max(0.0).sqrt(),
        };
        if square > 0.0 {
            self.sum += mean;
            self.sounding += 1;
            self.line.add(&tenth);
        }
        if self.tenths.len() == 2 * SIDE {
            self.tenths.pop_front();
        }
        self.tenths.push_back(tenth);
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
            && at > best.at + SIDE as u64
        {
            if self.steps.len() < Spots::KEPT {
                self.steps.push(best);
            }
            self.best = None;
        }
        let kept = self.tenths.make_contiguous();
        let before = &kept[boundary.saturating_sub(SIDE)..boundary];
        let after = &kept[boundary..];
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
        let confidence = 0.9
            * rise(size.abs(), SMALLEST, CERTAIN)
            * rise(gain, 5.0, 12.0)
            * rise(constancy, 3.0, 8.0);
        if confidence > 0.0 {
            self.best = Some(Step {
                at,
                size,
                gain,
                confidence,
            });
        }
    }

    fn dc(&self) -> ChannelDc {
        let offset = self.sum / self.sounding.max(1) as f64;
        let constant = self.line.constant();
        if self.line.count < LEAST_SIDE as f64 {
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
        let sure = rise(constancy, 1.8, 3.5).min(rise(constant.abs() / error, 3.0, 6.0));
        ChannelDc {
            offset_fs: offset,
            constant_fs: constant,
            uncertainty_fs: Some(error),
            constancy,
            confidence: 0.9 * rise(both, SMALLEST, CERTAIN) * sure,
        }
    }
}

/// 0 at `none` and before, 1 at `full` and after.
fn rise(value: f64, none: f64, full: f64) -> f64 {
    ((value - none) / (full - none)).clamp(0.0, 1.0)
}

#[cfg(test)]
mod tests {
    use super::super::testing::{chord, cut};
    use super::*;

    fn facts(planes: &[&[f64]], block: usize) -> DcFacts {
        let mut meter = DcMeter::new(Hertz::new(44_100).expect("not 0"), planes.len());
        cut(planes, block, |part| meter.feed(part));
        meter.finish()
    }

    /// A chord that comes and goes.
    fn music(seconds: usize) -> Vec<f64> {
        let mut samples = chord(seconds * 44_100, 4);
        for (i, sample) in samples.iter_mut().enumerate() {
            *sample *= 0.05 + (i as f64 / 60_000.0).sin().powi(2);
        }
        samples
    }

    #[test]
    fn an_offset_is_found_with_its_size_in_its_channel_alone() {
        let clean = music(20);
        for size in [0.002, -0.005, 0.05] {
            let offset: Vec<f64> = clean.iter().map(|v| v + size).collect();
            let found = facts(&[&clean, &offset], 4096);
            assert_eq!(found.offsets.total, 1);
            let spot = found.offsets.listed[0];
            assert_eq!(spot.channel, Some(1));
            assert!(spot.confidence > 0.8, "{spot:?}");
            assert!((spot.size - size).abs() < 2e-4, "{spot:?}");
            assert_eq!(found.steps.total, 0);
        }
    }

    #[test]
    fn a_sound_that_leans_to_one_side_has_no_offset() {
        let leaning: Vec<f64> = music(20).iter().map(|v| v + v.abs() * 0.3).collect();
        let found = facts(&[&leaning], 4096);
        assert!(found.channels[0].offset_fs > 0.005);
        assert_eq!(found.offsets.total, 0);
    }

    #[test]
    fn a_step_is_found_where_it_is() {
        let mut stepped = music(20);
        stepped[400_000..].iter_mut().for_each(|v| *v += 0.01);
        let found = facts(&[&stepped], 4096);
        let sure: Vec<_> = found
            .steps
            .listed
            .iter()
            .filter(|s| s.confidence > 0.5)
            .collect();
        assert_eq!(sure.len(), 1);
        assert!(
            sure[0].start <= 402_205 && sure[0].end >= 397_795,
            "{:?}",
            sure[0]
        );
        assert!((sure[0].size - 0.01).abs() < 1e-3);
    }

    #[test]
    fn blocks_of_any_size_give_the_same_bits() {
        let mut stepped = music(12);
        stepped[200_000..].iter_mut().for_each(|v| *v += 0.01);
        let whole = facts(&[&stepped], stepped.len());
        for block in [1, 13, 4410, 5000] {
            assert_eq!(facts(&[&stepped], block), whole, "blocks of {block}");
        }
    }

    #[test]
    fn silence_and_a_short_file_have_no_offset() {
        assert_eq!(facts(&[&[0.0; 100_000]], 4096).offsets.total, 0);
        assert_eq!(facts(&[&[0.3; 10_000]], 4096).offsets.total, 0);
    }
}
