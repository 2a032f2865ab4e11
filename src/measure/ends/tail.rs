//! The tail: what sounds last, how loud it is there, and whether it was on its way to silence.
//!
//! In: steps of 10 ms. Out: the levels before the last sound, and how sure a cut is. The end of
//! the programme is its last sample over -78 dBFS; zeros or dither may follow.

use std::collections::VecDeque;

use super::{decibels, last_sound};
use crate::measure::stretches::mean_square;
use crate::units::Hertz;

/// The file ends in sound if its last 10 ms are over this, in dBFS. Common practice, no source.
const SOUNDING_DBFS: f64 = -60.0;

/// So long after the last sound the file must be over for a cut, in seconds. Before a pause only
/// what stops loud and without any fade is one: an ending that was made has a fade of a
/// millisecond at least (common practice, no source), which takes 5 dB off its last millisecond.
const AT_ONCE_S: f64 = 0.01;
const UNFADED_DB: f64 = 3.0;

/// A tail that ends under this is gone, in dBFS. Own choice: fades that are complete pass it
/// within their last 10 ms, and what stops there is not heard.
const GONE_DBFS: f64 = -73.0;

/// An ending that is faded in its last moments falls by more than this from 125 ms before its
/// end to its last 10 ms, in dB. Own choice: fades cut at random places fall by up to 8, music at
/// full level by up to 14, complete fades by 20 and more.
const CLOSING_DB: f64 = 12.0;
const CLOSING_AT_LEVEL_DB: f64 = 20.0;

/// A fade that stops over this is no fade yet, in dBFS. Own choice.
const FADED_DBFS: f64 = -30.0;

/// From here down to [`GONE_DBFS`] a stopped fade is less and less to be heard. Own choice.
const FAINT_DBFS: f64 = -62.0;

/// How far under the programme a tail must be to be one, in dB. Own choice.
const TAIL_DB: f64 = 15.0;

/// How far the level must have come down over the last 1 s and 2 s, in dB. Own choice: half of
/// what was seen in fades of 4 s that stop early; noise keeps its level within 2.
const COMES_DOWN_DB: [f64; 2] = [4.0, 8.0];

/// Where a tail counts as silent for the forecast, in dBFS. Own choice.
const SILENCE_DBFS: f64 = -80.0;

/// Steps of which the level is kept: 20 s.
pub(super) const STEPS: usize = 2000;

pub(super) struct Tail {
    rate: f64,
    step: usize,
    levels: VecDeque<f64>,
    /// Levels of the steps after the last one with sound.
    pending: VecDeque<f64>,
    /// The step before the last one with sound, and that one, `[channel][frame]`.
    last: Vec<Vec<f64>>,
    /// The step that came last.
    before: Vec<Vec<f64>>,
    /// The frame after the last sound.
    end: Option<u64>,
    frames: u64,
    /// Over all steps with sound.
    energy: f64,
    steps: u64,
}

/// How the programme ends; levels are mean squares.
pub(super) struct End {
    pub frame: u64,
    pub after_s: f64,
    pub last_10_ms: f64,
    pub last_50_ms: f64,
    pub slope: Option<f64>,
    last_1_ms: f64,
    /// From 200 ms to 50 ms before the end.
    closing: f64,
    /// From 600 ms to 200 ms before the end.
    late: f64,
    /// From 1.5 s to 0.6 s before, and from 3 s to 1.5 s.
    earlier: [f64; 2],
    programme: f64,
}

impl Tail {
    pub(super) fn new(rate: Hertz, step: usize, channels: usize) -> Self {
        Self {
            rate: f64::from(rate.value()),
            step,
            levels: VecDeque::with_capacity(STEPS),
            pending: VecDeque::new(),
            last: vec![Vec::with_capacity(2 * step); channels],
            before: vec![Vec::with_capacity(step); channels],
            end: None,
            frames: 0,
            energy: 0.0,
            steps: 0,
        }
    }

    /// `level`: the loudest channel's mean square.
    pub(super) fn step(&mut self, planes: &[&[f64]], level: f64) {
        self.pending.push_back(level);
        if self.pending.len() > STEPS {
            self.pending.pop_front();
        }
        let sound = if level > 0.0 {
            last_sound(planes)
        } else {
            None
        };
        if let Some(at) = sound {
            self.levels.append(&mut self.pending);
            let over = self.levels.len().saturating_sub(STEPS);
            self.levels.drain(..over);
            self.end = Some(self.frames + at as u64 + 1);
            self.energy += level;
            self.steps += 1;
            for ((last, before), plane) in self.last.iter_mut().zip(&self.before).zip(planes) {
                last.clear();
                last.extend_from_slice(before);
                last.extend_from_slice(&plane[..=at]);
            }
        }
        for (before, plane) in self.before.iter_mut().zip(planes) {
            before.clear();
            before.extend_from_slice(plane);
        }
        self.frames += planes.first().map_or(0, |plane| plane.len()) as u64;
    }

    /// Mean squares of the steps up to the last sound, in time order.
    pub(super) fn levels(&self) -> &VecDeque<f64> {
        &self.levels
    }

    /// `None` where nothing sounds.
    pub(super) fn end(&self, frames: u64) -> Option<End> {
        let frame = self.end?;
        Some(End {
            frame,
            after_s: (frames - frame) as f64 / self.rate,
            last_10_ms: self.last(self.step),
            last_50_ms: self.mean(0, 5),
            slope: self.slope(),
            last_1_ms: self.last(self.step.div_ceil(10)),
            closing: self.mean(5, 20),
            late: self.mean(20, 60),
            earlier: [self.mean(60, 150), self.mean(150, 300)],
            programme: self.energy / self.steps.max(1) as f64,
        })
    }

    /// Of the loudest channel, over the last `frames` up to the last sound.
    fn last(&self, frames: usize) -> f64 {
        self.last
            .iter()
            .map(|samples| mean_square(&samples[samples.len().saturating_sub(frames)..]))
            .fold(0.0, f64::max)
    }

    /// Over the steps from `from` to `to` counted back from the last sound; 0 before the start.
    fn mean(&self, from: usize, to: usize) -> f64 {
        let steps = self.levels.iter().rev().take(to).skip(from);
        let (sum, count) = steps.fold((0.0, 0), |(sum, count), v| (sum + v, count + 1));
        sum / f64::from(count.max(1))
    }

    /// The fall of the last second in dB per second, by least squares over steps of 100 ms.
    fn slope(&self) -> Option<f64> {
        const POINTS: usize = 10;
        if self.levels.len() < 10 * POINTS {
            return None;
        }
        let middle = (POINTS - 1) as f64 / 2.0;
        let (mut over, mut under) = (0.0, 0.0);
        for point in 0..POINTS {
            let back = point as f64 - middle;
            over += back * decibels(self.mean(10 * point, 10 * point + 10));
            under += back * back;
        }
        Some(over / under * 10.0)
    }
}

impl End {
    /// At the slope of the last second, in seconds.
    pub(super) fn left_until_silence(&self) -> Option<f64> {
        let left = decibels(self.last_50_ms) - SILENCE_DBFS;
        let slope = self.slope.filter(|slope| *slope > 0.0)?;
        Some((left / slope).max(0.0))
    }

    /// How sure it is that the file ends within sound.
    pub(super) fn cut(&self) -> f64 {
        let level = decibels(self.last_10_ms);
        if level <= SOUNDING_DBFS || self.closes(CLOSING_AT_LEVEL_DB) {
            return 0.0;
        }
        let loud = level > decibels(self.programme) - TAIL_DB;
        let unfaded = decibels(self.last_1_ms) > level - UNFADED_DB;
        if self.after_s > AT_ONCE_S && !(loud && unfaded) {
            return 0.0;
        }
        // The same noise to the end and from before is the room, or the record, that goes on.
        if self.stands_still() && !loud {
            return 0.3;
        }
        0.65
    }

    /// How sure it is that a fade or a decay stops before it is gone.
    pub(super) fn chopped(&self) -> f64 {
        let level = decibels(self.last_50_ms);
        let last = decibels(self.last_10_ms);
        if last <= GONE_DBFS || level > FADED_DBFS || self.closes(CLOSING_DB) {
            return 0.0;
        }
        let is_tail = level < decibels(self.programme) - TAIL_DB;
        let comes_down = self
            .earlier
            .iter()
            .zip(COMES_DOWN_DB)
            .all(|(earlier, fall)| decibels(*earlier) - level > fall);
        if !is_tail || !comes_down {
            return 0.0;
        }
        let audible = (1.0 - (FAINT_DBFS - level) / (FAINT_DBFS - GONE_DBFS)).clamp(0.0, 1.0);
        let most = if self.stands_still() { 0.35 } else { 0.7 };
        most * (0.6 + 0.4 * audible)
    }

    /// Whether the level runs out in the last moments.
    fn closes(&self, fall_db: f64) -> bool {
        let last = decibels(self.last_10_ms);
        decibels(self.closing) - last > fall_db || last - decibels(self.last_1_ms) > CLOSING_DB
    }

    /// Whether the level of the last 600 ms is that of noise.
    fn stands_still(&self) -> bool {
        let level = decibels(self.last_50_ms);
        [self.closing, self.late]
            .iter()
            .all(|before| (decibels(*before) - level).abs() < 1.5)
    }
}
