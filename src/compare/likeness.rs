//! Whether two stretches of equal length are the same music, lying right over each other.
//!
//! A whitened correlation can stand out because of one click in each of two different pieces:
//! the click fills most of the spectrum. Here each octave has one voice: its correlation
//! coefficient, which equalisation and gain leave near 1. In: two stretches. Out: [`Alike`], the
//! mean of the octaves. Knows nothing of lags.

use std::ops::Range;
use std::sync::Arc;

use realfft::num_complex::Complex;
use realfft::{RealFftPlanner, RealToComplex};

use super::buffer::Buffer;
use super::correlate::{multiply, raised_cosine};

/// Lower ends of the octaves, in Hz.
pub(super) const OCTAVES: [f64; 8] = [
    62.5, 125.0, 250.0, 500.0, 1_000.0, 2_000.0, 4_000.0, 8_000.0,
];
/// An octave that is farther below the loudest has no voice: 50 dB. Own choice.
const QUIET: f64 = 1e-5;

/// An octave that is less than 30 dB below the loudest has a say in the polarity. Own choice.
const LOUD: f64 = 1e-3;

/// How much two stretches have in common.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Alike {
    /// Mean of the octaves' correlation coefficients: 1 for the same, -1 for the same with
    /// inverted polarity, 0 for nothing in common.
    pub(super) mean: f64,
    /// Mean of the coefficients' magnitudes, whatever the phase in each octave: an all-pass
    /// filter leaves it near 1.
    pub(super) any_phase: f64,
    /// Every loud octave is inverted. A phase that turns with frequency inverts some of them.
    pub(super) inverted: bool,
}

pub(super) struct Likeness {
    /// Frames of a stretch.
    pub(super) length: usize,
    forward: Arc<dyn RealToComplex<f32>>,
    taper: Vec<f32>,
    octaves: Vec<Range<usize>>,
    time: Vec<f32>,
    first: Vec<Complex<f32>>,
    second: Vec<Complex<f32>>,
    scratch: Vec<Complex<f32>>,
}

impl Likeness {
    /// For stretches of the largest power of two within `length` frames.
    pub(super) fn new(sample_rate: u32, length: usize) -> Self {
        let length = (length + 1).next_power_of_two() / 2;
        let forward = RealFftPlanner::new().plan_fft_forward(length);
        let bin = f64::from(sample_rate) / length as f64;
        let place = |hertz: f64| ((hertz / bin).ceil() as usize).clamp(1, length / 2);
        Self {
            length,
            taper: raised_cosine(length, length / 2),
            octaves: OCTAVES
                .iter()
                .map(|&low| place(low)..place(2.0 * low))
                .filter(|octave| !octave.is_empty())
                .collect(),
            time: forward.make_input_vec(),
            first: forward.make_output_vec(),
            second: forward.make_output_vec(),
            scratch: forward.make_scratch_vec(),
            forward,
        }
    }

    /// The stretch that others are held against.
    pub(super) fn first(&mut self, buffer: &Buffer, track: usize, from: i64) {
        Self::transform(
            (&*self.forward, &self.taper),
            (buffer, track, from),
            (&mut self.time, &mut self.first, &mut self.scratch),
        );
    }

    /// Another stretch against the first.
    pub(super) fn with(&mut self, buffer: &Buffer, track: usize, from: i64) -> Alike {
        Self::transform(
            (&*self.forward, &self.taper),
            (buffer, track, from),
            (&mut self.time, &mut self.second, &mut self.scratch),
        );
        alike(&self.first, &self.second, &self.octaves)
    }

    fn transform(
        (forward, taper): (&dyn RealToComplex<f32>, &[f32]),
        (buffer, track, from): (&Buffer, usize, i64),
        (time, spectrum, scratch): (&mut [f32], &mut [Complex<f32>], &mut [Complex<f32>]),
    ) {
        buffer.copy(track, from, time);
        multiply(time, taper);
        if forward
            .process_with_scratch(time, spectrum, scratch)
            .is_err()
        {
            spectrum.fill(Complex::default());
        }
    }
}

/// The mean of the octaves' correlation coefficients.
pub(super) fn likeness(
    first: &[Complex<f32>],
    second: &[Complex<f32>],
    octaves: &[Range<usize>],
) -> f64 {
    alike(first, second, octaves).mean
}

fn alike(first: &[Complex<f32>], second: &[Complex<f32>], octaves: &[Range<usize>]) -> Alike {
    // Coefficient, its magnitude, power of the first.
    let mut voices = [(0.0, 0.0, 0.0); OCTAVES.len()];
    for (voice, octave) in voices.iter_mut().zip(octaves) {
        let (mut real, mut imaginary) = (0.0_f64, 0.0_f64);
        let (mut one, mut other) = (0.0_f64, 0.0_f64);
        let pairs = first[octave.clone()].iter();
        for (first, second) in pairs.zip(&second[octave.clone()]) {
            real += f64::from(first.re * second.re + first.im * second.im);
            imaginary += f64::from(first.im * second.re - first.re * second.im);
            one += f64::from(first.norm_sqr());
            other += f64::from(second.norm_sqr());
        }
        let both = (one * other).sqrt();
        if both > 0.0 {
            *voice = (real / both, real.hypot(imaginary) / both, one);
        }
    }
    let loudest = voices.iter().map(|voice| voice.2).fold(0.0, f64::max);
    let heard = || voices.iter().filter(|voice| voice.2 > QUIET * loudest);
    let count = heard().count();
    if count == 0 {
        return Alike::default();
    }
    let mut loud = voices.iter().filter(|voice| voice.2 > LOUD * loudest);
    Alike {
        mean: heard().map(|voice| voice.0).sum::<f64>() / count as f64,
        any_phase: heard().map(|voice| voice.1).sum::<f64>() / count as f64,
        inverted: loud.all(|voice| voice.0 < 0.0),
    }
}
