//! The exact second look at one place of one channel.
//!
//! In: two thousand samples with the suspected place in the middle. Out: a [`Finding`]: how far
//! the place stands out of what prediction leaves elsewhere, how much of that is explained by a
//! disturbance added to a few samples, and what the music does before and after. No opinion.

use super::prediction::{
    Autocorrelation, Differences, Energy, Errors, Magnitude, Matched, Top, WIDEST, error_filter,
    excise, padding,
};
use super::seams::BothWays;
use crate::vector::fast;

/// Samples on each side of the place; 23 ms at 44.1 kHz.
pub(super) const SIDE: usize = 1024;
/// Order of the predictor after the second difference. S. J. Godsill and P. J. W. Rayner,
/// "Digital Audio Restoration", 1998, use 20 to 40 for music (from memory).
const ORDER: usize = 30;
/// Order with the second difference counted in.
pub(super) const FULL: usize = ORDER + 2;
/// Left out around the place while the predictor is fitted.
const HIDDEN: usize = 20;
/// How far from the place the disturbance may begin or end.
const REACH: usize = 40;
/// Next to the place: samples that belong to it.
const OWN: usize = 24;
/// Samples on each side that tell what prediction leaves when nothing happens.
const ROUND: usize = 768;
/// Next to the place: where an onset goes on and a click does not.
const CLOSE: usize = 96;
const TAPER: usize = 256;
/// Energy at the place beyond that of the surroundings under which nothing is found.
const FAINT: f64 = 100.0;
/// Findings under both are music, whatever their company: energy over the surroundings.
const FAINT_CLICK: f64 = 100.0;
const FAINT_SPLICE: f64 = 1000.0;
/// Stands for the mean square of nothing, far under one step of 24 bit.
const SILENT: f64 = 1e-16;
/// The same for magnitudes.
const HUSHED: f64 = 1e-8;

/// What the second look found. Energies are those of the prediction error.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Finding {
    /// First disturbed sample relative to the place.
    pub first: isize,
    /// Disturbed samples, 1 to [`WIDEST`].
    pub width: usize,
    /// Largest magnitude that was added to a sample, linear.
    pub added: f64,
    /// What was added is a pulse or goes up and down; else it is a ramp, as a step makes it.
    pub pulse: bool,
    /// The samples took the top off a wave.
    pub clipping: bool,
    /// Energy that replacing the samples takes out, over the mean square elsewhere.
    pub explained: f64,
    /// Mean square that stays at the place, over the mean square elsewhere.
    pub left: f64,
    /// All energy at the place, over the mean square elsewhere.
    pub burst: f64,
    /// Mean magnitude close before and close after, over that farther away on the louder side.
    pub close_before: f64,
    pub close_after: f64,
    /// Mean square of the error after over before.
    pub rise: f64,
    /// Mean square of the samples after over before.
    pub louder: f64,
    /// Largest added sample over the surroundings' root mean square, both high-passed at 8 kHz.
    pub over_8_khz: f64,
    /// What follows or what comes before is a copy of something earlier, to the last bit.
    pub copied: bool,
    /// Equal samples in a row next to the place.
    pub flat: usize,
    /// Root mean square on the louder side, linear.
    pub level: f64,
}

/// Room for one look, kept to be used again.
pub(super) struct Analyst {
    window: Vec<f32>,
    weighted: Vec<f32>,
    differences: Vec<f32>,
    errors: Vec<f32>,
    /// The same from what follows.
    backward: Vec<f32>,
    high_pass: [Biquad; 2],
}

impl Analyst {
    pub(super) fn new(rate: f64) -> Self {
        let mut window = vec![1.0f32; 2 * SIDE];
        for n in 0..TAPER {
            let phase = std::f64::consts::PI * (n as f64 + 0.5) / TAPER as f64;
            let value = (0.5 - 0.5 * phase.cos()) as f32;
            window[n] = value;
            window[2 * SIDE - 1 - n] = value;
        }
        Self {
            window,
            weighted: vec![0.0; 2 * SIDE + padding(ORDER + 1)],
            differences: vec![0.0; 2 * SIDE],
            errors: vec![0.0; 2 * SIDE - ORDER],
            backward: vec![0.0; 2 * SIDE - ORDER],
            high_pass: butterworth_high_pass(8000.0, rate),
        }
    }

    /// Looks at `samples[2 + SIDE]`; `samples.len() == 2 + 2 * SIDE`. `None` where nothing stands
    /// out after all, or nothing sounds.
    pub(super) fn look(&mut self, samples: &[f64]) -> Option<Finding> {
        let middle = SIDE;
        let top = self.differ(samples)?;
        let filter = self.fit(middle);
        let (errors, offset) = (&self.errors, ORDER);
        // errors[n - offset] belongs to differences[n], and that to samples[n + 2].
        let at = |range: std::ops::Range<usize>| &errors[range.start - offset..range.end - offset];
        let square = |range: std::ops::Range<usize>| -> f64 {
            fast(Energy(at(range.clone()))) / range.len().max(1) as f64
        };
        let before = square(middle - ROUND..middle - OWN);
        let after = square(middle + OWN + FULL..middle + ROUND);
        let elsewhere = before.max(after).max(SILENT);

        let around = middle - REACH..middle + REACH + FULL;
        let excess = (square(around.clone()) / elsewhere - 1.0) * around.len() as f64;
        if excess < FAINT {
            return None;
        }

        // The whole filter from samples to errors: predictor after second difference.
        let mut whole = [0.0f64; FULL + 1];
        for (k, &weight) in filter.iter().enumerate() {
            whole[k] += weight;
            whole[k + 1] -= 2.0 * weight;
            whole[k + 2] += weight;
        }
        let mut overlap = [0.0f64; WIDEST];
        for (lag, sum) in overlap.iter_mut().enumerate() {
            *sum = (0..=FULL - lag).map(|k| whole[k] * whole[k + lag]).sum();
        }

        let magnitude = |range: std::ops::Range<usize>| -> f64 {
            fast(Magnitude(at(range.clone()))) / range.len().max(1) as f64
        };
        // The matched filter at every sample near the place.
        let first_sought = middle - REACH;
        let mut correlation = [0.0f64; 2 * REACH];
        fast(Matched {
            filter: &whole,
            errors: at(first_sought..first_sought + 2 * REACH + FULL),
            sums: &mut correlation,
        });
        let excision = excise(&correlation, &overlap, 16.0 * elsewhere)?;
        let first = first_sought + excision.first;
        let end = first + excision.width;
        let affected = first..end + FULL;
        let there = fast(Energy(at(affected.clone())));
        if is_faint(excision.explained / elsewhere, there / elsewhere) {
            return None;
        }
        let left = (there - excision.explained).max(0.0) / affected.len() as f64;

        let far = magnitude(middle - ROUND..first - CLOSE - 4)
            .max(magnitude(end + FULL + CLOSE..middle + ROUND))
            .max(HUSHED);
        let close_before = magnitude(first - CLOSE - 2..first - 2);
        let close_after = magnitude(end + FULL..end + FULL + CLOSE);

        let added = excision.added[..excision.width]
            .iter()
            .fold(0.0f64, |top, v| top.max(v.abs()));
        // Tops taken off: every disturbed sample lies at the wave's limit, and was beyond it.
        let limit = samples[middle + 2 - ROUND..middle + 2 + ROUND]
            .iter()
            .fold(0.0f64, |top, v| top.max(v.abs()));
        let clipping = (0..excision.width)
            .filter(|&k| excision.added[k].abs() > 0.3 * added)
            .all(|k| {
                let sample = samples[first + 2 + k];
                let disturbance = excision.added[k] * top;
                let meant = sample - disturbance;
                meant.abs() > sample.abs() && sample.abs() > 0.8 * limit
            });

        let mean_square = |range: std::ops::Range<usize>| -> f64 {
            let length = range.len().max(1) as f64;
            samples[range].iter().map(|v| v * v).sum::<f64>() / length
        };
        let level_before = mean_square(2 + middle - ROUND..2 + first - 2);
        let level_after = mean_square(2 + end + 2..2 + middle + ROUND);

        // What a high-pass leaves.
        let [one, two] = &self.high_pass;
        let (mut states, mut sum, mut count) = ([[0.0f64; 2]; 2], 0.0, 0usize);
        for (n, &sample) in samples.iter().enumerate() {
            let index = n as isize - 2 - first as isize;
            let disturbance = usize::try_from(index)
                .ok()
                .and_then(|k| excision.added[..excision.width].get(k))
                .map_or(0.0, |v| v * top);
            let mut value = sample - disturbance;
            value = one.step(&mut states[0], value);
            value = two.step(&mut states[1], value);
            if n > 256 && !(first + 2 - 4..end + 2 + 40).contains(&n) {
                sum += value * value;
                count += 1;
            }
        }
        let surroundings = (sum / count.max(1) as f64).sqrt().max(HUSHED);
        let (mut states, mut heard) = ([[0.0f64; 2]; 2], 0.0f64);
        for n in 0..excision.width + 32 {
            let mut value = excision.added[..excision.width]
                .get(n)
                .map_or(0.0, |v| v * top);
            value = one.step(&mut states[0], value);
            value = two.step(&mut states[1], value);
            heard = heard.max(value.abs());
        }

        // Equal samples in a row close to the place: holes and holds are not ours.
        let mut flat = 0;
        let mut run = 0;
        for pair in samples[first + 2 - 16..end + 2 + 16].windows(2) {
            run = if pair[0] == pair[1] { run + 1 } else { 0 };
            flat = flat.max(run);
        }

        Some(Finding {
            first: first as isize - middle as isize,
            width: excision.width,
            added: added * top,
            pulse: is_pulse(&excision.added[..excision.width]),
            clipping,
            explained: excision.explained / elsewhere,
            left: left / elsewhere,
            burst: there / elsewhere,
            close_before: close_before / far,
            close_after: close_after / far,
            rise: after.max(SILENT) / before.max(SILENT),
            louder: level_after.max(SILENT) / level_before.max(SILENT),
            over_8_khz: heard / surroundings,
            copied: false,
            flat: if elsewhere > SILENT { flat } else { 0 },
            level: level_before.max(level_after).sqrt(),
        })
    }

    /// Takes the differences of `samples`, scaled to their largest magnitude, which comes back;
    /// `None` where nothing sounds.
    fn differ(&mut self, samples: &[f64]) -> Option<f64> {
        let top = fast(Top(samples));
        if top == 0.0 {
            return None;
        }
        fast(Differences {
            signal: samples,
            scale: 1.0 / top,
            into: &mut self.differences,
        });
        Some(top)
    }

    /// The prediction errors both ways around `samples[2 + SIDE]`; `samples.len() == 2 + 2 * SIDE`.
    /// `None` where nothing sounds.
    pub(super) fn both_ways(&mut self, samples: &[f64]) -> Option<BothWays<'_>> {
        self.differ(samples)?;
        // Forward and backward predictor of a stationary signal are one, turned round.
        let mut turned = self.fit(SIDE).map(|v| v as f32);
        turned.reverse();
        fast(Errors {
            signal: &self.differences,
            filter: &turned,
            errors: &mut self.backward,
        });
        Some(BothWays {
            forward: &self.errors,
            backward: &self.backward,
            middle_forward: 2 + SIDE - FULL,
            middle_backward: 2 + SIDE,
        })
    }

    /// Fits the predictor to both sides with the place hidden, and fills in the errors.
    fn fit(&mut self, middle: usize) -> [f64; ORDER + 1] {
        let hidden = middle - HIDDEN..middle + HIDDEN;
        let differences = self.differences.iter().zip(&self.window);
        for (weighted, (difference, window)) in self.weighted.iter_mut().zip(differences) {
            *weighted = difference * window;
        }
        self.weighted[hidden].fill(0.0);
        let mut sums = [0.0; ORDER + 1];
        fast(Autocorrelation {
            padded: &self.weighted,
            length: 2 * SIDE,
            sums: &mut sums,
        });
        let mut filter = [0.0; ORDER + 1];
        error_filter(&sums, &mut filter);
        let single = filter.map(|v| v as f32);
        fast(Errors {
            signal: &self.differences,
            filter: &single,
            errors: &mut self.errors,
        });
        filter
    }
}

/// Neither a click nor a splice could come of it.
fn is_faint(explained: f64, burst: f64) -> bool {
    explained < FAINT_CLICK && burst < FAINT_SPLICE
}

/// True where the added samples are all of one height or change their sign from each to the next.
/// What bridges a step in the wave is a ramp on one or both sides of it. Own choice, measured on
/// splices at random places of music.
fn is_pulse(added: &[f64]) -> bool {
    let top = added.iter().fold(0.0f64, |top, v| top.max(v.abs()));
    let mut last: Option<f64> = None;
    let (mut same, mut alternating, mut least) = (0, 0, top);
    for &value in added.iter().filter(|v| v.abs() > 0.2 * top) {
        if let Some(last) = last {
            if last * value > 0.0 {
                same += 1;
            } else {
                alternating += 1;
            }
        }
        last = Some(value);
        least = least.min(value.abs());
    }
    same == 0 || (alternating == 0 && least > 0.7 * top)
}

/// A second-order section in transposed direct form II.
#[derive(Clone, Copy)]
struct Biquad {
    forward: [f64; 3],
    back: [f64; 2],
}

impl Biquad {
    fn step(&self, state: &mut [f64; 2], value: f64) -> f64 {
        let out = self.forward[0] * value + state[0];
        state[0] = self.forward[1] * value - self.back[0] * out + state[1];
        state[1] = self.forward[2] * value - self.back[1] * out;
        out
    }
}

/// Fourth-order Butterworth high-pass by the bilinear transform (textbook).
fn butterworth_high_pass(edge: f64, rate: f64) -> [Biquad; 2] {
    let warped = (std::f64::consts::PI * (edge / rate).min(0.45)).tan();
    let section = |quality: f64| {
        let norm = 1.0 / (1.0 + warped / quality + warped * warped);
        Biquad {
            forward: [norm, -2.0 * norm, norm],
            back: [
                2.0 * (warped * warped - 1.0) * norm,
                (1.0 - warped / quality + warped * warped) * norm,
            ],
        }
    };
    // Poles of a fourth-order Butterworth at 22.5 and 67.5 degrees: Q = 1 / (2 cos).
    [section(0.541_196_1), section(1.306_563)]
}
