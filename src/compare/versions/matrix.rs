//! Every channel of one file against every channel of the other, and both spectra.
//!
//! In: one window a second, of all channels, lying over each other. Out: the correlation of any
//! two channels in each octave over the whole file, and levels in third-octaves. One voice an
//! octave, so that equalisation and gain leave a correlation near 1 (see `likeness`). Knows
//! nothing of labels.

use std::ops::Range;
use std::sync::Arc;

use realfft::num_complex::Complex;
use realfft::{RealFftPlanner, RealToComplex};

use crate::compare::buffer::Buffer;
use crate::compare::correlate::{mean_square, multiply, raised_cosine};

/// Lower ends of the octaves, in Hz; the first one is what a low-frequency channel has.
pub(super) const OCTAVES: [f64; 9] = [
    31.25, 62.5, 125.0, 250.0, 500.0, 1_000.0, 2_000.0, 4_000.0, 8_000.0,
];
pub(super) const COUNT: usize = OCTAVES.len();
/// An octave that is farther below the channel's loudest has no voice: 50 dB. Own choice.
const QUIET: f64 = 1e-5;
/// Channels that are held against each other at most: the work grows with the square.
pub(in crate::compare) const MOST_CHANNELS: usize = 16;

/// One value an octave.
pub(super) type ByOctave = [f64; COUNT];

/// A channel of a pair: of the mix, or of the master.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Channel {
    Mix(usize),
    Master(usize),
}

pub(in crate::compare) struct Matrix {
    pairs: usize,
    forward: Arc<dyn RealToComplex<f32>>,
    taper: Vec<f32>,
    time: Vec<f32>,
    scratch: Vec<Complex<f32>>,
    /// Mix and master in turn, pair by pair.
    spectra: Vec<Vec<Complex<f32>>>,
    octaves: [Range<usize>; COUNT],
    thirds: Vec<(f64, Range<usize>)>,
    /// Sums of cross powers of any two spectra, row by row.
    cross: Vec<ByOctave>,
    /// Cross power, power of the mix and of the master, each pair with its own offset.
    own: Vec<[ByOctave; 3]>,
    /// Power of the mix and of the master in third-octaves.
    third_powers: Vec<[f64; 2]>,
    pub(super) windows: u64,
    silence: f32,
}

impl Matrix {
    pub(in crate::compare) fn new(sample_rate: u32, pairs: usize, silence: f64) -> Self {
        let rate = f64::from(sample_rate);
        // 0.17 s at 48 kHz: 6 Hz a bin, so that a third-octave at 40 Hz has one of its own.
        let length = (sample_rate as usize / 8).next_power_of_two();
        let forward = RealFftPlanner::new().plan_fft_forward(length);
        let place =
            |hertz: f64| ((hertz * length as f64 / rate).ceil() as usize).clamp(1, length / 2);
        // IEC 61260-1, from memory: base-10 third-octaves about 1 kHz; 40 Hz is band -14.
        let thirds = (-14..=11).map(|band| {
            let centre = 1_000.0 * 10_f64.powf(f64::from(band) / 10.0);
            let edge = 10_f64.powf(0.05);
            (centre, place(centre / edge)..place(centre * edge))
        });
        let spectra = 2 * pairs;
        Self {
            pairs,
            taper: raised_cosine(length, length / 2),
            time: forward.make_input_vec(),
            scratch: forward.make_scratch_vec(),
            spectra: vec![forward.make_output_vec(); spectra],
            octaves: OCTAVES.map(|low| place(low)..place(2.0 * low)),
            thirds: thirds.filter(|(_, bins)| !bins.is_empty()).collect(),
            cross: vec![[0.0; COUNT]; spectra * spectra],
            own: vec![[[0.0; COUNT]; 3]; pairs],
            third_powers: Vec::new(),
            windows: 0,
            silence: silence as f32,
            forward,
        }
    }

    /// The window of all pairs that begins at `from` in the mix and lies `offset` later in the
    /// master; `tracks` has each pair's tracks in mix and master, and the offset of its own.
    pub(in crate::compare) fn measure(
        &mut self,
        (mix, master): (&Buffer, &Buffer),
        tracks: &[(usize, usize, i64)],
        (from, offset): (i64, i64),
    ) {
        let mut sounds = [false; 2];
        for (pair, &(in_mix, in_master, _)) in tracks.iter().enumerate().take(self.pairs) {
            sounds[0] |= self.transform((mix, in_mix, from), 2 * pair);
            sounds[1] |= self.transform((master, in_master, from + offset), 2 * pair + 1);
        }
        if sounds != [true, true] {
            return;
        }
        self.windows += 1;
        self.third_powers.resize(self.thirds.len(), [0.0; 2]);
        let count = self.spectra.len();
        for row in 0..count {
            for column in row..count {
                let (one, other) = (&self.spectra[row], &self.spectra[column]);
                let sums = &mut self.cross[row * count + column];
                for (sum, bins) in sums.iter_mut().zip(&self.octaves) {
                    *sum += cross_power(&one[bins.clone()], &other[bins.clone()]);
                }
            }
        }
        for (powers, (_, bins)) in self.third_powers.iter_mut().zip(&self.thirds) {
            for (number, spectrum) in self.spectra.iter().enumerate() {
                let bins = &spectrum[bins.clone()];
                powers[number % 2] += cross_power(bins, bins);
            }
        }
        for (pair, &(_, in_master, own)) in tracks.iter().enumerate().take(self.pairs) {
            if own != offset {
                self.transform((master, in_master, from + own), 2 * pair + 1);
            }
            let (one, other) = (&self.spectra[2 * pair], &self.spectra[2 * pair + 1]);
            for (octave, bins) in self.octaves.iter().enumerate() {
                let (one, other) = (&one[bins.clone()], &other[bins.clone()]);
                self.own[pair][0][octave] += cross_power(one, other);
                self.own[pair][1][octave] += cross_power(one, one);
                self.own[pair][2][octave] += cross_power(other, other);
            }
        }
    }

    /// Whether it sounds.
    fn transform(&mut self, (buffer, track, from): (&Buffer, usize, i64), into: usize) -> bool {
        buffer.copy(track, from, &mut self.time);
        let sounds = mean_square(&self.time) >= self.silence;
        let spectrum = &mut self.spectra[into];
        if mean_square(&self.time) < 1e-10 {
            spectrum.fill(Complex::default());
            return false;
        }
        multiply(&mut self.time, &self.taper);
        let done = self
            .forward
            .process_with_scratch(&mut self.time, spectrum, &mut self.scratch);
        if done.is_err() {
            spectrum.fill(Complex::default());
        }
        sounds
    }

    fn index(&self, channel: Channel) -> usize {
        match channel {
            Channel::Mix(pair) => 2 * pair,
            Channel::Master(pair) => 2 * pair + 1,
        }
    }

    fn sums(&self, one: Channel, other: Channel) -> &ByOctave {
        let (one, other) = (self.index(one), self.index(other));
        &self.cross[one.min(other) * self.spectra.len() + one.max(other)]
    }

    /// Octave by octave; `None` where one of the two has no voice.
    pub(super) fn correlations(&self, one: Channel, other: Channel) -> [Option<f64>; COUNT] {
        by_octave(
            self.sums(one, other),
            self.sums(one, one),
            self.sums(other, other),
        )
    }

    /// Mean of the octaves; those in which only one of the two has a voice count as 0. `None`
    /// where one of them has none at all.
    pub(super) fn correlation(&self, one: Channel, other: Channel) -> Option<f64> {
        mean(
            self.sums(one, other),
            self.sums(one, one),
            self.sums(other, other),
        )
    }

    /// Of one pair, each channel with its own offset.
    pub(super) fn own_correlation(&self, pair: usize) -> Option<f64> {
        let [cross, mix, master] = &self.own[pair];
        mean(cross, mix, master)
    }

    /// Centre and the power of both, band by band.
    pub(super) fn thirds(&self) -> impl Iterator<Item = (f64, [f64; 2])> {
        let centres = self.thirds.iter().map(|(centre, _)| *centre);
        centres.zip(self.third_powers.iter().copied())
    }
}

fn heard(powers: &ByOctave) -> [bool; COUNT] {
    let loudest = powers.iter().copied().fold(0.0, f64::max);
    powers.map(|power| power > 0.0 && power > QUIET * loudest)
}

fn by_octave(cross: &ByOctave, one: &ByOctave, other: &ByOctave) -> [Option<f64>; COUNT] {
    let (in_one, in_other) = (heard(one), heard(other));
    std::array::from_fn(|octave| {
        let both = in_one[octave] && in_other[octave];
        both.then(|| cross[octave] / (one[octave] * other[octave]).sqrt())
    })
}

fn mean(cross: &ByOctave, one: &ByOctave, other: &ByOctave) -> Option<f64> {
    let (in_one, in_other) = (heard(one), heard(other));
    if in_one == [false; COUNT] || in_other == [false; COUNT] {
        return None;
    }
    let sum: f64 = by_octave(cross, one, other).iter().flatten().sum();
    let either = in_one
        .iter()
        .zip(in_other)
        .filter(|(one, other)| **one || *other);
    Some(sum / either.count() as f64)
}

fn cross_power(one: &[Complex<f32>], other: &[Complex<f32>]) -> f64 {
    let mut sums = [0.0_f32; 8];
    let chunks = one.chunks_exact(8).zip(other.chunks_exact(8));
    for (one, other) in chunks {
        for lane in 0..8 {
            sums[lane] += one[lane].re * other[lane].re + one[lane].im * other[lane].im;
        }
    }
    let rest = one.len() / 8 * 8;
    let tail: f32 = one[rest..]
        .iter()
        .zip(&other[rest..])
        .map(|(one, other)| one.re * other.re + one.im * other.im)
        .sum();
    f64::from(sums.iter().sum::<f32>() + tail)
}
