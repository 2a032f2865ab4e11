//! What could hurt ears or loudspeakers: a tone or noise near full scale that lasts, among music,
//! and energy that nobody hears. Measured of every file, whatever its profile asks.
//!
//! In: samples. Out: [`HazardFacts`]: where the first such passage begins and what it is like, and
//! the levels over 16 and 20 kHz. The figures are
//! own choices after common practice; a level that hurts depends on the room.

mod high_bands;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use high_bands::HighBandsMeter;
pub use high_bands::{HighBands, HighLevel};

use crate::units::{Hertz, Seconds};

/// The crest of a sine is 3.01 dB, of a full-scale square 0; of music over half a second, more.
const TONE_CREST_DB: f64 = 3.5;
const TONE_PEAK_DBFS: f64 = -6.0;
/// Lower tones neither pierce nor, so short, warm a voice coil. Own choice.
const TONE_OVER_HZ: f64 = 500.0;
/// White noise crosses zero at half of its frames (Rice 1944), music at far fewer; own choice of
/// the border, which a sine reaches at 0.2 of the sample rate.
const NOISE_CROSSINGS: f64 = 0.4;
const NOISE_RMS_DBFS: f64 = -15.0;
/// Windows of half a second that must follow each other.
const WINDOWS: u32 = 3;

/// A passage that could hurt.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Loud {
    pub kind: LoudKind,
    pub channel: usize,
    pub start_s: Seconds,
    pub peak_dbfs: f64,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum LoudKind {
    Tone,
    Noise,
}

/// What was found.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct HazardFacts {
    /// The first passage that could hurt.
    pub loud: Option<Loud>,
    /// One a channel.
    pub high_bands: Vec<HighBands>,
}

/// The meter of all channels.
pub struct HazardMeter {
    high_bands: HighBandsMeter,
    rate: Hertz,
    window: u64,
    frames: u64,
    channels: Vec<Channel>,
    found: Option<Loud>,
}

#[derive(Clone, Copy, Default)]
struct Channel {
    squares: f64,
    largest: f64,
    crossings: u32,
    positive: bool,
    /// Windows in a row that were of that kind.
    tones: u32,
    noises: u32,
}

impl HazardMeter {
    pub fn new(rate: Hertz, channels: usize) -> Self {
        Self {
            high_bands: HighBandsMeter::new(rate, channels),
            rate,
            window: u64::from(rate.value() / 2).max(1),
            frames: 0,
            channels: vec![Channel::default(); channels],
            found: None,
        }
    }

    /// Takes the next samples, `[channel][frame]`; any cut gives the same.
    pub fn feed(&mut self, planes: &[&[f64]]) {
        self.high_bands.feed(planes);
        if self.found.is_some() {
            return;
        }
        let total = planes.first().map_or(0, |plane| plane.len());
        let mut done = 0;
        while done < total {
            let left = self.window - self.frames % self.window;
            let take = usize::try_from(left).unwrap_or(total).min(total - done);
            for (channel, plane) in self.channels.iter_mut().zip(planes) {
                channel.feed(&plane[done..done + take]);
            }
            done += take;
            self.frames += take as u64;
            if self.frames.is_multiple_of(self.window) {
                self.close();
            }
        }
    }

    fn close(&mut self) {
        let window = self.window as f64;
        let seconds = window / f64::from(self.rate.value());
        for (index, channel) in self.channels.iter_mut().enumerate() {
            let rms = 10.0 * (channel.squares / window).log10();
            let peak = 20.0 * channel.largest.log10();
            let crossings = f64::from(channel.crossings);
            let tone = peak > TONE_PEAK_DBFS
                && peak - rms < TONE_CREST_DB
                && crossings / seconds / 2.0 > TONE_OVER_HZ;
            let noise = rms > NOISE_RMS_DBFS && crossings / window > NOISE_CROSSINGS;
            channel.tones = if tone { channel.tones + 1 } else { 0 };
            channel.noises = if noise { channel.noises + 1 } else { 0 };
            let kind = match (channel.tones >= WINDOWS, channel.noises >= WINDOWS) {
                (true, _) => Some(LoudKind::Tone),
                (_, true) => Some(LoudKind::Noise),
                _ => None,
            };
            if let (Some(kind), None) = (kind, self.found) {
                let start = self.frames - u64::from(WINDOWS) * self.window;
                self.found = Some(Loud {
                    kind,
                    channel: index,
                    start_s: Seconds(start as f64 / f64::from(self.rate.value())),
                    peak_dbfs: peak,
                });
            }
            channel.squares = 0.0;
            channel.largest = 0.0;
            channel.crossings = 0;
        }
    }

    pub fn finish(self) -> HazardFacts {
        HazardFacts {
            loud: self.found,
            high_bands: self.high_bands.finish(),
        }
    }
}

impl Channel {
    fn feed(&mut self, samples: &[f64]) {
        for &sample in samples {
            self.squares += sample * sample;
            self.largest = self.largest.max(sample.abs());
            let positive = sample > 0.0;
            self.crossings += u32::from(positive != self.positive);
            self.positive = positive;
        }
    }
}

#[cfg(test)]
mod tests {
    use std::f64::consts::TAU;

    use super::*;

    const RATE: u32 = 48_000;

    fn found(samples: &[f64]) -> Option<Loud> {
        let mut meter = HazardMeter::new(Hertz::new(RATE).expect("a rate"), 1);
        for block in samples.chunks(1000) {
            meter.feed(&[block]);
        }
        meter.finish().loud
    }

    fn tone(hz: f64, gain: f64, seconds: usize) -> Vec<f64> {
        let step = TAU * hz / f64::from(RATE);
        (0..seconds * RATE as usize)
            .map(|n| gain * (step * n as f64).sin())
            .collect()
    }

    fn noise(gain: f64, seconds: usize) -> Vec<f64> {
        let mut state = 88_172_645_463_325_252u64;
        (0..seconds * RATE as usize)
            .map(|_| {
                state ^= state << 13;
                state ^= state >> 7;
                state ^= state << 17;
                gain * (state as f64 / u64::MAX as f64 * 2.0 - 1.0)
            })
            .collect()
    }

    // A sine's crest is 3.01 dB (RMS = peak / sqrt 2).
    #[test]
    fn a_loud_tone_in_the_middle_is_found_where_it_begins() {
        let mut samples = tone(220.0, 0.2, 2);
        samples.extend(tone(1000.0, 0.9, 2));
        samples.extend(tone(220.0, 0.2, 2));
        let loud = found(&samples).expect("found");
        assert_eq!((loud.kind, loud.start_s), (LoudKind::Tone, Seconds(2.0)));
    }

    #[test]
    fn quiet_low_or_short_tones_are_none() {
        assert_eq!(found(&tone(1000.0, 0.4, 3)), None);
        assert_eq!(found(&tone(200.0, 0.9, 3)), None);
        assert_eq!(found(&tone(1000.0, 0.9, 1)), None);
    }

    // Uniform white noise: RMS 4.77 dB under its peak, a crossing at half of the frames.
    #[test]
    fn noise_near_full_scale_is_found_and_quiet_noise_is_not() {
        let loud = found(&noise(0.9, 3)).expect("found");
        assert_eq!(loud.kind, LoudKind::Noise);
        assert_eq!(found(&noise(0.1, 3)), None);
    }
}
