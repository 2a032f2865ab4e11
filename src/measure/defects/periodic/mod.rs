//! Mutes, tones and bursts of noise at a constant period of more than ten seconds, as processing
//! leaves them that was never paid for.
//!
//! In: blocks of samples. Out: [`PeriodicFacts`]. Knows no files.

mod mutes;
mod rows;
#[cfg(test)]
mod tests;
mod tones;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::super::spot::ramp;
use super::super::{Spot, Spots};
use super::slabs::{Slab, Slabs};
use crate::units::Hertz;
use mutes::Mutes;
use rows::{Row, Tolerance};
use tones::Tones;

/// Periods and lengths of mutes are equal within 10 ms, those of tones within two spectra, which
/// is as near as they are measured. Own choice.
const EQUAL_S: f64 = 0.01;
const EQUAL_HOPS: u64 = 2;

/// Tones of up to the first length, in seconds, may be notes; of the second they are none that
/// stand alone. Own choice, measured on music.
const TONE_S: [f64; 2] = [0.1, 0.15];

/// A row of equal mutes, or of equal tones.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct PeriodicRow {
    pub period_s: f64,
    pub length_s: f64,
    pub count: u64,
    /// Frames with which they begin.
    pub start_frames: Vec<u64>,
    /// 0 to 1.
    pub confidence: f64,
}

/// What was found. The size of a spot is the period in seconds.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct PeriodicFacts {
    pub mutes: Option<PeriodicRow>,
    /// Tones, or bursts of noise.
    pub tones: Option<PeriodicRow>,
    /// One for each mute and each tone.
    pub spots: Spots,
}

/// The meter: quiet stretches of all channels, and sounds that are gated in a band, with equal
/// lengths and levels at equal distances. Music that repeats itself after the same time has them
/// as its own. Own method.
pub struct PeriodicMeter {
    slabs: Slabs,
    rate: f64,
    mutes: Mutes,
    tones: Tones,
}

impl PeriodicMeter {
    pub fn new(rate: Hertz, channels: usize) -> Self {
        let rate = f64::from(rate.value());
        Self {
            slabs: Slabs::new(channels, mutes::CHUNK),
            rate,
            mutes: Mutes::new(rate),
            tones: Tones::new(rate),
        }
    }

    /// Takes the next samples, `[channel][frame]`, all channels equally long.
    pub fn feed(&mut self, planes: &[&[f64]]) {
        let Self {
            slabs,
            mutes,
            tones,
            ..
        } = self;
        slabs.feed(planes, |slab| look(mutes, tones, slab));
    }

    pub fn finish(mut self) -> PeriodicFacts {
        let slab = self.slabs.slab();
        look(&mut self.mutes, &mut self.tones, &slab);
        let frames = slab.end();
        let mut spots = Spots::default();
        let of_mutes = Tolerance {
            rate: self.rate,
            frames: (EQUAL_S * self.rate) as u64,
        };
        let mutes = of_mutes.row(&self.mutes.quiet);
        let mutes = mutes.map(|row| {
            let confidence = self.confidence(&row, frames);
            self.told(&row, confidence, &mut spots)
        });
        let of_tones = Tolerance {
            rate: self.rate,
            frames: EQUAL_HOPS * self.tones.hop(),
        };
        let rows = self.tones.events().filter_map(|events| {
            let row = of_tones.row(&events)?;
            let length = (row.events[0].end - row.events[0].start) as f64 / self.rate;
            let long = ramp(length, TONE_S[0], TONE_S[1]);
            let confidence = long * self.confidence(&row, frames);
            Some((row, confidence))
        });
        let best = rows.max_by(|(a, sure), (b, surer)| {
            let by_count = a.events.len().cmp(&b.events.len());
            sure.total_cmp(surer).then(by_count)
        });
        let best = best.filter(|(_, confidence)| *confidence > 0.0);
        let tones = best.map(|(row, confidence)| self.told(&row, confidence, &mut spots));
        spots.sort();
        PeriodicFacts {
            mutes,
            tones,
            spots,
        }
    }

    fn confidence(&self, row: &Row, frames: u64) -> f64 {
        let hop = self.tones.hop() as f64;
        row.confidence(frames, self.tones.levels.repeats(row, hop))
    }

    fn told(&self, row: &Row, confidence: f64, spots: &mut Spots) -> PeriodicRow {
        let seconds = |frames: f64| frames / self.rate;
        let count = row.events.len();
        let length = row.events.iter().map(|e| (e.end - e.start) as f64);
        for event in &row.events {
            spots.push(Spot {
                start: event.start,
                end: event.end,
                channel: None,
                size: seconds(row.period),
                confidence,
                inherited: false,
                summarised: false,
            });
        }
        PeriodicRow {
            period_s: seconds(row.period),
            length_s: seconds(length.sum::<f64>() / count as f64),
            count: count as u64,
            start_frames: row.events.iter().map(|event| event.start).collect(),
            confidence,
        }
    }
}

fn look(mutes: &mut Mutes, tones: &mut Tones, slab: &Slab) {
    mutes.look(slab);
    let channels = (0..).map_while(|channel| slab.channel(channel));
    tones.feed(slab.body.len(), channels);
}
