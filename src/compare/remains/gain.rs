//! What a compressor does to one window: a gain that is free from window to window and smooth
//! over frequency.
//!
//! In: a window of the master and the equalised mix. Out: the gain at the knots, by least squares
//! with every frequency's level evened out, so that a strong part does not speak for the others.

use realfft::num_complex::Complex32;

use super::layout::{KNOTS, Layout};

/// Weight of the difference of neighbouring knots, in bins: compression moves bands together.
const TOGETHER: f64 = 0.5;
/// Weight of unity gain, in bins: decides only where nothing sounds.
const UNITY: f64 = 1e-3;
/// Of a window's mean power per bin, under which bins hardly count: 40 dB.
const FLOOR: f32 = 1e-4;
/// Power of a bin of digital silence.
const SILENCE: f32 = 1e-10;

/// Gains at the knots.
pub(super) type Gains = [f32; KNOTS];

/// Buffers of one fit.
#[derive(Debug, Default)]
pub(super) struct Fit {
    power: Vec<f32>,
    /// Running sums; in f64, since the highs lie far under the lows.
    sums: Vec<f64>,
}

impl Fit {
    pub(super) fn gains(
        &mut self,
        layout: &Layout,
        mix: &[Complex32],
        master: &[Complex32],
    ) -> Gains {
        self.power.clear();
        self.power.extend(mix.iter().map(Complex32::norm_sqr));
        self.sums.clear();
        self.sums.push(0.0);
        let mut sum = 0.0_f64;
        for &power in &self.power {
            sum += f64::from(power);
            self.sums.push(sum);
        }
        let floor = FLOOR * (sum / layout.bins as f64) as f32 + SILENCE;
        let (mut diagonal, mut beside, mut right) =
            ([0.0_f64; KNOTS], [0.0_f64; KNOTS], [0.0_f64; KNOTS]);
        for (bin, (range, between)) in layout.even.iter().zip(&layout.between).enumerate() {
            let width = (range.end - range.start) as f64;
            // A difference of running sums may fall a little below zero.
            let around = (self.sums[range.end] - self.sums[range.start]).max(0.0) / width;
            let around = around as f32;
            let weight = 1.0 / (around + floor);
            let power = weight * self.power[bin];
            let (x, m) = (mix[bin], master[bin]);
            let product = weight * (m.re * x.re + m.im * x.im);
            let (knot, above) = (between.knot, between.above);
            let below = 1.0 - above;
            diagonal[knot] += f64::from(below * below * power);
            diagonal[knot + 1] += f64::from(above * above * power);
            beside[knot] += f64::from(below * above * power);
            right[knot] += f64::from(below * product);
            right[knot + 1] += f64::from(above * product);
        }
        for knot in 0..KNOTS {
            diagonal[knot] += UNITY;
            right[knot] += UNITY;
            if knot + 1 < KNOTS {
                diagonal[knot] += TOGETHER;
                diagonal[knot + 1] += TOGETHER;
                beside[knot] -= TOGETHER;
            }
        }
        solve(diagonal, &beside, right)
    }
}

/// A symmetric system with one diagonal beside the main one.
fn solve(mut diagonal: [f64; KNOTS], beside: &[f64; KNOTS], mut right: [f64; KNOTS]) -> Gains {
    for knot in 1..KNOTS {
        let factor = beside[knot - 1] / diagonal[knot - 1];
        diagonal[knot] -= factor * beside[knot - 1];
        right[knot] -= factor * right[knot - 1];
    }
    right[KNOTS - 1] /= diagonal[KNOTS - 1];
    for knot in (0..KNOTS - 1).rev() {
        right[knot] = (right[knot] - beside[knot] * right[knot + 1]) / diagonal[knot];
    }
    right.map(|gain| gain as f32)
}
