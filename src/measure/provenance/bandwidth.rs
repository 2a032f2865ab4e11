//! Where the spectrum ends, and whether it ends where an older sample rate did.
//!
//! In: the long-term spectrum of one channel in dB a line. Out: [`Bandwidth`], [`Upsampled`].
//! Works on the mean of the logarithm over all looks: what shows there is there nearly all the
//! time.

use super::image::Image;
use super::types::{Bandwidth, Upsampled};

/// the house's notes on the trade, H3: a step of more than 20 dB within 500 Hz.
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
            .filter_map(|old| self.resampled_from(old, floor_db))
            .max_by(|a, b| a.confidence.total_cmp(&b.confidence))
    }

    fn resampled_from(&self, old: u32, floor_db: Option<f64>) -> Option<Upsampled> {
        let old_half = f64::from(old) / 2.0;
        let below = self.mean(old_half * 0.80, old_half * 0.88);
        let confidence = self
            .steep_end(old_half, below, floor_db)
            .or_else(|| self.image(old_half, below))
            .or_else(|| self.collapse(old_half, below))?;
        let confidence = if old < LOWEST_TOLD {
            confidence.min(0.45)
        } else {
            confidence
        };
        Some(Upsampled {
            original_rate_hz: old,
            step_db: self.step_at(old),
            kept_bits: None,
            image_likeness: None,
            confidence,
        })
    }

    /// The step at the half of an old rate, dB.
    fn step_at(&self, old: u32) -> f64 {
        let half = f64::from(old) / 2.0;
        self.mean(half * 0.80, half * 0.88)
            - self.mean(half * 1.02, (half * 1.1).min(self.half_rate))
    }

    /// A rate of which the samples still stand among those between.
    pub(super) fn kept(&self, old: u32, bits: f64) -> Upsampled {
        Upsampled {
            original_rate_hz: old,
            step_db: self.step_at(old),
            kept_bits: Some(bits),
            image_likeness: None,
            confidence: KEPT_CONFIDENCE,
        }
    }

    /// A rate whose image stands above its half.
    pub(super) fn imaged(&self, image: Image) -> Upsampled {
        Upsampled {
            original_rate_hz: image.original_rate_hz,
            step_db: self.step_at(image.original_rate_hz),
            kept_bits: None,
            image_likeness: Some(image.likeness),
            confidence: image.confidence,
        }
    }

    /// The mean from one frequency up, where it is flat at all times.
    fn flat_floor(&self, clear: f64, flat_db: f64, peak_db: f64) -> Option<f64> {
        let top = self.half_rate * 0.99;
        let floor = self.mean(clear, top);
        let part = (top - clear) / 8.0;
        let width = part.max(40.0);
        let flat = (0..8).map(|n| clear + f64::from(n) * part).all(|hz| {
            (self.mean(hz, hz + width) - floor).abs() < flat_db
                && self.peak(hz, hz + width) - floor < peak_db
        });
        flat.then_some(floor)
    }

    /// A steep resampler: a fall at the old half rate, then rounding noise alone.
    fn steep_end(&self, old_half: f64, below: f64, floor_db: Option<f64>) -> Option<f64> {
        let clear = (old_half * 1.06).min(self.half_rate * 0.99 - 350.0);
        if clear < old_half * 1.02 {
            return None;
        }
        let floor = self.flat_floor(clear, FLAT_DB, PEAK_OVER_FLOOR_DB)?;
        if floor_db.is_some_and(|lowest| floor > lowest + FLOOR_MARGIN_DB) {
            return None;
        }
        let step = below - floor;
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
        let drop = (0..40)
            .map(|n| old_half * (0.90 + 0.003 * f64::from(n)))
            .map(|hz| {
                let (near, far) = (old_half * 0.02, old_half * 0.03);
                self.mean(hz - far, hz - near) - self.mean(hz + near, hz + far)
            })
            .fold(f64::NEG_INFINITY, f64::max);
        if drop < DROP_DB || drop < (0.6 * step).min(STEEP_DB) {
            return None;
        }
        let sure = ((drop - DROP_DB) / 12.0).clamp(0.0, 1.0);
        Some((0.55 + 0.4 * sure) * (1.0 - (place - 1.0).abs()))
    }

    /// A soft resampler: a notch at the old half rate and the mirrored image of the music over
    /// it, in the mean and at the loudest.
    fn image(&self, old_half: f64, below: f64) -> Option<f64> {
        let width = old_half * 0.02;
        let steps = |from: f64, to: f64| {
            let count = ((to - from) / 0.005).round() as usize;
            (0..=count)
                .map(move |n| old_half * (from + 0.005 * n as f64))
                .filter(|&hz| hz + width <= self.half_rate)
        };
        let lower = |a: f64, b: f64| if b < a { b } else { a };
        let notch_hz = steps(0.95, 1.0).fold(None, |best: Option<f64>, hz| match best {
            Some(held) if self.mean(held, held + width) <= self.mean(hz, hz + width) => best,
            _ => Some(hz),
        })?;
        let notch = self.mean(notch_hz, notch_hz + width);
        let notch_peak = self.peak(notch_hz, notch_hz + width);
        let image = -steps(1.02, 1.12)
            .map(|hz| -self.mean(hz, hz + width))
            .fold(f64::INFINITY, lower);
        let image_peak = -steps(1.02, 1.12)
            .map(|hz| -self.peak(hz, hz + width))
            .fold(f64::INFINITY, lower);
        let below_peak = self.peak(old_half * 0.80, old_half * 0.88);
        let clear = old_half * 1.4;
        let nothing_above =
            clear > self.half_rate || self.mean(clear, self.half_rate * 0.99) < image - IMAGE_DB;
        (below - notch > NOTCH_DB
            && below_peak - notch_peak > NOTCH_DB
            && image - notch > IMAGE_DB
            && image_peak - notch_peak > IMAGE_DB
            && image < below - IMAGE_UNDER_DB
            && nothing_above)
            .then(|| 0.6 + 0.3 * ((image - notch - IMAGE_DB) / 12.0).clamp(0.0, 1.0))
    }

    /// A soft resampler to twice the rate or more: from music to nothing within a third of an
    /// octave around the old half rate.
    fn collapse(&self, old_half: f64, below: f64) -> Option<f64> {
        if self.half_rate < old_half * 1.8 || old_half < 22_000.0 {
            return None;
        }
        let floor = self.flat_floor(old_half * 1.35, 2.0 * FLAT_DB, 1.5 * PEAK_OVER_FLOOR_DB)?;
        let half_way = (below + floor) / 2.0;
        let width = old_half * 0.02;
        let middle = (0..80)
            .map(|n| 1.25 - 0.005 * f64::from(n))
            .find(|&place| self.mean(old_half * place - width, old_half * place) > half_way)?;
        (below - floor > COLLAPSE_DB && (0.95..=1.12).contains(&middle))
            .then(|| 0.65 - (middle - 1.05).abs())
    }
}

/// Own choice: thousands of samples by turns on a coarse grid and off it are no chance.
const KEPT_CONFIDENCE: f64 = 0.95;
/// Own choice: an end under 11 kHz is more often an effect or an instrument than an old rate.
const LOWEST_TOLD: u32 = 22_050;
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
/// Own choice: the least fall within 0.04 to 0.06 of the old half rate; music's own roll-off is
/// 1 to 2 dB there, that of a soft synthesiser's interpolation 10 dB of 30.
const DROP_DB: f64 = 7.0;
/// Own choice: this much within that width is steep, whatever follows.
const STEEP_DB: f64 = 25.0;
/// Own choice, as seen with a widely used soft resampler (notch 30 to 60 dB, image 7 to 40).
const NOTCH_DB: f64 = 18.0;
const IMAGE_DB: f64 = 4.0;
const IMAGE_UNDER_DB: f64 = 8.0;
/// Own choice: 40 dB in a third of an octave is no instrument's and no microphone's.
const COLLAPSE_DB: f64 = 40.0;
