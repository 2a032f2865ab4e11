//! The shape of a fade at the end: how long, how deep, how even.
//!
//! In: mean squares of 10 ms steps up to the last sound. Out: what falls without rising again.

use std::collections::VecDeque;

use super::decibels;

/// Steps in a mean: 400 ms, as in momentary loudness; music breathes within it.
const MEAN_STEPS: usize = 40;

/// By how much a mean may be over the one before within a fade, in dB. Own choice: notes still
/// begin while it lasts.
const RISE_DB: f64 = 1.0;

/// Least depth of a fade, in dB. Own choice.
const DEPTH_DB: f64 = 12.0;

pub(super) struct Fade {
    pub length_s: f64,
    pub depth_db: f64,
    pub largest_step_db: f64,
}

impl Fade {
    /// `None` where the end does not fall by 12 dB.
    pub(super) fn of(levels: &VecDeque<f64>) -> Option<Self> {
        let back: Vec<f64> = levels.iter().rev().copied().collect();
        let means: Vec<f64> = back
            .chunks_exact(MEAN_STEPS)
            .map(|part| decibels(part.iter().sum::<f64>() / MEAN_STEPS as f64))
            .collect();
        let steps = means
            .windows(2)
            .map(|pair| pair[1] - pair[0])
            .take_while(|step| *step > -RISE_DB);
        let (mut height, mut depth, mut length) = (0.0, 0.0, 0);
        let (mut largest, mut largest_in_fade) = (0.0f64, 0.0);
        for (index, step) in steps.enumerate() {
            height += step;
            largest = largest.max(step);
            // The level before a fade wanders: the fade begins at the top.
            if height > depth + RISE_DB {
                (depth, length, largest_in_fade) = (height, index + 1, largest);
            }
        }
        (depth >= DEPTH_DB).then(|| Self {
            length_s: length as f64 * MEAN_STEPS as f64 / 100.0,
            depth_db: depth,
            largest_step_db: largest_in_fade,
        })
    }
}
