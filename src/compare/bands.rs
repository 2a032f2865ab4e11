//! The level of 100 ms of one track in three bands.
//!
//! In: a stretch of a [`Buffer`]. Out: three mean squares, kept as six small numbers a pair of
//! tracks and block, and how alike the last stretches of mix and master were. Knows nothing of
//! what the levels mean.

use std::ops::Range;
use std::sync::Arc;

use realfft::num_complex::Complex;
use realfft::{RealFftPlanner, RealToComplex};

use super::buffer::Buffer;
use super::correlate::{mean_square, multiply};
use super::likeness::{OCTAVES, likeness};

/// In Hz. Own choice: three decades of music, so that an equaliser that moves one of them
/// leaves another alone.
pub(super) const BANDS: [(f64, f64); 3] = [(20.0, 250.0), (250.0, 2_500.0), (2_500.0, 16_000.0)];

/// Levels of the mix and then of the master in each band, in 1/128 dB over full scale.
pub(super) type BlockLevels = [i16; 6];

/// No level at all.
pub(super) const NOTHING: i16 = i16::MIN;

const STEPS_PER_DB: f64 = 128.0;
/// -120 dBFS: what is below is dither of 20 bits and silence.
const LEAST: f64 = 1e-12;

pub(super) struct BandMeter {
    /// Frames of the window, which lies in the middle of the block.
    pub(super) window: usize,
    forward: Arc<dyn RealToComplex<f32>>,
    taper: Vec<f32>,
    bins: [Range<usize>; 3],
    /// From a sum of squared bins to a mean square.
    scale: f64,
    octaves: Vec<Range<usize>>,
    time: Vec<f32>,
    /// Of the mix and of the master; empty ones are not there.
    spectra: [Vec<Complex<f32>>; 2],
    there: [bool; 2],
    scratch: Vec<Complex<f32>>,
}

/// Whose stretch is measured.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Whose {
    Mix,
    Master,
}

impl BandMeter {
    pub(super) fn new(sample_rate: u32, block: usize) -> Self {
        // 43 ms at 48 kHz: twice that would cost twice as much and say the same, since both
        // files are looked at through the same window.
        let window = (block / 2 + 1).next_power_of_two() / 2;
        let forward = RealFftPlanner::new().plan_fft_forward(window);
        let taper: Vec<f32> = (0..window)
            .map(|n| {
                let phase = std::f64::consts::TAU * n as f64 / window as f64;
                (0.5 - 0.5 * phase.cos()) as f32
            })
            .collect();
        let bin = f64::from(sample_rate) / window as f64;
        // The window spreads a constant over bins 0 and 1: level is counted from bin 2 on.
        let place = |hertz: f64| ((hertz / bin).ceil() as usize).clamp(2, window / 2);
        let weight: f64 = taper.iter().map(|&w| f64::from(w) * f64::from(w)).sum();
        Self {
            window,
            bins: BANDS.map(|(low, high)| place(low)..place(high)),
            scale: 2.0 / (window as f64 * weight),
            // The lowest octave has two bins: no voice, a guess.
            octaves: OCTAVES
                .iter()
                .skip(1)
                .map(|&low| place(low)..place(2.0 * low))
                .filter(|octave| !octave.is_empty())
                .collect(),
            time: forward.make_input_vec(),
            spectra: [forward.make_output_vec(), forward.make_output_vec()],
            there: [false; 2],
            scratch: forward.make_scratch_vec(),
            taper,
            forward,
        }
    }

    /// Mean squares in the three bands; zeros for what is below -100 dBFS as a whole.
    pub(super) fn measure(
        &mut self,
        whose: Whose,
        buffer: &Buffer,
        track: usize,
        from: i64,
    ) -> [f64; 3] {
        let slot = usize::from(whose == Whose::Master);
        self.there[slot] = false;
        let spectrum = &mut self.spectra[slot];
        buffer.copy(track, from, &mut self.time);
        if mean_square(&self.time) < 1e-10 {
            return [0.0; 3];
        }
        multiply(&mut self.time, &self.taper);
        let done = self
            .forward
            .process_with_scratch(&mut self.time, spectrum, &mut self.scratch);
        if done.is_err() {
            return [0.0; 3];
        }
        self.there[slot] = true;
        let scale = self.scale;
        self.bins
            .clone()
            .map(|bins| scale * f64::from(power(&spectrum[bins])))
    }

    /// How alike the last stretches of mix and master were, -1 to 1; `None` where one of them
    /// was silent, or where nearly all of it lies below these octaves.
    pub(super) fn alike(&self) -> Option<f64> {
        let [mix, master] = &self.spectra;
        let first = self.octaves.first().map_or(0, |octave| octave.start);
        // 20 dB. Own choice: what is left over a bass is its distortion.
        let tells = power(&mix[first..]) > 0.01 * power(&mix[1..]);
        (self.there == [true; 2] && tells).then(|| likeness(mix, master, &self.octaves))
    }
}

fn power(bins: &[Complex<f32>]) -> f32 {
    let mut sums = [0.0_f32; 8];
    let chunks = bins.chunks_exact(8);
    let rest: f32 = chunks.remainder().iter().map(Complex::norm_sqr).sum();
    for chunk in chunks {
        for (sum, bin) in sums.iter_mut().zip(chunk) {
            *sum += bin.norm_sqr();
        }
    }
    sums.iter().sum::<f32>() + rest
}

pub(super) fn block_levels(mix: [f64; 3], master: [f64; 3]) -> BlockLevels {
    let level = |mean_square: f64| {
        if mean_square < LEAST {
            NOTHING
        } else {
            // -120 to some 80 dB: fits.
            (10.0 * mean_square.log10() * STEPS_PER_DB).round() as i16
        }
    };
    [
        level(mix[0]),
        level(mix[1]),
        level(mix[2]),
        level(master[0]),
        level(master[1]),
        level(master[2]),
    ]
}

/// `None` for nothing.
pub(super) fn decibels(level: i16) -> Option<f64> {
    (level != NOTHING).then(|| f64::from(level) / STEPS_PER_DB)
}

/// Mean square; 0 for nothing.
pub(super) fn mean_square_of(level: i16) -> f64 {
    decibels(level).map_or(0.0, |level| 10_f64.powf(level / 10.0))
}
