//! Where the spectrum ends, and whether it ends where an older sample rate did.
//!
//! In: the long-term spectrum of one channel in dB a line. Out: [`Bandwidth`], [`Upsampled`].
//! Works on the mean of the logarithm over all looks: what shows there is there nearly all the
//! time.

use super::types::{Bandwidth, Upsampled};

/// trade.md, H3: a step of more than 20 dB within 500 Hz.
const STEP_DB: f64 = 20.0;
/// Own choice: under this, steps are the gaps between notes.
const LOWEST_EDGE_HZ: f64 = 3_000.0;
/// Rates that music was made or kept at.
const OLD_RATES: [u32; 10] = [
    8_000, 11_025, 16_000, 22_050, 24_000, 32_000, 44_100, 48_000, 88_200, 96_000,
];

/// A long-term spectrum with sums that make means cheap.
pub(super) struct LongTerm {
    line_hz: f64,
    half_rate: f64,
    sums: Vec<f64>,
    /// Mean over lines of the spread between mean and maximum would say the same of the peaks.
    peak_sums: Vec<f64>,
}

impl LongTerm {
    /// `mean_db`, `peak_db`: one a line, from 0 Hz to half the rate.
    pub(super) fn new(rate: u32, mean_db: &[f64], peak_db: &[f64]) -> Self {
        let half_rate = f64::from(rate) / 2.0;
        let sums = |values: &[f64]| {
            let mut sum = 0.0;
            let mut sums = vec![0.0];
            sums.extend(values.iter().map(|value| {
                sum += value;
                sum
            }));
            sums
        };
        Self {
            line_hz: half_rate / (mean_db.len().max(2) - 1) as f64,
            half_rate,
            sums: sums(mean_db),
            peak_sums: sums(peak_db),
        }
    }

    fn of(&self, sums: &[f64], from_hz: f64, to_hz: f64) -> f64 {
        let last = sums.len() - 1;
        let line = |hz: f64| ((hz / self.line_hz).round().max(0.0) as usize).min(last);
        let (from, to) = (line(from_hz), line(to_hz));
        let (from, to) = if to > from {
            (from, to)
        } else {
            (from.min(last - 1), from.min(last - 1) + 1)
        };
        (sums[to] - sums[from]) / (to - from) as f64
    }

    /// Mean level from one frequency to another, dB.
    pub(super) fn mean(&self, from_hz: f64, to_hz: f64) -> f64 {
        self.of(&self.sums, from_hz, to_hz)
    }

    fn peak(&self, from_hz: f64, to_hz: f64) -> f64 {
        self.of(&self.peak_sums, from_hz, to_hz)
    }

    /// The fall from a quarter of a kilohertz under `hz` to as much over it.
    fn step(&self, hz: f64) -> f64 {
        self.mean(hz - 400.0, hz - 150.0) - self.mean(hz + 150.0, hz + 400.0)
    }

    /// H3 of the trade's list: the highest frequency with a step of more than 20 dB within 500 Hz.
    pub(super) fn bandwidth(&self) -> Bandwidth {
        let pace = 50.0;
        let mut hz = self.half_rate - 450.0;
        while hz > LOWEST_EDGE_HZ {
            if self.step(hz) > STEP_DB && self.peak_step(hz) > STEP_DB / 2.0 {
                let (edge, step) = (0..=16)
                    .map(|back| hz - pace * f64::from(back))
                    .map(|hz| (hz, self.step(hz)))
                    .fold((hz, f64::NEG_INFINITY), |best, next| {
                        if next.1 > best.1 { next } else { best }
                    });
                return Bandwidth {
                    edge_hz: Some(edge),
                    step_db: Some(step),
                };
            }
            hz -= pace;
        }
        Bandwidth {
            edge_hz: None,
            step_db: None,
        }
    }

    fn peak_step(&self, hz: f64) -> f64 {
        self.peak(hz - 400.0, hz - 150.0) - self.peak(hz + 150.0, hz + 400.0)
    }

    /// H3 and H4: an end of the spectrum at the half of an older rate, and nothing but the floor of
    /// the samples' own rounding above it.
    ///
    /// `floor_db`: level of a line of nothing but rounding with dither; `None` for floats.
    pub(super) fn upsampled(&self, floor_db: Option<f64>) -> Option<Upsampled> {
        OLD_RATES
            .into_iter()
            .filter(|&old| f64::from(old) < 2.0 * self.half_rate * 0.95)
            .filter_map(|old| self.from_rate(old, floor_db))
            .max_by(|a, b| a.confidence.total_cmp(&b.confidence))
    }

    fn from_rate(&self, old: u32, floor_db: Option<f64>) -> Option<Upsampled> {
        let old_half = f64::from(old) / 2.0;
        let top = self.half_rate * 0.99;
        let clear = (old_half * 1.06).min(top - 350.0);
        if clear < old_half * 1.02 {
            return None;
        }
        let floor = self.mean(clear, top);
        if floor_db.is_some_and(|lowest| floor > lowest + FLOOR_MARGIN_DB) {
            return None;
        }
        // The floor is flat, always: no look rises over what chance gives a rounding noise.
        let width = ((top - clear) / 8.0).max(40.0);
        let parts = || {
            (0..8).map(move |n| clear + f64::from(n) * (top - clear) / 8.0).map(move |hz| (hz, hz + width))
        };
        let spread = parts()
            .map(|(from, to)| (self.mean(from, to) - floor).abs())
            .fold(0.0, f64::max);
        let peak = parts()
            .map(|(from, to)| self.peak(from, to) - floor)
            .fold(0.0, f64::max);
        if spread > FLAT_DB || peak > PEAK_OVER_FLOOR_DB {
            return None;
        }
        let step = self.mean(old_half * 0.80, old_half * 0.88) - floor;
        // Half way down, in dB.
        let near = old_half / 200.0;
        let middle = (0..)
            .map(|n| clear - near * f64::from(n))
            .take_while(|&hz| hz > old_half * 0.8)
            .find(|&hz| self.mean(hz - near, hz) > floor + (step / 2.0).max(3.0))?;
        let place = middle / old_half;
        if !(MIDDLE_FROM..=MIDDLE_TO).contains(&place) {
            return None;
        }
        let reach = old_half * 0.035;
        let drop = (0..40)
            .map(|n| old_half * (0.88 + 0.004 * f64::from(n)))
            .map(|hz| {
                self.mean(hz - 2.0 * reach, hz - reach) - self.mean(hz + reach, hz + 2.0 * reach)
            })
            .fold(f64::NEG_INFINITY, f64::max);
        if drop < DROP_DB {
            return None;
        }
        let sure = ((drop - DROP_DB) / 12.0).clamp(0.0, 1.0);
        let centred = 1.0 - (place - 1.0).abs();
        Some(Upsampled {
            original_rate_hz: old,
            step_db: step,
            confidence: (0.45 + 0.5 * sure) * centred,
        })
    }
}

/// Own choice: rounding with any usual dither lies within this over its least.
const FLOOR_MARGIN_DB: f64 = 12.0;
/// Own choice: how flat a floor is, eighth against eighth.
const FLAT_DB: f64 = 3.0;
/// The largest of n looks at noise lies 10 log10(ln n + 0.58) over the mean power, and the mean
/// of the logarithm 2.5 dB under it: 12 dB at 800 looks. Own choice: 4 more.
const PEAK_OVER_FLOOR_DB: f64 = 16.0;
/// Own choice: where resamplers fall, half way down in dB, as shares of the old half rate.
const MIDDLE_FROM: f64 = 0.94;
const MIDDLE_TO: f64 = 1.03;
/// Own choice: the least fall within 0.07 to 0.14 of the old half rate; music's own roll-off is
/// 2 to 4 dB there.
const DROP_DB: f64 = 7.0;
