//! Tops of a wave that were cut: runs of samples at the largest value around, with corners.
//!
//! In: stretches of one channel. Out: every flat top with its place, length and overshoot.

use super::super::stretches::{extremes, is_black};
use crate::units::Hertz;

/// Fewest samples in a flat top (common practice, no source: 3 to 5).
const SHORTEST: usize = 3;

/// Width of a flat top in steps of the sample values: rounding and plain dither of one step
/// either way move each sample by up to 1.5.
const WIDTH_STEPS: f64 = 3.2;

/// What is quieter than this is not looked at, linear (-40 dBFS; own choice: the steps of 16 bits
/// are coarse down there, and clipping before so much loss of level is rare).
const QUIETEST: f64 = 0.01;

/// How far the wave must fall within two samples of a flat top, in widths. A parabola that stays
/// within one width for three samples falls by 5.4 there (by 3.5 / 1.5 squared), and by less
/// after a longer top; three times that is a corner.
const CORNER_WIDTHS: f64 = 16.0;

/// Within how many widths neighbours count as equal: such a wave stands before and after its
/// top too, and is a square or a staircase.
const LEVEL_WIDTHS: f64 = 2.0;

/// Samples that are kept from before a stretch.
const CONTEXT: usize = 4;

/// Samples that must follow a top.
const FOLLOW: usize = 3;

/// Samples that are passed over together where none of them reaches the level.
const PART: usize = 64;

/// A top that was cut.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct FlatTop {
    pub start: u64,
    pub length: usize,
    /// With its sign.
    pub level: f64,
    /// How high the wave would have gone over the level, as a share of it.
    pub overshoot: f64,
}

/// 20 ms: the level is sought in two of them, a period of the lowest note.
pub(super) fn stretch_frames(rate: Hertz) -> usize {
    (rate.value() as usize).div_ceil(50)
}

/// How many samples lie before the first that, times `sign`, is at `least` or over.
fn passed_over(samples: &[f64], least: f64, sign: f64) -> usize {
    let below = |part: &&[f64]| {
        let (low, high) = extremes(part);
        (if sign > 0.0 { high } else { -low }) < least
    };
    let from = PART * samples.chunks_exact(PART).take_while(below).count();
    let first = samples[from..].iter().position(|v| v * sign >= least);
    first.map_or(samples.len(), |first| from + first)
}

/// Looks for flat tops in one channel, one stretch behind.
pub(super) struct FlatTops {
    length: usize,
    width: f64,
    /// Context, the stretch before, and the one that came last.
    window: Vec<f64>,
    /// Extremes of the stretch before.
    before: (f64, f64),
    /// Frames before the stretch before.
    frames: u64,
    /// Whether all samples of the window are zero.
    black: bool,
}

impl FlatTops {
    pub(super) fn new(rate: Hertz, step: f64) -> Self {
        let length = stretch_frames(rate);
        Self {
            length,
            width: WIDTH_STEPS * step,
            window: vec![0.0; CONTEXT],
            before: (0.0, 0.0),
            frames: 0,
            black: true,
        }
    }

    /// Takes a stretch; tells the tops that begin in the one before. Returns its largest magnitude.
    pub(super) fn stretch(&mut self, samples: &[f64], tell: impl FnMut(FlatTop)) -> f64 {
        if self.black && self.window.len() == CONTEXT + self.length && is_black(samples) {
            self.frames += self.length as u64;
            return 0.0;
        }
        let now = extremes(samples);
        if self.window.len() == CONTEXT {
            self.window.extend_from_slice(samples);
        } else {
            self.window.extend_from_slice(samples);
            self.look(now, tell);
            self.window.drain(..self.length);
            self.frames += self.length as u64;
        }
        self.black = now == (0.0, 0.0) && self.before == (0.0, 0.0);
        self.before = now;
        now.1.max(-now.0)
    }

    /// Tells the tops of the last stretch.
    pub(super) fn finish(&mut self, tell: impl FnMut(FlatTop)) {
        self.look((0.0, 0.0), tell);
    }

    fn look(&self, now: (f64, f64), mut tell: impl FnMut(FlatTop)) {
        self.look_up(self.before.1, now.1, 1.0, &mut tell);
        self.look_up(-self.before.0, -now.0, -1.0, &mut tell);
    }

    /// `before` and `now`: the largest value of each stretch after multiplication by `sign`.
    fn look_up(&self, before: f64, now: f64, sign: f64, tell: &mut impl FnMut(FlatTop)) {
        let largest = before.max(now);
        let least = largest - self.width;
        if largest < QUIETEST || before < least {
            return;
        }
        let wave = |index: usize| self.window[index] * sign;
        let stop = self.window.len().min(CONTEXT + self.length);
        let mut index = CONTEXT;
        // A top that began in the stretch before was told there.
        if wave(index - 1) >= least {
            while index < stop && wave(index) >= least {
                index += 1;
            }
        }
        while index < stop {
            if wave(index) < least {
                index += passed_over(&self.window[index..stop], least, sign);
                continue;
            }
            let start = index;
            while index < self.window.len() && wave(index) >= least {
                index += 1;
            }
            if index - start >= SHORTEST && index + FOLLOW <= self.window.len() {
                let overshoot = self.overshoot(start, index, sign) / largest;
                if overshoot > 0.0 {
                    tell(FlatTop {
                        start: self.frames + (start - CONTEXT) as u64,
                        length: index - start,
                        level: largest * sign,
                        overshoot,
                    });
                }
            }
        }
    }

    /// How high the wave would have gone over a top from `start` to `end`; 0 where it has no
    /// corners.
    fn overshoot(&self, start: usize, end: usize, sign: f64) -> f64 {
        let wave = |index: usize| self.window[index] * sign;
        let rise = wave(start) - wave(start - 2);
        let fall = wave(end - 1) - wave(end + 1);
        let corner = CORNER_WIDTHS * self.width;
        let level = LEVEL_WIDTHS * self.width;
        let equal = |a: usize, b: usize| (wave(a) - wave(b)).abs() <= level;
        let stands_before = equal(start - 1, start - 2) && equal(start - 2, start - 3);
        let stands_after = equal(end, end + 1) && equal(end + 1, end + 2);
        if rise < corner || fall < corner || stands_before || stands_after {
            return 0.0;
        }
        // The middle of the cubic that goes on with both slopes (Hermite form).
        (rise + fall) / 2.0 * (end - start + 1) as f64 / 8.0
    }
}
