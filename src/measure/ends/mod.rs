//! How the programme starts and ends: cut into sounding music, cut off, or faded to the floor.
//!
//! In: samples. Out: facts on both ends, and the places that look like faults with a confidence.
//! A track that runs on from the one before it, or into the next, is cut in the same way on
//! purpose: one file cannot tell, so the confidence stays moderate.

mod fade;
mod start;
mod tail;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::spot::{Spot, Spots};
use super::stretches::{Stretches, is_black, mean_square};
use crate::units::{Dbfs, Hertz, Seconds};
use fade::Fade;
use start::Start;
use tail::Tail;

/// Samples under this are not the programme's, linear: dither of 16 bits reaches 2^-14.
const SOUND: f64 = 1.0 / 8192.0;

/// Looks at both ends of the programme in steps of 10 ms. Own method; the levels named at the
/// thresholds are where the trade draws the lines.
pub struct EndsMeter {
    stretches: Stretches,
    ends: Ends,
}

struct Ends {
    start: Start,
    tail: Tail,
    frames: u64,
}

/// What [`EndsMeter`] found.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct EndsFacts {
    pub figures: EndsFigures,
    /// A start within sounding music: at most one place, at the start. Size: the first step
    /// in dBFS.
    pub abrupt_start: Spots,
    /// A file that ends within sounding music: at most one place, at the end. Size: the level
    /// of the last 10 ms in dBFS.
    pub cut_tail: Spots,
    /// A fade or a decay that stops before it is gone: at most one place, at the last sound.
    /// Size: the level of the last 50 ms in dBFS.
    pub chopped_tail: Spots,
}

/// Levels and shapes at the two ends; levels are RMS of the loudest channel.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct EndsFigures {
    /// Largest of the first three samples that sound (all channels), if they come within the
    /// first 10 ms.
    pub first_step_dbfs: Option<Dbfs>,
    /// Level of the first 10 ms with sound.
    pub start_level_dbfs: Option<Dbfs>,
    /// Level of the last 10 ms with sound.
    pub end_level_dbfs: Option<Dbfs>,
    /// How far the level of the last second falls per second; negative where it rises.
    pub end_slope_db_per_s: Option<f64>,
    /// At that slope, how long until -80 dBFS; `None` where the level does not fall, 0 where it
    /// is there.
    pub left_until_silence_s: Option<Seconds>,
    /// From the last sound over -78 dBFS to the end of the file.
    pub after_sound_s: Seconds,
    /// A fade or decay at the end: `None` unless the level falls by 12 dB without rising again.
    pub fade: Option<FadeFigures>,
}

/// The shape of the fade at the end, in means of 400 ms.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct FadeFigures {
    /// Within the last 20 s.
    pub length_s: Seconds,
    pub depth_db: f64,
    /// Largest fall from one mean to the next.
    pub largest_step_db: f64,
}

impl EndsMeter {
    pub fn new(rate: Hertz, channels: usize) -> Self {
        let step = (rate.value() as usize).div_ceil(100);
        Self {
            stretches: Stretches::new(step, channels),
            ends: Ends {
                start: Start::new(rate),
                tail: Tail::new(rate, step, channels),
                frames: 0,
            },
        }
    }

    /// Takes the next samples, `[channel][frame]`, all channels equally long.
    pub fn feed(&mut self, planes: &[&[f64]]) {
        let ends = &mut self.ends;
        self.stretches.feed(planes, |planes| ends.step(planes));
    }

    /// Ends the programme.
    pub fn finish(mut self) -> EndsFacts {
        let ends = &mut self.ends;
        self.stretches.finish(|planes| ends.step(planes));
        self.ends.facts()
    }
}

impl Ends {
    fn step(&mut self, planes: &[&[f64]]) {
        let level = planes
            .iter()
            .map(|plane| {
                if is_black(plane) {
                    0.0
                } else {
                    mean_square(plane)
                }
            })
            .fold(0.0, f64::max);
        self.start.step(planes, level);
        self.tail.step(planes, level);
        self.frames += planes.first().map_or(0, |plane| plane.len()) as u64;
    }

    fn facts(&self) -> EndsFacts {
        let mut facts = EndsFacts::default();
        if let Some(start) = self.start.found() {
            facts.figures.first_step_dbfs = start.first_step;
            facts.figures.start_level_dbfs = Dbfs::from_linear(start.level.sqrt());
            if let (true, Some(step)) = (start.confidence > 0.0, start.first_step) {
                let spot = spot(0, step.value(), start.confidence);
                facts.abrupt_start.push(spot);
            }
        }
        let Some(end) = self.tail.end(self.frames) else {
            return facts;
        };
        facts.figures.end_level_dbfs = Dbfs::from_linear(end.last_10_ms.sqrt());
        facts.figures.end_slope_db_per_s = end.slope;
        facts.figures.left_until_silence_s = end.left_until_silence().map(Seconds);
        facts.figures.after_sound_s = Seconds(end.after_s);
        facts.figures.fade = Fade::of(self.tail.levels()).map(|fade| FadeFigures {
            length_s: Seconds(fade.length_s),
            depth_db: fade.depth_db,
            largest_step_db: fade.largest_step_db,
        });
        let cut = end.cut();
        if cut > 0.0 {
            let size = decibels(end.last_10_ms);
            facts.cut_tail.push(spot(end.frame, size, cut));
        }
        let chopped = end.chopped();
        if chopped > 0.0 {
            let size = decibels(end.last_50_ms);
            facts.chopped_tail.push(spot(end.frame, size, chopped));
        }
        facts
    }
}

fn spot(frame: u64, size: f64, confidence: f64) -> Spot {
    Spot {
        start: frame,
        end: frame,
        channel: None,
        size,
        confidence,
        inherited: false,
        summarised: false,
    }
}

/// Of a mean square, full scale = 1.0; -200 for silence.
fn decibels(mean_square: f64) -> f64 {
    10.0 * mean_square.max(1e-20).log10()
}

/// The first and the last frame over [`SOUND`] in any channel.
fn first_sound(planes: &[&[f64]]) -> Option<usize> {
    let first = |plane: &&[f64]| plane.iter().position(|v| v.abs() > SOUND);
    planes.iter().filter_map(first).min()
}

fn last_sound(planes: &[&[f64]]) -> Option<usize> {
    let last = |plane: &&[f64]| plane.iter().rposition(|v| v.abs() > SOUND);
    planes.iter().filter_map(last).max()
}

#[cfg(test)]
mod tests;
