//! The start: music that was sounding before the file began, or an attack that begins in it.
//!
//! In: steps of 10 ms. Out: the first step, the level behind it, and how sure a cut is.

use super::{SOUND, decibels, first_sound};
use crate::measure::stretches::mean_square;
use crate::units::{Dbfs, Hertz};

/// A start is a cut only if its first step is over this, in dBFS. Common practice, no source.
const SMALLEST_STEP_DBFS: f64 = -40.0;

/// An attack rises: its first millisecond is so much under its first 10 ms, in dB. Own choice,
/// measured on music cut at random places (at most 8) and on faded starts (over 20).
const RISE_DB: f64 = 10.0;

/// A stroke decays: its first 10 ms are so much over what follows 200 ms later, in dB. Own
/// choice: music cut at random places stays within 8.
const DECAY_DB: f64 = 11.0;

/// Music that sounds starts with a sample near its level; a first sample far under it is more
/// often the foot of an attack. In dB against the first 10 ms, own choice.
const STEP_UNDER_DB: [f64; 2] = [6.0, 14.0];

/// Steps of which the level is kept: 600 ms.
const STEPS: usize = 60;

pub(super) struct Start {
    millisecond: usize,
    levels: Vec<f64>,
    /// Largest of the first three sounding samples, and the mean square of the first
    /// millisecond from there.
    first: Option<(f64, f64)>,
}

/// What the start looks like.
pub(super) struct Found {
    pub first_step: Option<Dbfs>,
    /// Mean square of the first 10 ms.
    pub level: f64,
    pub confidence: f64,
}

impl Start {
    pub(super) fn new(rate: Hertz) -> Self {
        Self {
            millisecond: (rate.value() as usize).div_ceil(1000),
            levels: Vec::with_capacity(STEPS),
            first: None,
        }
    }

    /// `level`: the loudest channel's mean square.
    pub(super) fn step(&mut self, planes: &[&[f64]], level: f64) {
        if self.levels.is_empty() {
            self.first = first_sound(planes).map(|at| self.onset(planes, at));
        }
        if self.levels.len() < STEPS {
            self.levels.push(level);
        }
    }

    fn onset(&self, planes: &[&[f64]], at: usize) -> (f64, f64) {
        let frames = planes.first().map_or(0, |plane| plane.len());
        let (few, many) = (frames.min(at + 3), frames.min(at + self.millisecond));
        let largest = planes
            .iter()
            .flat_map(|plane| &plane[at..few])
            .fold(0.0f64, |most, v| most.max(v.abs()));
        let level = planes
            .iter()
            .map(|plane| mean_square(&plane[at..many]))
            .fold(0.0, f64::max);
        (largest, level)
    }

    /// `None` where the first 10 ms hold no sound.
    pub(super) fn found(&self) -> Option<Found> {
        let (step, millisecond) = self.first.filter(|(step, _)| *step > SOUND)?;
        let level = *self.levels.first()?;
        let later = &self.levels[self.levels.len().min(20)..];
        let later = later.iter().sum::<f64>() / later.len().max(1) as f64;
        let first_step = Dbfs::from_linear(step);
        let loud = first_step.is_some_and(|step| step.value() > SMALLEST_STEP_DBFS);
        let rises = decibels(level) - decibels(millisecond) > RISE_DB;
        let decays = decibels(level) - decibels(later) > DECAY_DB;
        let under = decibels(level) - decibels(step * step);
        let confidence = match (loud, rises, decays) {
            (false, ..) => 0.0,
            (true, true, _) => 0.2,
            (true, false, true) => 0.4,
            (true, false, false) if under < STEP_UNDER_DB[0] => 0.65,
            (true, false, false) if under < STEP_UNDER_DB[1] => 0.5,
            (true, false, false) => 0.35,
        };
        Some(Found {
            first_step,
            level,
            confidence,
        })
    }
}
