//! What one channel holds over the whole file: levels and the mean spectrum, and what they say of
//! a low-frequency channel and of noise.

use super::spectra::{Spectra, Total};
use crate::units::Dbfs;
use crate::vector::{Work, fast};

/// Under this there is nothing to compare, as for the low-frequency channels of immersive
/// masters: own choice.
const QUIET_DBFS: f64 = -70.0;
/// From here up a spectrum is noise: white noise reads 0 over a file, shaped dither -10, room
/// tone and music -20 and less. Own choice.
const FLAT_DB: f64 = -6.0;

pub(super) struct ContentMeter {
    pub squares: f64,
    pub largest: f64,
    /// Sum of powers by bin; empty until something sounds.
    spectrum: Vec<f64>,
}

impl ContentMeter {
    pub(super) fn new() -> Self {
        Self {
            squares: 0.0,
            largest: 0.0,
            spectrum: Vec::new(),
        }
    }

    pub(super) fn spectrum(&mut self, power: &[f32]) {
        self.spectrum.resize(power.len(), 0.0);
        fast(Add {
            power,
            sum: &mut self.spectrum,
        });
    }

    pub(super) fn rms(&self, frames: u64) -> Option<Dbfs> {
        Dbfs::from_linear((self.squares / frames.max(1) as f64).sqrt())
    }

    /// Mean power of the band over the whole file, in the spectrum's own unit.
    pub(super) fn band(&self, hertz: std::ops::Range<f64>, spectra: &Spectra) -> f64 {
        self.spectrum
            .get(spectra.bins(hertz))
            .map_or(0.0, |bins| bins.iter().sum())
    }

    /// Energy over 500 Hz less that from 20 to 120 Hz, dB; -200 to 200. Common practice, no
    /// source for the two bands; a low-passed effect reads -29 dB and less.
    pub(super) fn high_less_low_db(&self, frames: u64, spectra: &Spectra) -> Option<f64> {
        self.rms(frames).filter(|rms| rms.value() >= QUIET_DBFS)?;
        let all: f64 = self.spectrum.iter().sum();
        let least = all * 1e-20;
        let high = self.band(500.0..f64::INFINITY, spectra).max(least);
        let low = self.band(20.0..120.0, spectra).max(least);
        (all > 0.0).then(|| 10.0 * (high / low).log10())
    }

    /// Spectral flatness from 200 Hz to 10 kHz: the geometric over the arithmetic mean of the
    /// power spectrum, in dB (Gray and Markel, "A spectral-flatness measure for studying the
    /// autocorrelation method of linear prediction of speech analysis", 1974).
    pub(super) fn flatness_db(&self, spectra: &Spectra) -> Option<f64> {
        let bins = self.spectrum.get(spectra.bins(200.0..10_000.0))?;
        let count = bins.len().max(1) as f64;
        let arithmetic = bins.iter().sum::<f64>() / count;
        if arithmetic <= 0.0 {
            return None;
        }
        // A bin of exactly nothing would make the whole mean nothing.
        let logs: f64 = bins
            .iter()
            .map(|p| (p / arithmetic).max(1e-20).log10())
            .sum();
        Some(10.0 * logs / count)
    }

    pub(super) fn only_noise(&self, frames: u64, spectra: &Spectra) -> bool {
        self.rms(frames).is_some_and(|rms| rms.value() < QUIET_DBFS)
            && self.flatness_db(spectra).is_some_and(|flat| flat > FLAT_DB)
    }

    /// Levels of 24 bands of a third of an octave or more, dB: the channel's colour.
    pub(super) fn colour(&self, spectra: &Spectra) -> Vec<f64> {
        (0..24)
            .map(|band| {
                let low = 60.0 * 2f64.powf(f64::from(band) / 3.0);
                let power = self.band(low..low * 2f64.powf(1.0 / 3.0), spectra);
                10.0 * power.max(1e-20).log10()
            })
            .collect()
    }
}

/// Whole energy of a block's spectrum from a bin on.
pub(super) fn energy(power: &[f32], bins: std::ops::Range<usize>) -> f64 {
    fast(Total(&power[bins]))
}

struct Add<'a> {
    power: &'a [f32],
    sum: &'a mut [f64],
}

impl Work for Add<'_> {
    type Output = ();

    #[inline(always)]
    fn work(self) {
        for (sum, power) in self.sum.iter_mut().zip(self.power) {
            *sum += f64::from(*power);
        }
    }
}
