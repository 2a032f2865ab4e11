//! Energy that ears tell little or nothing of, and that tweeters and headphones get all the same:
//! over 16 kHz and over 20 kHz.
//!
//! In: samples of all channels. Out: a [`HighBands`] for each channel. Ten short looks a second,
//! at fixed places of the programme, so that every file can afford them; what counts is the level
//! that is reached for a second in sum, since one short look may be a single cymbal stroke.

use std::sync::Arc;

use realfft::num_complex::Complex;
use realfft::{RealFftPlanner, RealToComplex};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::units::Hertz;

const LOOKS_A_SECOND: u32 = 10;
/// Looks that make a second. Own choice: a voice coil warms over seconds, and in an hour of music
/// no level of a hundred milliseconds said anything about the next second.
const LOOKS: usize = LOOKS_A_SECOND as usize;
/// Ears hear little from here on (common practice, no source).
const HIGH_HZ: f64 = 16_000.0;
/// And nothing from here on (common practice, no source).
const ULTRASONIC_HZ: f64 = 20_000.0;

/// What one channel holds there.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct HighBands {
    /// The level over 20 kHz that is reached for a second in sum, in dBFS RMS (a full-scale sine
    /// is -3.01).
    pub ultrasonic_dbfs: HighLevel,
    /// The same of a single tone, of the moments at which it holds most of the energy over 20 kHz:
    /// cymbals and noise have theirs everywhere in it.
    pub ultrasonic_tone_dbfs: HighLevel,
    /// The same over 16 kHz, of the moments at which more energy lies over 16 kHz than below.
    pub mostly_over_16_khz_dbfs: HighLevel,
}

/// A level, or why there is none.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum HighLevel {
    Dbfs(f64),
    /// Never, or for less than a second in sum.
    Never,
    /// The programme is shorter than a second.
    TooShort,
    /// The sample rate holds no such frequencies.
    RateTooLow,
}

impl HighLevel {
    /// The level, where it is over the limit.
    pub fn over(self, limit_dbfs: f64) -> Option<f64> {
        match self {
            Self::Dbfs(level) if level > limit_dbfs => Some(level),
            _ => None,
        }
    }
}

/// The meter of all channels.
pub(super) struct HighBandsMeter {
    rate: u32,
    /// Frames from look to look, and of a look.
    hop: usize,
    length: usize,
    at: usize,
    looks: u64,
    transform: Arc<dyn RealToComplex<f64>>,
    window: Vec<f64>,
    spectrum: Vec<Complex<f64>>,
    scratch: Vec<Complex<f64>>,
    channels: Vec<Channel>,
}

struct Channel {
    held: Vec<f64>,
    ultrasonic: Loudest,
    ultrasonic_tone: Loudest,
    mostly_high: Loudest,
}

/// The largest energies, the least first.
#[derive(Default)]
struct Loudest(Vec<f64>);

impl HighBandsMeter {
    pub(super) fn new(rate: Hertz, channels: usize) -> Self {
        let rate = rate.value();
        let length = match rate {
            0..=50_000 => 1024,
            50_001..=100_000 => 2048,
            _ => 4096,
        };
        let transform = RealFftPlanner::new().plan_fft_forward(length);
        // Hann: what is 400 lines away leaks less than -150 dB.
        let window = (0..length)
            .map(|n| 0.5 - 0.5 * (std::f64::consts::TAU * n as f64 / length as f64).cos())
            .collect();
        Self {
            rate,
            hop: ((rate / LOOKS_A_SECOND) as usize).max(length),
            length,
            at: 0,
            looks: 0,
            window,
            spectrum: transform.make_output_vec(),
            scratch: transform.make_scratch_vec(),
            transform,
            channels: (0..channels)
                .map(|_| Channel {
                    held: Vec::with_capacity(length),
                    ultrasonic: Loudest::default(),
                    ultrasonic_tone: Loudest::default(),
                    mostly_high: Loudest::default(),
                })
                .collect(),
        }
    }

    pub(super) fn feed(&mut self, planes: &[&[f64]]) {
        let total = planes.first().map_or(0, |plane| plane.len());
        let mut done = 0;
        while done < total {
            let within_look = self.at < self.length;
            let end = if within_look { self.length } else { self.hop };
            let take = (end - self.at).min(total - done);
            if within_look {
                for (channel, plane) in self.channels.iter_mut().zip(planes) {
                    channel.held.extend_from_slice(&plane[done..done + take]);
                }
            }
            self.at += take;
            done += take;
            if within_look && self.at == self.length {
                self.look();
            }
            if self.at == self.hop {
                self.at = 0;
            }
        }
    }

    fn look(&mut self) {
        self.looks += 1;
        let lines = self.spectrum.len();
        let [high, ultrasonic] = [HIGH_HZ, ULTRASONIC_HZ].map(|hz| {
            let line = (hz * self.length as f64 / f64::from(self.rate)).ceil();
            (line as usize).min(lines)
        });
        // Mean square: two sides, and the window's mean square of 3/8.
        let scale = 2.0 / (self.length as f64).powi(2) / 0.375;
        for channel in &mut self.channels {
            let held = &mut channel.held;
            if held.iter().any(|v| *v != 0.0) {
                held.iter_mut().zip(&self.window).for_each(|(v, w)| *v *= w);
                let done = self.transform.process_with_scratch(
                    held,
                    &mut self.spectrum,
                    &mut self.scratch,
                );
                if done.is_ok() {
                    let energy = |lines: &[Complex<f64>]| -> f64 {
                        lines.iter().map(Complex::norm_sqr).sum::<f64>() * scale
                    };
                    let (below, above) = self.spectrum.split_at(high);
                    let above_energy = energy(above);
                    let ultrasonic = &self.spectrum[ultrasonic..];
                    let ultrasonic_energy = energy(ultrasonic);
                    channel.ultrasonic.take(ultrasonic_energy);
                    // The window spreads a tone over three lines.
                    let strongest = ultrasonic.windows(3).map(energy).fold(0.0, f64::max);
                    if strongest > ultrasonic_energy / 2.0 {
                        channel.ultrasonic_tone.take(strongest);
                    }
                    if above_energy > energy(below) {
                        channel.mostly_high.take(above_energy);
                    }
                }
            }
            held.clear();
        }
    }

    pub(super) fn finish(self) -> Vec<HighBands> {
        let level = |loudest: &Loudest, from_hz: f64| {
            if f64::from(self.rate) / 2.0 <= from_hz {
                HighLevel::RateTooLow
            } else if self.looks < u64::from(LOOKS_A_SECOND) {
                HighLevel::TooShort
            } else {
                loudest.level()
            }
        };
        (self.channels.iter())
            .map(|channel| HighBands {
                ultrasonic_dbfs: level(&channel.ultrasonic, ULTRASONIC_HZ),
                ultrasonic_tone_dbfs: level(&channel.ultrasonic_tone, ULTRASONIC_HZ),
                mostly_over_16_khz_dbfs: level(&channel.mostly_high, HIGH_HZ),
            })
            .collect()
    }
}

impl Loudest {
    fn take(&mut self, energy: f64) {
        let at = self.0.partition_point(|kept| *kept < energy);
        self.0.insert(at, energy);
        if self.0.len() > LOOKS {
            self.0.remove(0);
        }
    }

    fn level(&self) -> HighLevel {
        match self.0.first() {
            Some(&energy) if self.0.len() == LOOKS && energy > 0.0 => {
                HighLevel::Dbfs(10.0 * energy.log10())
            }
            _ => HighLevel::Never,
        }
    }
}

#[cfg(test)]
mod tests {
    use std::f64::consts::TAU;

    use super::*;

    fn bands(rate: u32, samples: &[f64], block: usize) -> HighBands {
        let mut meter = HighBandsMeter::new(Hertz::new(rate).expect("a rate"), 1);
        for block in samples.chunks(block) {
            meter.feed(&[block]);
        }
        meter.finish()[0]
    }

    /// A quiet note, with a tone over it for some seconds in sum, in pieces of 0.2 s.
    fn programme(rate: u32, hz: f64, amplitude: f64, seconds: f64) -> Vec<f64> {
        let piece = rate as usize / 5;
        let pieces = (seconds * 5.0).round() as usize;
        (0..4 * rate as usize)
            .map(|n| {
                let wave = |hz: f64| (TAU * hz * n as f64 / f64::from(rate)).sin();
                let sounds = (n / piece).is_multiple_of(2) && n / piece < 2 * pieces;
                0.01 * wave(440.0) + if sounds { amplitude * wave(hz) } else { 0.0 }
            })
            .collect()
    }

    fn dbfs(level: HighLevel) -> f64 {
        match level {
            HighLevel::Dbfs(level) => level,
            other => panic!("{other:?}"),
        }
    }

    // A sine's mean square is half its squared amplitude: 10 lg(a^2 / 2).
    #[test]
    fn a_tone_over_20_khz_has_its_level_at_every_rate_where_it_lasts_a_second() {
        for (rate, hz) in [
            (44_100, 21_000.0),
            (48_000, 21_000.0),
            (96_000, 30_000.0),
            (192_000, 50_000.0),
        ] {
            for amplitude in [0.0447, 0.3] {
                let found = bands(rate, &programme(rate, hz, amplitude, 1.4), 4096);
                let meant = 10.0 * (amplitude * amplitude / 2.0f64).log10();
                let levels = [
                    found.ultrasonic_dbfs,
                    found.ultrasonic_tone_dbfs,
                    found.mostly_over_16_khz_dbfs,
                ];
                for level in levels {
                    assert!((dbfs(level) - meant).abs() < 0.2, "{rate}: {found:?}");
                }
            }
        }
    }

    #[test]
    fn less_than_a_second_in_sum_is_no_level_that_lasts() {
        let found = bands(48_000, &programme(48_000, 21_000.0, 0.3, 0.6), 4096);
        assert!(found.ultrasonic_dbfs.over(-100.0).is_none(), "{found:?}");
        assert_eq!(found.mostly_over_16_khz_dbfs, HighLevel::Never);
    }

    #[test]
    fn a_tone_of_18_khz_is_over_16_khz_and_not_over_20() {
        let found = bands(96_000, &programme(96_000, 18_000.0, 0.1, 2.0), 4096);
        assert!(found.ultrasonic_dbfs.over(-100.0).is_none(), "{found:?}");
        assert!((dbfs(found.mostly_over_16_khz_dbfs) + 23.01).abs() < 0.2);
    }

    // Noise of equal density: the band from 20 to 24 kHz holds a sixth of the power up to 24 kHz.
    #[test]
    fn noise_over_20_khz_is_no_tone() {
        let mut state = 1_u64;
        let noise: Vec<f64> = (0..4 * 48_000)
            .map(|_| {
                state = state
                    .wrapping_mul(6_364_136_223_846_793_005)
                    .wrapping_add(1);
                0.5 * ((state >> 33) as f64 / f64::from(1_u32 << 30) - 1.0)
            })
            .collect();
        let found = bands(48_000, &noise, 4096);
        let white = 10.0 * (0.25_f64 / 3.0).log10() - 10.0 * 6.0_f64.log10();
        assert!(
            (dbfs(found.ultrasonic_dbfs) - white).abs() < 1.0,
            "{found:?}"
        );
        assert_eq!(found.ultrasonic_tone_dbfs, HighLevel::Never);
    }

    #[test]
    fn short_and_slow_files_say_why_there_is_no_level() {
        let short = bands(48_000, &vec![0.5; 20_000], 4096);
        assert_eq!(short.ultrasonic_dbfs, HighLevel::TooShort);
        let slow = bands(32_000, &vec![0.5; 64_000], 4096);
        assert_eq!(slow.ultrasonic_dbfs, HighLevel::RateTooLow);
        assert_eq!(slow.mostly_over_16_khz_dbfs, HighLevel::RateTooLow);
        let silent = bands(48_000, &vec![0.0; 96_000], 4096);
        assert_eq!(silent.ultrasonic_dbfs, HighLevel::Never);
    }

    #[test]
    fn any_cut_gives_the_same() {
        let samples = programme(44_100, 20_500.0, 0.2, 1.2);
        let whole = bands(44_100, &samples, usize::MAX);
        for block in [1, 333, 4410, 5000] {
            assert_eq!(bands(44_100, &samples, block), whole);
        }
    }
}
