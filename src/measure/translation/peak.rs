//! A true peak that costs little: the interpolator of ITU-R BS.1770-5, Annex 2 (48-tap filter, 4 x)
//! about those samples only that come near the highest value so far.

use crate::measure::dispatch::{Largest, fast};
use crate::measure::true_peak::{Interpolator, SEARCH_TAPS, TILE};

/// About a sample more than 2.6 dB under the peak so far nothing is looked for. Own choice:
/// inter-sample peaks of music rise 1 to 2 dB over the samples about them.
const NEAR: f64 = 1.35;
/// Samples before and after the tile that the filter reaches into.
pub(super) const BEFORE: usize = 7;
const AFTER: usize = 7;

/// A tile and what the filter reaches into.
pub(super) const REACH: usize = BEFORE + TILE + AFTER;
/// Samples that two windows have in common.
pub(super) const SEAM: usize = BEFORE + AFTER;

pub(super) struct PeakMeter {
    phases: Vec<[f64; SEARCH_TAPS]>,
    /// The last samples, which still wait for those after them.
    tail: [f64; SEAM],
    /// Linear, so far.
    pub(super) peak: f64,
}

impl PeakMeter {
    pub(super) fn new(rate: f64) -> Self {
        let phases = Interpolator::new(rate as u32).phases;
        Self {
            phases: phases.iter().map(|taps| taps.map(f64::from)).collect(),
            tail: [0.0; SEAM],
            peak: 0.0,
        }
    }

    /// Takes whole tiles, without holding them: a tile is read as soon as the samples after it
    /// are there, so that what is read lies `AFTER` samples back.
    pub(super) fn feed(&mut self, samples: &[f64]) {
        let mut seam = [0.0; REACH];
        seam[..SEAM].copy_from_slice(&self.tail);
        seam[SEAM..].copy_from_slice(&samples[..TILE]);
        self.window(&seam);
        let mut at = TILE - SEAM;
        while at + REACH <= samples.len() {
            self.window(&samples[at..at + REACH]);
            at += TILE;
        }
        self.tail.copy_from_slice(&samples[samples.len() - SEAM..]);
    }

    fn window(&mut self, window: &[f64]) {
        let largest = fast(Largest(&window[BEFORE..BEFORE + TILE]));
        if self.near(largest) {
            self.look(window, largest);
        }
    }

    /// Whether a tile with that largest sample is worth a look.
    pub(super) fn near(&self, largest: f64) -> bool {
        largest * NEAR > self.peak
    }

    /// Reads between the samples about each maximum of the tile in the middle of the window.
    pub(super) fn look(&mut self, window: &[f64], largest: f64) {
        self.peak = self.peak.max(largest);
        for index in BEFORE..BEFORE + TILE {
            let here = window[index].abs();
            let maximum = here >= window[index - 1].abs() && here >= window[index + 1].abs();
            if !maximum || here * NEAR <= self.peak {
                continue;
            }
            // A phase over x[n - 6 ..= n + 5] gives a point between n - 1 and n.
            for n in [index, index + 1] {
                let samples = &window[n - 6..n + 6];
                for taps in &self.phases {
                    let point: f64 = taps.iter().zip(samples).map(|(h, x)| h * x).sum();
                    self.peak = self.peak.max(point.abs());
                }
            }
        }
    }

    /// Silence follows.
    pub(super) fn finish(&mut self) -> f64 {
        self.feed(&[0.0; TILE]);
        self.peak
    }
}
