//! Mains hum: lines at 50 or 60 Hz and their harmonics that stay the same in the quiet moments.
//!
//! In: samples. Out: the hum of each channel with level, frequency and confidence. Hum is there
//! all the time, so its place is the whole programme.

mod comb;
mod decimate;

use std::sync::Arc;

use realfft::num_complex::Complex;
use realfft::{RealFftPlanner, RealToComplex};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::measure::spot::{Spot, Spots, ramp};
use crate::measure::stretches::Stretches;
use crate::units::Hertz;
use comb::{Comb, MAINS_HZ, Verdict};
use decimate::{Decimator, Factors};

/// Samples of a window at about 2 kHz: a second, bins of 1 Hz.
const WINDOW: usize = 2048;

/// Samples from one window to the next: a pause of 1.3 s holds one whole.
const HOP: usize = 512;

/// Bins that are looked at.
const BINS: usize = 512;

/// Hum under this is not told, in dBFS RMS. Own choice: sampled instruments and sound hardware
/// bring such lines with them, and nobody hears them.
const FAINTEST_DBFS: f64 = -80.0;

/// Looks for mains hum. Own method after common practice (no source): lines over their
/// neighbours at the mains' harmonics in windows of 1 s, counted where at least three stand free,
/// and held against each other: same frequency, same level, phase that goes on.
pub struct HumMeter {
    stretches: Stretches,
    channels: Vec<Channel>,
    spectrum: Spectrum,
    hop_s: f64,
    frames: u64,
}

struct Channel {
    decimator: Decimator,
    samples: Vec<f32>,
    combs: [Comb; 2],
}

/// Spectra of windows; one for all channels.
struct Spectrum {
    fft: Arc<dyn RealToComplex<f32>>,
    window: Vec<f32>,
    /// Single precision: its noise lies 140 dB under the music, the faintest hum 80.
    input: Vec<f32>,
    output: Vec<Complex<f32>>,
    scratch: Vec<Complex<f32>>,
    bins: Vec<Complex<f64>>,
    power: Vec<f64>,
}

/// What [`HumMeter`] found.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct HumFacts {
    /// At most one place a channel: the whole programme. Size: level of the strongest line in
    /// dBFS RMS.
    pub hums: Spots,
    /// In file order; `None` where nothing looks like hum.
    pub channels: Vec<Option<HumFigures>>,
}

/// The hum of a channel.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct HumFigures {
    /// As measured.
    pub mains_hz: f64,
    /// Level of its strongest line, RMS.
    pub level_dbfs: f64,
    /// Harmonics found, with the fundamental, up to the eighth.
    pub harmonics: u64,
    /// How long it stands free of the music.
    pub free_s: f64,
    /// Half the range that holds the middle three fifths of its levels there.
    pub level_spread_db: f64,
    /// How well its phase goes on from second to second, 0 to 1.
    pub coherence: f64,
    /// Share of the programme in which the line is not missing.
    pub presence: f64,
}

impl HumMeter {
    pub fn new(rate: Hertz, channels: usize) -> Self {
        let rate_hz = f64::from(rate.value());
        let factors = Factors::of(rate_hz);
        let low_rate = rate_hz / factors.whole() as f64;
        let bin_hz = low_rate / WINDOW as f64;
        let hop_s = HOP as f64 / low_rate;
        let channel = || Channel {
            decimator: Decimator::new(rate_hz, factors),
            samples: Vec::with_capacity(WINDOW + HOP),
            combs: MAINS_HZ.map(|mains| Comb::new(mains, bin_hz, hop_s)),
        };
        Self {
            stretches: Stretches::new(factors.whole() * HOP / 8, channels),
            channels: (0..channels).map(|_| channel()).collect(),
            spectrum: Spectrum::new(),
            hop_s,
            frames: 0,
        }
    }

    /// Takes the next samples, `[channel][frame]`, all channels equally long.
    pub fn feed(&mut self, planes: &[&[f64]]) {
        self.frames += planes.first().map_or(0, |plane| plane.len()) as u64;
        let (channels, spectrum) = (&mut self.channels, &mut self.spectrum);
        self.stretches.feed(planes, |planes| {
            for (channel, samples) in channels.iter_mut().zip(planes) {
                channel.stretch(samples, spectrum);
            }
        });
    }

    /// Ends the programme; what does not fill a window is left out.
    pub fn finish(self) -> HumFacts {
        let mut facts = HumFacts::default();
        for (index, channel) in self.channels.iter().enumerate() {
            let verdicts = channel.combs.iter().filter_map(Comb::verdict);
            let Some(verdict) = verdicts.max_by_key(|verdict| verdict.windows) else {
                facts.channels.push(None);
                continue;
            };
            facts.channels.push(Some(HumFigures {
                mains_hz: verdict.mains_hz,
                level_dbfs: verdict.level_dbfs,
                harmonics: verdict.harmonics as u64,
                free_s: verdict.windows as f64 * self.hop_s,
                level_spread_db: verdict.spread_db,
                coherence: verdict.coherence,
                presence: verdict.presence,
            }));
            facts.hums.push(Spot {
                start: 0,
                end: self.frames,
                channel: Some(index),
                size: verdict.level_dbfs,
                confidence: confidence(&verdict, self.hop_s),
                inherited: false,
                summarised: false,
            });
        }
        facts
    }
}

/// Louder than this it is no hum. Own choice, after low drones of released music at -22 to -30.
const LOUDEST_DBFS: f64 = -30.0;

/// Own choice, measured on music, on bass notes near the mains and on hum from -40 to -70 dBFS.
fn confidence(verdict: &Verdict, hop_s: f64) -> f64 {
    let long = ramp(verdict.windows as f64 * hop_s, 0.3, 0.9);
    let steady = ramp(verdict.spread_db, 4.0, 1.5);
    // Where it never stands free for two seconds, it must at least never be missing.
    let goes_on = if verdict.pairs == 0 {
        0.8 * ramp(verdict.presence, 0.9, 0.98)
    } else {
        ramp(verdict.coherence, 0.6, 0.9)
    };
    let always = ramp(verdict.presence, 0.5, 0.85);
    let heard = ramp(verdict.level_dbfs, FAINTEST_DBFS, FAINTEST_DBFS + 6.0);
    // A low drone of the music, which nobody would overlook.
    let drone = ramp(verdict.level_dbfs, LOUDEST_DBFS - 6.0, LOUDEST_DBFS);
    long * steady * goes_on * always * heard * (1.0 - drone)
}

impl Channel {
    fn stretch(&mut self, samples: &[f64], spectrum: &mut Spectrum) {
        self.decimator.run(samples, &mut self.samples);
        if self.samples.len() < WINDOW {
            return;
        }
        if spectrum.of(&self.samples[..WINDOW]) {
            for comb in &mut self.combs {
                comb.window(&spectrum.bins, &spectrum.power);
            }
        }
        self.samples.drain(..HOP);
    }
}

impl Spectrum {
    fn new() -> Self {
        let fft = RealFftPlanner::<f32>::new().plan_fft_forward(WINDOW);
        // Hann's window, scaled so that a line in the middle of a bin shows its RMS.
        let turn = 2.0 * std::f64::consts::PI / WINDOW as f64;
        let scale = 2f64.sqrt() / (WINDOW as f64 / 2.0);
        let window = (0..WINDOW).map(|n| scale * (0.5 - 0.5 * (turn * n as f64).cos()));
        let window = window.map(|weight| weight as f32);
        Self {
            input: fft.make_input_vec(),
            output: fft.make_output_vec(),
            scratch: fft.make_scratch_vec(),
            fft,
            window: window.collect(),
            bins: vec![Complex::default(); BINS],
            power: vec![0.0; BINS],
        }
    }

    /// `false` for silence: then there is no spectrum.
    fn of(&mut self, samples: &[f32]) -> bool {
        if samples.iter().all(|v| *v == 0.0) {
            return false;
        }
        for ((to, sample), weight) in self.input.iter_mut().zip(samples).zip(&self.window) {
            *to = sample * weight;
        }
        let done =
            self.fft
                .process_with_scratch(&mut self.input, &mut self.output, &mut self.scratch);
        for (bin, value) in self.bins.iter_mut().zip(&self.output) {
            *bin = Complex::new(f64::from(value.re), f64::from(value.im));
        }
        for (power, bin) in self.power.iter_mut().zip(&self.bins) {
            *power = bin.norm_sqr();
        }
        done.is_ok()
    }
}

#[cfg(test)]
mod tests;
