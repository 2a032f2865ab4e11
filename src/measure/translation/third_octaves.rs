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

/// Powers are summed in 32-bit floats over so many blocks, then in 64: the error of that is far
/// under a thousandth of a decibel.
const SUMMED: u64 = 16;

/// Spectra of middle and side and of the low-frequency channel, and sums of their powers.
pub(super) struct Welch {
    fft: Arc<dyn RealToComplex<f32>>,
    window: Vec<f32>,
    scratch: Vec<Complex<f32>>,
    input: Vec<f32>,
    lines: Vec<Vec<Complex<f32>>>,
    pub rate: f64,
    powers: Vec<Powers>,
    blocks: u64,
    lfe_gain: f32,
}

/// Which sum of powers: of the middle, of the side, of the middle with the low-frequency channel.
const MIDDLE: usize = 0;
const SIDE: usize = 1;
const MIDDLE_WITH_LFE: usize = 2;

/// The views that have spectra, and the powers that each is the sum of: both loudspeakers
/// together have twice the power of middle and side.
#[derive(Clone, Copy)]
pub(super) enum Spectrum {
    Stereo,
    Mono,
    WithLfe,
}

impl Spectrum {
    fn parts(self) -> &'static [usize] {
        match self {
            Self::Stereo => &[MIDDLE, SIDE],
            Self::Mono => &[MIDDLE],
            Self::WithLfe => &[MIDDLE_WITH_LFE, SIDE],
        }
    }
}

/// Squares of the real and the imaginary part of each bin, side by side.
struct Powers {
    few: Vec<f32>,
    all: Vec<f64>,
}

impl Powers {
    fn flush(&mut self) {
        for (all, few) in self.all.iter_mut().zip(&mut self.few) {
            *all += f64::from(std::mem::take(few));
        }
    }
}

impl Welch {
    /// `signals`: middle, side, and the low-frequency channel if there is one.
    pub(super) fn new(frames: usize, rate: f64, signals: usize, lfe_gain: f64) -> Self {
        let fft = RealFftPlanner::<f32>::new().plan_fft_forward(frames);
        let turn = 2.0 * std::f64::consts::PI / frames as f64;
        let bins = frames / 2 + 1;
        let powers = (0..signals).map(|_| Powers {
            few: vec![0.0; 2 * bins],
            all: vec![0.0; 2 * bins],
        });
        Self {
            scratch: fft.make_scratch_vec(),
            input: vec![0.0; frames],
            lines: vec![vec![Complex::default(); bins]; signals],
            window: (0..frames)
                .map(|n| (0.5 - 0.5 * (turn * n as f64).cos()) as f32)
                .collect(),
            fft,
            rate,
            powers: powers.collect(),
            blocks: 0,
            lfe_gain: lfe_gain as f32,
        }
    }

    pub(super) fn frames(&self) -> usize {
        self.window.len()
    }

    /// A block of silence: it counts in the mean.
    pub(super) fn silence(&mut self) {
        self.count();
    }

    fn count(&mut self) {
        self.blocks += 1;
        if self.blocks.is_multiple_of(SUMMED) {
            self.powers.iter_mut().for_each(Powers::flush);
        }
    }

    /// Takes a block of every signal.
    pub(super) fn block(&mut self, signals: &[&[f32]]) {
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
        for (powers, lines) in self.powers.iter_mut().zip(&self.lines).take(2) {
            fast(Add {
                lines,
                sums: &mut powers.few,
            });
        }
        if let ([_, _, powers], [mid, _, lfe]) = (&mut self.powers[..], &mut self.lines[..]) {
            for (lfe, mid) in lfe.iter_mut().zip(mid) {
                *lfe = *mid + *lfe * self.lfe_gain;
            }
            fast(Add {
                lines: lfe,
                sums: &mut powers.few,
            });
        }
        self.count();
    }

    /// To be called before sums are read.
    pub(super) fn finish(&mut self) {
        self.powers.iter_mut().for_each(Powers::flush);
    }

    /// Mean square from `hertz[0]` to `hertz[1]` of a view, each bin weighted.
    pub(super) fn mean_square(
        &self,
        view: Spectrum,
        hertz: [f64; 2],
        weight: impl Fn(f64) -> f64,
    ) -> f64 {
        let parts = view
            .parts()
            .iter()
            .filter_map(|&part| self.powers.get(part));
        let power = |bin: usize| -> f64 {
            let both = |part: &Powers| part.all[2 * bin] + part.all[2 * bin + 1];
            parts.clone().map(both).sum()
        };
        let total = shares(hertz, self.rate, self.frames())
            .map(|(bin, share, centre)| power(bin) * share * weight(centre))
            .sum::<f64>();
        let frames = self.frames() as f64;
        // Once for both loudspeakers, once for both halves of the spectrum.
        total * 4.0 / (frames * frames * HANN_POWER * self.blocks.max(1) as f64)
    }

    /// The power of the last block alone, in stereo, in the spectrum's own unit.
    pub(super) fn last(&self, hertz: [f64; 2], weight: impl Fn(f64) -> f64) -> f64 {
        let power =
            |bin: usize| self.lines[MIDDLE][bin].norm_sqr() + self.lines[SIDE][bin].norm_sqr();
        shares(hertz, self.rate, self.frames())
            .map(|(bin, share, centre)| f64::from(power(bin)) * share * weight(centre))
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

struct Windowed<'a> {
    signal: &'a [f32],
    window: &'a [f32],
    input: &'a mut [f32],
}

impl Work for Windowed<'_> {
    type Output = ();

    #[inline(always)]
    fn work(self) {
        for ((input, sample), window) in self.input.iter_mut().zip(self.signal).zip(self.window) {
            *input = sample * window;
        }
    }
}

/// Adds the squares of both parts of every line, side by side: nothing changes its place.
struct Add<'a> {
    lines: &'a [Complex<f32>],
    sums: &'a mut [f32],
}

impl Work for Add<'_> {
    type Output = ();

    #[inline(always)]
    fn work(self) {
        const FOUR: usize = 4;
        let (rows, rest) = self.lines.as_chunks::<FOUR>();
        let (sums, sums_rest) = self.sums.split_at_mut(2 * FOUR * rows.len());
        let (sums, _) = sums.as_chunks_mut::<{ 2 * FOUR }>();
        for (sums, [a, b, c, d]) in sums.iter_mut().zip(rows) {
            let parts = [a.re, a.im, b.re, b.im, c.re, c.im, d.re, d.im];
            for (sum, part) in sums.iter_mut().zip(parts) {
                *sum += part * part;
            }
        }
        for (sum, line) in sums_rest.chunks_exact_mut(2).zip(rest) {
            sum[0] += line.re * line.re;
            sum[1] += line.im * line.im;
        }
    }
}
