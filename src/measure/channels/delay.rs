//! Constant delay inside a pair, by the whitened cross-correlation (phase transform: Knapp and
//! Carter, "The generalized correlation method for estimation of time delay", 1976).
//!
//! In: spectra of a pair, block by block. Out: for every 3 s in which both sound the lag of the
//! strongest peak, and the mean of all these correlations.
//!
//! What a mix puts in the middle reaches both channels at the same sample: a sharp peak at lag 0,
//! whatever else goes on at the sides. A delay of one whole channel moves that peak, and leaves
//! none at 0; a widener or a pair of distant microphones does not.

use std::sync::Arc;

use realfft::num_complex::Complex;
use realfft::{ComplexToReal, RealFftPlanner};

use super::correlation::per_window;
use super::spectra::Spectra;
use crate::vector::{Work, fast};

/// Longest lag at 48 kHz that is looked for, in samples.
const LONGEST: usize = 512;
/// What is whitened: under it rumble, over it what codecs and converters leave out. Own choice.
const BAND: std::ops::Range<f64> = 60.0..16_000.0;
/// Lines weaker than white noise of -94 dBFS do not count: the dither of 16 bits. Own choice.
const NOISE: f64 = 4e-10;
/// A stretch with fewer lines than this share of the band says nothing. Own choice.
const LEAST_LINES: f64 = 0.02;

/// The inverse transform, shared by all pairs.
pub(super) struct Back {
    fft: Arc<dyn ComplexToReal<f32>>,
    scratch: Vec<Complex<f32>>,
    input: Vec<Complex<f32>>,
    output: Vec<f32>,
    band: std::ops::Range<usize>,
    floor: f32,
    pub longest: usize,
    per_stretch: usize,
    /// Upper end of the band over half the sample rate.
    share_of_band: f64,
}

impl Back {
    pub(super) fn new(rate: f64, spectra: &Spectra) -> Self {
        let frames = spectra.frames();
        let fft = RealFftPlanner::<f32>::new().plan_fft_inverse(frames);
        Self {
            scratch: fft.make_scratch_vec(),
            input: vec![Complex::default(); frames / 2 + 1],
            output: vec![0.0; frames],
            fft,
            band: spectra.bins(BAND.start..BAND.end.min(0.45 * rate)),
            floor: spectra.noise_power(NOISE),
            longest: (LONGEST * frames / 8192).clamp(16, frames / 4),
            per_stretch: per_window(rate, frames),
            share_of_band: BAND.end.min(0.45 * rate) / (0.5 * rate),
        }
    }
}

/// The delay meter of one pair.
pub(super) struct DelayMeter {
    /// Sum of whitened cross-spectra of the stretch, over the band.
    stretch: Vec<Complex<f32>>,
    lines: u64,
    blocks: usize,
    /// Mean correlation by lag, from -longest to longest, summed over stretches.
    sum: Vec<f64>,
    /// Stretches by the lag of their peak.
    votes: Vec<u32>,
    pub stretches: u64,
}

/// What the whole file says.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Lag {
    /// Positive where the right channel is late.
    pub samples: i64,
    pub peak: f64,
    pub at_zero: f64,
    /// Share of stretches with their peak there, give or take one sample.
    pub share: f64,
    /// What stands at no lag beside a peak of this band at this lag, as a share of it.
    pub flank: f64,
    /// How far the peak's top lies beside the whole sample, 0 to 0.5.
    pub fraction: f64,
    /// The largest magnitude more than 8 samples away.
    pub strongest_other: f64,
}

impl DelayMeter {
    pub(super) fn new(back: &Back) -> Self {
        let lags = 2 * back.longest + 1;
        Self {
            stretch: vec![Complex::default(); back.band.len()],
            lines: 0,
            blocks: 0,
            sum: vec![0.0; lags],
            votes: vec![0; lags],
            stretches: 0,
        }
    }

    /// Takes a block in which both channels sound.
    pub(super) fn block(
        &mut self,
        left: &[Complex<f32>],
        right: &[Complex<f32>],
        powers: [&[f32]; 2],
        back: &mut Back,
    ) {
        let band = back.band.clone();
        self.lines += fast(Whiten {
            left: &left[band.clone()],
            right: &right[band.clone()],
            left_power: &powers[0][band.clone()],
            right_power: &powers[1][band],
            floor: back.floor,
            sum: &mut self.stretch,
        });
        self.blocks += 1;
        if self.blocks == back.per_stretch {
            self.close(back);
        }
    }

    /// Reads the stretch and starts the next one.
    fn close(&mut self, back: &mut Back) {
        let blocks = std::mem::take(&mut self.blocks);
        let lines = std::mem::take(&mut self.lines);
        let enough = LEAST_LINES * (blocks * self.stretch.len()) as f64;
        if blocks > 0 && lines as f64 >= enough {
            back.input.fill(Complex::default());
            back.input[back.band.clone()].copy_from_slice(&self.stretch);
            let (input, output) = (&mut back.input, &mut back.output);
            back.fft
                .process_with_scratch(input, output, &mut back.scratch)
                .expect("the buffers are as long as the plan says");
            let scale = 0.5 / lines as f64;
            let frames = back.output.len();
            let mut best = (0, 0.0f32);
            for (index, sum) in self.sum.iter_mut().enumerate() {
                let value = back.output[(index + frames - back.longest) % frames];
                *sum += f64::from(value) * scale;
                if value.abs() > best.1 {
                    best = (index, value.abs());
                }
            }
            self.votes[best.0] += 1;
            self.stretches += 1;
        }
        self.stretch.fill(Complex::default());
    }

    pub(super) fn finish(&mut self, back: &mut Back) -> Option<Lag> {
        // A last stretch of less than half the length says little, unless it is the only one.
        if self.blocks * 2 >= back.per_stretch || self.stretches == 0 {
            self.close(back);
        }
        if self.stretches == 0 {
            return None;
        }
        let count = self.stretches as f64;
        let middle = self.sum.len() / 2;
        let strongest = |range: &mut dyn Iterator<Item = usize>| {
            range.fold((middle, 0.0f64), |best, index| {
                let value = self.sum[index].abs();
                if value > best.1 { (index, value) } else { best }
            })
        };
        let (at, _) = strongest(&mut (0..self.sum.len()));
        let near = (at.max(8) - 8)..=(at + 8);
        let (_, other) = strongest(&mut (0..self.sum.len()).filter(|index| !near.contains(index)));
        let votes: u32 = self.votes[at.max(1) - 1..(at + 2).min(self.votes.len())]
            .iter()
            .sum();
        let samples = at as i64 - middle as i64;
        let x = std::f64::consts::PI * back.share_of_band * samples as f64;
        // A parabola through the peak and its neighbours.
        let beside = |index: Option<usize>| {
            let value = index.and_then(|index| self.sum.get(index)).copied();
            value.unwrap_or(0.0) * self.sum[at].signum()
        };
        let (before, after) = (beside(at.checked_sub(1)), beside(Some(at + 1)));
        let bend = 2.0 * self.sum[at].abs() - before - after;
        Some(Lag {
            flank: if samples == 0 { 1.0 } else { x.sin() / x },
            fraction: if bend > 0.0 {
                0.5 * (after - before).abs() / bend
            } else {
                0.5
            },
            samples,
            peak: self.sum[at] / count,
            at_zero: self.sum[middle] / count,
            share: f64::from(votes) / count,
            strongest_other: other / count,
        })
    }
}

/// Adds the cross-spectrum, each line at length 1; counts the lines that were strong enough.
struct Whiten<'a> {
    left: &'a [Complex<f32>],
    right: &'a [Complex<f32>],
    left_power: &'a [f32],
    right_power: &'a [f32],
    floor: f32,
    sum: &'a mut [Complex<f32>],
}

impl Work for Whiten<'_> {
    type Output = u64;

    #[inline(always)]
    fn work(self) -> u64 {
        let mut counted = 0u32;
        let bins = self.sum.len();
        let (left, right) = (&self.left[..bins], &self.right[..bins]);
        let (left_power, right_power) = (&self.left_power[..bins], &self.right_power[..bins]);
        for bin in 0..bins {
            let (l, r) = (left[bin], right[bin]);
            let strong = left_power[bin].min(right_power[bin]) > self.floor;
            let length = (left_power[bin] * right_power[bin]).sqrt();
            let scale = if strong { 1.0 / length } else { 0.0 };
            counted += u32::from(strong);
            // The complex conjugate of the left one: a late right channel has a positive lag.
            self.sum[bin].re += (l.re * r.re + l.im * r.im) * scale;
            self.sum[bin].im += (l.re * r.im - l.im * r.re) * scale;
        }
        u64::from(counted)
    }
}
