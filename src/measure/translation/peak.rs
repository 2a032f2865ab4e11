//! A true peak that costs little: the interpolator of ITU-R BS.1770-5, Annex 2 (48-tap filter, 4 x)
//! about those samples only that come near the highest value so far.

use crate::measure::dispatch::{Largest, fast};
use crate::measure::true_peak::{Interpolator, SEARCH_TAPS, TILE};

/// About a sample more than 2.6 dB under the peak so far nothing is looked for. Own choice:
/// inter-sample peaks of music rise 1 to 2 dB over the samples about them.
const NEAR: f64 = 1.35;
/// Samples before and after the tile that the filter reaches into.
const BEFORE: usize = 7;
const AFTER: usize = 7;

pub(super) struct PeakMeter {
    phases: Vec<[f64; SEARCH_TAPS]>,
    held: Vec<f64>,
    /// Linear.
    peak: f64,
}

impl PeakMeter {
    pub(super) fn new(rate: f64) -> Self {
        let phases = Interpolator::new(rate as u32).phases;
        Self {
            phases: phases.iter().map(|taps| taps.map(f64::from)).collect(),
            held: vec![0.0; BEFORE],
            peak: 0.0,
        }
    }

    pub(super) fn feed(&mut self, samples: &[f64]) {
        self.held.extend_from_slice(samples);
        let mut at = BEFORE;
        while at + TILE + AFTER <= self.held.len() {
            let largest = fast(Largest(&self.held[at..at + TILE]));
            if largest * NEAR > self.peak {
                self.peak = self.peak.max(largest);
                self.look(at);
            }
            at += TILE;
        }
        self.held.drain(..at - BEFORE);
    }

    /// Reads between the samples about each maximum of the tile.
    fn look(&mut self, at: usize) {
        for index in at..at + TILE {
            let here = self.held[index].abs();
            let maximum = here >= self.held[index - 1].abs() && here >= self.held[index + 1].abs();
            if !maximum || here * NEAR <= self.peak {
                continue;
            }
            // A phase over x[n - 6 ..= n + 5] gives a point between n - 1 and n.
            for n in [index, index + 1] {
                let samples = &self.held[n - 6..n + 6];
                for taps in &self.phases {
                    let point: f64 = taps.iter().zip(samples).map(|(h, x)| h * x).sum();
                    self.peak = self.peak.max(point.abs());
                }
            }
        }
    }

    /// Silence follows.
    pub(super) fn finish(&mut self) -> f64 {
        self.feed(&[0.0; TILE + AFTER]);
        self.peak
    }
}
