//! What a mastering does to a track all the time: one transfer function that is smooth over
//! frequency, learnt from the last seconds.
//!
//! In: the spectra of a track of the master and of the same track of the mix, for a stereo pair
//! also of the mix's other channel. Out: the mix's spectrum as the master should have it, but for
//! movements of gain. The other channel's share is bounded, so that a wider or narrower stereo
//! image is taken out and a part that sits in one channel is not.

use realfft::num_complex::Complex32;

use super::layout::{BANDS, FIRST_FINE, Layout};

/// What remains of the sums after one second. Own choice: some four seconds count.
const FORGET: f32 = 0.75;
/// Largest share of the other channel, relative to the track's own: 1.15 to 0.85 is a change of
/// the sides by 2.6 dB.
const CROSS: f32 = 0.15;
/// Of the other channel's power, so that two equal channels are not told apart by their noise.
const RIDGE: f32 = 0.02;
const TINY: f32 = 1e-12;
/// Power of one file over that of the other in a window that teaches nothing: 60 dB.
const LEAST_GAIN: f32 = 1e-6;

#[derive(Debug)]
pub(super) struct Equaliser {
    /// Power of the track in the mix, of the other channel, and their product.
    own: Vec<f32>,
    other: Vec<f32>,
    both: Vec<Complex32>,
    /// Products of the master with the track and with the other channel.
    master_own: Vec<Complex32>,
    master_other: Vec<Complex32>,
    direct: Vec<Complex32>,
    cross: Vec<Complex32>,
    /// Power of the master and of the track in the mix, from 350 Hz on.
    powers: [f32; 2],
    /// The gain that belongs to `direct` and `cross`.
    gain: f32,
}

impl Equaliser {
    pub(super) fn new(layout: &Layout, stereo: bool) -> Self {
        let bins = layout.bins;
        let second = if stereo { bins } else { 0 };
        let zero = Complex32::default();
        Self {
            own: vec![0.0; bins],
            other: vec![0.0; second],
            both: vec![zero; second],
            master_own: vec![zero; bins],
            master_other: vec![zero; second],
            direct: vec![zero; bins],
            cross: vec![zero; second],
            powers: [0.0; 2],
            gain: 1.0,
        }
    }

    /// Takes the spectra of some second, window after window.
    pub(super) fn learn(
        &mut self,
        layout: &Layout,
        master: &[Complex32],
        own: &[Complex32],
        other: Option<&[Complex32]>,
    ) {
        self.forget();
        let bins = layout.bins;
        let audible = layout.bands[FIRST_FINE].start..layout.bands[BANDS - 1].end;
        let power = |of: &[Complex32]| {
            of[audible.clone()]
                .iter()
                .map(Complex32::norm_sqr)
                .sum::<f32>()
        };
        let windows = master.chunks_exact(bins).zip(own.chunks_exact(bins));
        for (window, (master, own)) in windows.enumerate() {
            let powers = [power(master), power(own)];
            self.powers[0] += powers[0];
            self.powers[1] += powers[1];
            if powers[0] <= LEAST_GAIN * powers[1] || powers[1] <= LEAST_GAIN * powers[0] {
                continue;
            }
            // Else a bin would learn the gain of the moment at which it sounded.
            let even = (powers[1] / powers[0]).sqrt();
            let sums = self.own.iter_mut().zip(&mut self.master_own);
            for ((power, product), (m, x)) in sums.zip(master.iter().zip(own)) {
                *power += x.norm_sqr();
                *product += m * x.conj() * even;
            }
            let Some(other) = other else {
                continue;
            };
            let other = &other[window * bins..][..bins];
            for bin in 0..bins {
                self.other[bin] += other[bin].norm_sqr();
                self.both[bin] += other[bin] * own[bin].conj();
                self.master_other[bin] += master[bin] * other[bin].conj() * even;
            }
        }
        if self.powers[1] > 0.0 {
            self.gain = (self.powers[0] / self.powers[1]).sqrt();
        }
        self.solve(layout);
    }

    fn forget(&mut self) {
        self.powers = self.powers.map(|power| power * FORGET);
        for sums in [&mut self.own, &mut self.other] {
            sums.iter_mut().for_each(|sum| *sum *= FORGET);
        }
        for sums in [&mut self.both, &mut self.master_own, &mut self.master_other] {
            sums.iter_mut().for_each(|sum| *sum *= FORGET);
        }
    }

    fn solve(&mut self, layout: &Layout) {
        for (bin, range) in layout.smooth.iter().enumerate() {
            let sum = |of: &[f32]| of[range.clone()].iter().sum::<f32>();
            let product = |of: &[Complex32]| of[range.clone()].iter().sum::<Complex32>();
            let own = sum(&self.own) + TINY;
            let master = product(&self.master_own);
            self.direct[bin] = master / own;
            if self.cross.is_empty() {
                continue;
            }
            let (other, both) = (sum(&self.other), product(&self.both));
            let determinant = own * other * (1.0 + RIDGE) - both.norm_sqr();
            let solved = product(&self.master_other) * own - master * both.conj();
            let mut cross = if determinant > 1e-3 * own * other && determinant > 0.0 {
                solved / determinant
            } else {
                Complex32::default()
            };
            let most = CROSS * self.direct[bin].norm();
            let size = cross.norm();
            if size > most {
                cross *= most / size;
            }
            self.cross[bin] = cross;
            self.direct[bin] = (master - cross * both) / own;
        }
    }

    /// The mix's spectrum as the master should have it.
    pub(super) fn apply(
        &self,
        own: &[Complex32],
        other: Option<&[Complex32]>,
        out: &mut [Complex32],
    ) {
        for ((out, x), direct) in out.iter_mut().zip(own).zip(&self.direct) {
            *out = direct * x * self.gain;
        }
        if let Some(other) = other {
            for ((out, x), cross) in out.iter_mut().zip(other).zip(&self.cross) {
                *out += cross * x * self.gain;
            }
        }
    }
}
