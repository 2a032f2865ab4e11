//! Brings a channel down to about 2 kHz, in two steps, for what lies under 500 Hz.
//!
//! In: stretches of one fixed length. Out: a fixed number of samples for each.

use crate::measure::dispatch::{Thinned, fast};
use crate::measure::stretches::is_black;

/// The rate that is aimed at, in Hz.
const AIM_HZ: f64 = 2000.0;

/// What must come through unharmed, in Hz: eight harmonics of 60 Hz.
const BAND_HZ: f64 = 500.0;

/// How far what folds back into the band is put down, in dB.
const STOP_DB: f64 = 80.0;

/// Products that are summed side by side.
const LANES: usize = 16;

/// By how much the rate is divided in the two steps.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Factors {
    pub first: usize,
    pub second: usize,
}

impl Factors {
    pub(super) fn of(rate_hz: f64) -> Self {
        let whole = ((rate_hz / AIM_HZ).round() as usize).max(1);
        let second = [4, 3, 2, 1]
            .into_iter()
            .find(|by| whole.is_multiple_of(*by))
            .unwrap_or(1);
        Self {
            first: whole / second,
            second,
        }
    }

    pub(super) fn whole(self) -> usize {
        self.first * self.second
    }
}

/// Both steps for one channel.
pub(super) struct Decimator {
    first: Stage,
    second: Stage,
    between: Vec<f32>,
}

impl Decimator {
    pub(super) fn new(rate_hz: f64, factors: Factors) -> Self {
        Self {
            first: Stage::new(rate_hz, factors.first),
            second: Stage::new(rate_hz / factors.first as f64, factors.second),
            between: Vec::new(),
        }
    }

    /// Takes a number of samples that both factors divide; adds what is left of them to `out`.
    pub(super) fn run(&mut self, samples: &[f64], out: &mut Vec<f32>) {
        self.between.clear();
        let black = is_black(samples);
        let single = samples.iter().map(|&sample| sample as f32);
        self.first.run(single, black, &mut self.between);
        let black = self.between.iter().all(|&sample| sample == 0.0);
        let between = self.between.iter().copied();
        self.second.run(between, black, out);
    }
}

/// A low-pass, of which only every `by`th value is computed; none where `by` is 1.
struct Stage {
    by: usize,
    taps: Vec<f32>,
    /// The last `taps - 1` samples, then the new ones. Single precision: its noise lies 140 dB
    /// under the music, the faintest hum 80.
    line: Vec<f32>,
    /// Whether the samples kept are all zero.
    black: bool,
}

impl Stage {
    fn new(rate_hz: f64, by: usize) -> Self {
        let taps = if by == 1 {
            Vec::new()
        } else {
            low_pass(rate_hz, by)
        };
        Self {
            by,
            line: vec![0.0; taps.len().saturating_sub(1)],
            taps,
            black: true,
        }
    }

    /// `black`: whether the samples are all zero.
    fn run(
        &mut self,
        samples: impl ExactSizeIterator<Item = f32>,
        black: bool,
        out: &mut Vec<f32>,
    ) {
        if self.by == 1 {
            out.extend(samples);
            return;
        }
        if black && self.black {
            out.resize(out.len() + samples.len() / self.by, 0.0);
            return;
        }
        self.line.extend(samples);
        let before = out.len();
        let reach = self.taps.len() - 1;
        out.resize(before + (self.line.len() - reach) / self.by, 0.0);
        fast(Thinned {
            line: &self.line,
            taps: &self.taps,
            by: self.by,
            out: &mut out[before..],
        });
        self.line.drain(..self.line.len() - reach);
        self.black = self.line.iter().all(|&sample| sample == 0.0);
    }
}

/// A windowed sinc with Kaiser's window and his estimate of its length (J. F. Kaiser,
/// "Nonrecursive digital filter design using the I0-sinh window function", 1974; from memory).
fn low_pass(rate_hz: f64, by: usize) -> Vec<f32> {
    use std::f64::consts::PI;
    let stop_hz = rate_hz / by as f64 - BAND_HZ;
    let width = 2.0 * PI * (stop_hz - BAND_HZ) / rate_hz;
    let order = ((STOP_DB - 8.0) / (2.285 * width)).ceil().max(2.0);
    // Whole lanes, for the loop over the taps.
    let count = (order as usize + 1).div_ceil(LANES) * LANES;
    let middle = (count - 1) as f64 / 2.0;
    let beta = 0.1102 * (STOP_DB - 8.7);
    let cut = (stop_hz + BAND_HZ) / 2.0 / rate_hz;
    let taps: Vec<f64> = (0..count)
        .map(|index| {
            let from_middle = index as f64 - middle;
            let phase = 2.0 * PI * cut * from_middle;
            let sinc = if phase == 0.0 {
                1.0
            } else {
                phase.sin() / phase
            };
            let place = from_middle / (middle + 1.0);
            sinc * bessel(beta * (1.0 - place * place).sqrt())
        })
        .collect();
    let sum: f64 = taps.iter().sum();
    taps.iter().map(|tap| (tap / sum) as f32).collect()
}

/// The modified Bessel function of the first kind, order 0, by its power series.
fn bessel(x: f64) -> f64 {
    let mut term = 1.0;
    let mut sum = 1.0;
    for index in 1..60 {
        let factor = x / (2.0 * f64::from(index));
        term *= factor * factor;
        sum += term;
    }
    sum
}

#[cfg(test)]
mod tests {
    use super::*;

    fn level_after(rate_hz: f64, tone_hz: f64) -> f64 {
        let factors = Factors::of(rate_hz);
        let mut decimator = Decimator::new(rate_hz, factors);
        let frames = factors.whole() * 2000;
        let tone: Vec<f64> = (0..frames)
            .map(|n| (2.0 * std::f64::consts::PI * tone_hz * n as f64 / rate_hz).sin())
            .collect();
        let mut out = Vec::new();
        decimator.run(&tone, &mut out);
        let settled = &out[1000..];
        let squares = settled.iter().map(|&v| f64::from(v).powi(2));
        let power = squares.sum::<f64>() / settled.len() as f64;
        10.0 * (2.0 * power).log10()
    }

    #[test]
    fn what_is_looked_at_comes_through_and_what_would_fold_there_does_not() {
        for rate in [22_050.0, 44_100.0, 48_000.0, 96_000.0, 176_400.0, 192_000.0] {
            let low_rate = rate / Factors::of(rate).whole() as f64;
            for hz in [50.0, 100.0, 300.0, 480.0] {
                let level = level_after(rate, hz);
                assert!(level.abs() < 0.1, "{hz} Hz at {rate} Hz: {level} dB");
                for order in [1.0, 2.0, 5.0] {
                    let image = order * low_rate - hz;
                    let level = level_after(rate, image);
                    assert!(level < -70.0, "{image} Hz at {rate} Hz: {level} dB");
                }
            }
        }
    }
}
