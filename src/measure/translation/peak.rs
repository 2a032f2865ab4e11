//! A true peak that costs little: the search of ITU-R BS.1770-5, Annex 2 (48-tap filter, 4 x),
//! only where the samples come near the highest value so far.

use crate::measure::dispatch::{Found, Largest, Search, fast};
use crate::measure::true_peak::{Interpolator, SEARCH_TAPS, TILE, WINDOW};

/// A tile whose largest sample is more than 2.6 dB under the peak so far is not looked at. Own
/// choice: inter-sample peaks of music rise 1 to 2 dB over the samples about them.
const NEAR: f64 = 1.35;

pub(super) struct PeakMeter {
    phases: Vec<[f32; SEARCH_TAPS]>,
    level: Vec<f32>,
    held: Vec<f64>,
    /// Linear.
    pub peak: f64,
}

impl PeakMeter {
    pub(super) fn new(rate: f64) -> Self {
        let phases = Interpolator::new(rate as u32).phases;
        Self {
            level: vec![1.0; phases.len()],
            phases,
            held: vec![0.0; WINDOW - TILE],
            peak: 0.0,
        }
    }

    pub(super) fn feed(&mut self, samples: &[f64]) {
        self.held.extend_from_slice(samples);
        let mut at = 0;
        while at + WINDOW <= self.held.len() {
            let window = &self.held[at..at + WINDOW];
            let largest = fast(Largest(window));
            if largest * NEAR > self.peak {
                let mut found = Found::new();
                fast(Search {
                    window,
                    phases: &self.phases,
                    level: &self.level,
                    found: &mut found,
                });
                self.peak = self.peak.max(largest).max(f64::from(found.top));
            }
            at += TILE;
        }
        self.held.drain(..at);
    }

    /// Silence follows.
    pub(super) fn finish(&mut self) -> f64 {
        self.feed(&[0.0; WINDOW + TILE]);
        self.peak
    }
}
