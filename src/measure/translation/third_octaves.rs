//! Third-octave band levels from power spectra.
//!
//! Base-10 bands: centre 1000 * 10^(n/10) Hz, edges a twentieth of a decade either side (IEC
//! 61260-1, clause 5; from memory). A band takes every bin by the share that lies in it (Welch,
//! "The use of fast Fourier transform for the estimation of power spectra", 1967, with a Hann
//! window).

use std::sync::Arc;

use realfft::num_complex::Complex;
use realfft::{RealFftPlanner, RealToComplex};

use crate::vector::{Work, fast};

/// 20 Hz to 20 kHz.
pub(super) const BANDS: usize = 31;
/// Nominal centre frequencies, for people.
pub(super) const NOMINAL: [f64; BANDS] = [
    20.0, 25.0, 31.5, 40.0, 50.0, 63.0, 80.0, 100.0, 125.0, 160.0, 200.0, 250.0, 315.0, 400.0,
    500.0, 630.0, 800.0, 1000.0, 1250.0, 1600.0, 2000.0, 2500.0, 3150.0, 4000.0, 5000.0, 6300.0,
    8000.0, 10_000.0, 12_500.0, 16_000.0, 20_000.0,
];
/// Mean of the squared Hann window.
const HANN_POWER: f64 = 0.375;

/// Edges of band `index` in hertz.
pub(super) fn edges(index: usize) -> [f64; 2] {
    let exponent = (index as f64 - 17.0) / 10.0;
    [-0.05, 0.05].map(|half| 1000.0 * 10f64.powf(exponent + half))
}

/// Spectra of two or three signals that belong together, and sums of their powers.
pub(super) struct Welch {
    fft: Arc<dyn RealToComplex<f32>>,
    window: Vec<f32>,
    scratch: Vec<Complex<f32>>,
    input: Vec<f32>,
    lines: Vec<Vec<Complex<f32>>>,
    pub rate: f64,
    /// `[view][bin]`: stereo, mono (once), with LFE.
    sums: Vec<Vec<f64>>,
    /// The block's own power in stereo.
    pub stereo: Vec<f32>,
    blocks: u64,
    lfe_gain: f32,
}

/// Which sum.
pub(super) const STEREO: usize = 0;
pub(super) const MONO: usize = 1;
pub(super) const WITH_LFE: usize = 2;

impl Welch {
    /// `signals`: left, right, and the low-frequency channel if there is one.
    pub(super) fn new(frames: usize, rate: f64, signals: usize, lfe_gain: f64) -> Self {
        let fft = RealFftPlanner::<f32>::new().plan_fft_forward(frames);
        let turn = 2.0 * std::f64::consts::PI / frames as f64;
        let bins = frames / 2 + 1;
        Self {
            scratch: fft.make_scratch_vec(),
            input: vec![0.0; frames],
            lines: vec![vec![Complex::default(); bins]; signals],
            window: (0..frames)
                .map(|n| (0.5 - 0.5 * (turn * n as f64).cos()) as f32)
                .collect(),
            fft,
            rate,
            sums: vec![vec![0.0; bins]; signals],
            stereo: vec![0.0; bins],
            blocks: 0,
            lfe_gain: lfe_gain as f32,
        }
    }

    pub(super) fn frames(&self) -> usize {
        self.window.len()
    }

    /// A block of silence: it counts in the mean.
    pub(super) fn silence(&mut self) {
        self.blocks += 1;
        self.stereo.fill(0.0);
    }

    /// Takes a block of every signal.
    pub(super) fn block<T: Copy + Into<f64>>(&mut self, signals: &[&[T]]) {
        self.blocks += 1;
        for (signal, lines) in signals.iter().zip(&mut self.lines) {
            fast(Windowed {
                signal,
                window: &self.window,
                input: &mut self.input,
            });
            self.fft
                .process_with_scratch(&mut self.input, lines, &mut self.scratch)
                .expect("the buffers are as long as the plan says");
        }
        let (stereo, rest) = self.sums.split_at_mut(1);
        let (mono, with_lfe) = rest.split_at_mut(1);
        fast(Both {
            left: &self.lines[0],
            right: &self.lines[1],
            block: &mut self.stereo,
            stereo: &mut stereo[0],
            mono: &mut mono[0],
        });
        if let (Some(sum), Some(lfe)) = (with_lfe.first_mut(), self.lines.get(2)) {
            let lines = self.lines[0].iter().zip(&self.lines[1]).zip(lfe);
            for (sum, ((l, r), lfe)) in sum.iter_mut().zip(lines) {
                let lfe = lfe * self.lfe_gain;
                *sum += f64::from((l + lfe).norm_sqr() + (r + lfe).norm_sqr());
            }
        }
    }

    /// Mean square from `hertz[0]` to `hertz[1]` of a view, each bin weighted.
    pub(super) fn mean_square(
        &self,
        view: usize,
        hertz: [f64; 2],
        weight: impl Fn(f64) -> f64,
    ) -> f64 {
        let Some(sums) = self.sums.get(view) else {
            return 0.0;
        };
        let total = shares(hertz, self.rate, self.frames())
            .map(|(bin, share, centre)| sums[bin] * share * weight(centre))
            .sum::<f64>();
        let frames = self.frames() as f64;
        total * 2.0 / (frames * frames * HANN_POWER * self.blocks.max(1) as f64)
    }

    /// The same of the last block alone, in stereo, in the spectrum's own unit.
    pub(super) fn last(&self, hertz: [f64; 2], weight: impl Fn(f64) -> f64) -> f64 {
        shares(hertz, self.rate, self.frames())
            .map(|(bin, share, centre)| f64::from(self.stereo[bin]) * share * weight(centre))
            .sum()
    }
}

/// The bins of a band: index, share of the bin inside, centre frequency.
fn shares(
    [low, high]: [f64; 2],
    rate: f64,
    frames: usize,
) -> impl Iterator<Item = (usize, f64, f64)> {
    let width = rate / frames as f64;
    let last = frames / 2;
    let first = (low / width - 0.5).ceil().max(1.0) as usize;
    let end = ((high / width + 0.5).floor() as usize).min(last);
    (first..=end).map(move |bin| {
        let centre = bin as f64 * width;
        let inside = (centre + width / 2.0).min(high) - (centre - width / 2.0).max(low);
        (bin, (inside / width).clamp(0.0, 1.0), centre)
    })
}

struct Windowed<'a, T> {
    signal: &'a [T],
    window: &'a [f32],
    input: &'a mut [f32],
}

impl<T: Copy + Into<f64>> Work for Windowed<'_, T> {
    type Output = ();

    #[inline(always)]
    fn work(self) {
        for ((input, &sample), window) in self.input.iter_mut().zip(self.signal).zip(self.window) {
            let sample: f64 = sample.into();
            *input = sample as f32 * window;
        }
    }
}

struct Both<'a> {
    left: &'a [Complex<f32>],
    right: &'a [Complex<f32>],
    block: &'a mut [f32],
    stereo: &'a mut [f64],
    mono: &'a mut [f64],
}

impl Work for Both<'_> {
    type Output = ();

    #[inline(always)]
    fn work(self) {
        let bins = self.block.len();
        let (left, right) = (&self.left[..bins], &self.right[..bins]);
        let (stereo, mono) = (&mut self.stereo[..bins], &mut self.mono[..bins]);
        for bin in 0..bins {
            let (l, r) = (left[bin], right[bin]);
            let both = (l.re * l.re + l.im * l.im) + (r.re * r.re + r.im * r.im);
            let (re, im) = (0.5 * (l.re + r.re), 0.5 * (l.im + r.im));
            self.block[bin] = both;
            stereo[bin] += f64::from(both);
            // Twice: the same in both loudspeakers.
            mono[bin] += f64::from(2.0 * (re * re + im * im));
        }
    }
}
