//! One spectrum per channel and block, shared by everything that looks at frequencies.
//!
//! In: a block of samples per channel. Out: windowed spectra and powers in 32-bit floats. Blocks
//! follow each other without overlap: averages over a file are wanted, no single block's picture.

use std::ops::Range;
use std::sync::Arc;

use realfft::num_complex::Complex;
use realfft::{RealFftPlanner, RealToComplex};

use crate::measure::k_weighting::{Biquad, stages};
use crate::units::Hertz;
use crate::vector::{Work, fast};

/// Mean of the squared Hann window.
const HANN_POWER: f64 = 0.375;

/// Frames of a block: the power of two from 0.17 s up (own choice: 6 Hz to a bin).
pub(super) fn block_frames(rate: Hertz) -> usize {
    (rate.value() as usize * 17 / 100)
        .next_power_of_two()
        .max(1024)
}

pub(super) struct Spectra {
    fft: Arc<dyn RealToComplex<f32>>,
    window: Vec<f32>,
    scratch: Vec<Complex<f32>>,
    input: Vec<f32>,
    hertz_per_bin: f64,
    /// `[channel][bin]`; valid where `sounding`.
    pub lines: Vec<Vec<Complex<f32>>>,
    pub power: Vec<Vec<f32>>,
    pub sounding: Vec<bool>,
    /// Squared gain of the K-weighting per bin (ITU-R BS.1770-5, Annex 1).
    pub k_gain: Vec<f32>,
}

impl Spectra {
    pub(super) fn new(rate: Hertz, channels: usize) -> Self {
        let frames = block_frames(rate);
        let fft = RealFftPlanner::<f32>::new().plan_fft_forward(frames);
        let hertz_per_bin = f64::from(rate.value()) / frames as f64;
        let turn = 2.0 * std::f64::consts::PI / frames as f64;
        let window = (0..frames)
            .map(|n| (0.5 - 0.5 * (turn * n as f64).cos()) as f32)
            .collect();
        let bins = frames / 2 + 1;
        let stages = stages(f64::from(rate.value()));
        Self {
            scratch: fft.make_scratch_vec(),
            input: vec![0.0; frames],
            window,
            fft,
            hertz_per_bin,
            lines: vec![vec![Complex::default(); bins]; channels],
            power: vec![vec![0.0; bins]; channels],
            sounding: vec![false; channels],
            k_gain: (0..bins)
                .map(|bin| gain(&stages, turn * bin as f64) as f32)
                .collect(),
        }
    }

    pub(super) fn frames(&self) -> usize {
        self.window.len()
    }

    /// The bins whose centres lie in the band.
    pub(super) fn bins(&self, hertz: Range<f64>) -> Range<usize> {
        let bin = |hertz: f64| {
            ((hertz / self.hertz_per_bin).ceil() as usize).min(self.window.len() / 2 + 1)
        };
        bin(hertz.start)..bin(hertz.end).max(bin(hertz.start))
    }

    /// What a sum of one-sided powers is multiplied with to be a mean square.
    pub(super) fn to_mean_square(&self) -> f64 {
        let frames = self.window.len() as f64;
        2.0 / (frames * frames * HANN_POWER)
    }

    /// Power of a bin of white noise with that mean square.
    pub(super) fn noise_power(&self, mean_square: f64) -> f32 {
        (self.window.len() as f64 * HANN_POWER * mean_square) as f32
    }

    /// Takes one channel's block; `silent` where it is not to be looked at.
    pub(super) fn take(&mut self, channel: usize, samples: &[f64], silent: bool) {
        self.sounding[channel] = !silent;
        if silent {
            return;
        }
        fast(Windowed {
            samples,
            window: &self.window,
            out: &mut self.input,
        });
        let lines = &mut self.lines[channel];
        self.fft
            .process_with_scratch(&mut self.input, lines, &mut self.scratch)
            .expect("the buffers are as long as the plan says");
        fast(Power {
            lines,
            out: &mut self.power[channel],
        });
    }
}

/// Squared gain of a chain of biquads at `angle` radians a sample.
fn gain(stages: &[Biquad], angle: f64) -> f64 {
    let z = Complex::from_polar(1.0, -angle);
    stages
        .iter()
        .map(|s| {
            let above = z * (z * s.b[2] + s.b[1]) + s.b[0];
            let below = z * (z * s.a[1] + s.a[0]) + 1.0;
            above.norm_sqr() / below.norm_sqr()
        })
        .product()
}

struct Windowed<'a> {
    samples: &'a [f64],
    window: &'a [f32],
    out: &'a mut [f32],
}

impl Work for Windowed<'_> {
    type Output = ();

    #[inline(always)]
    fn work(self) {
        let taken = self.samples.len();
        for ((out, sample), window) in self.out.iter_mut().zip(self.samples).zip(self.window) {
            *out = *sample as f32 * window;
        }
        self.out[taken..].fill(0.0);
    }
}

struct Power<'a> {
    lines: &'a [Complex<f32>],
    out: &'a mut [f32],
}

impl Work for Power<'_> {
    type Output = ();

    #[inline(always)]
    fn work(self) {
        for (out, line) in self.out.iter_mut().zip(self.lines) {
            *out = line.re * line.re + line.im * line.im;
        }
    }
}

/// Sum of powers in eight running sums.
pub(super) struct Total<'a>(pub &'a [f32]);

impl Work for Total<'_> {
    type Output = f64;

    #[inline(always)]
    fn work(self) -> f64 {
        let mut lanes = [0.0f32; 8];
        let mut rows = self.0.chunks_exact(8);
        for row in &mut rows {
            for (lane, value) in lanes.iter_mut().zip(row) {
                *lane += value;
            }
        }
        let rest: f32 = rows.remainder().iter().sum();
        lanes.iter().map(|&lane| f64::from(lane)).sum::<f64>() + f64::from(rest)
    }
}

/// Sum of powers, each with its own weight.
pub(super) struct Weighted<'a>(pub &'a [f32], pub &'a [f32]);

impl Work for Weighted<'_> {
    type Output = f64;

    #[inline(always)]
    fn work(self) -> f64 {
        let mut lanes = [0.0f32; 8];
        for (row, weights) in self.0.chunks_exact(8).zip(self.1.chunks_exact(8)) {
            for ((lane, value), weight) in lanes.iter_mut().zip(row).zip(weights) {
                *lane += value * weight;
            }
        }
        lanes.iter().map(|&lane| f64::from(lane)).sum()
    }
}
