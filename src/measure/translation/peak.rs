//! A true peak that costs little: the interpolator of ITU-R BS.1770-5, Annex 2 (48-tap filter, 4 x)
//! about those samples only that come near the highest value so far.

use crate::measure::true_peak::{Interpolator, SEARCH_TAPS, TILE};
use crate::vector::{Work, fast};

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

/// Phases that are computed side by side; at high rates the filter has fewer, the rest is 0.
const PHASES: usize = 4;

pub(super) struct PeakMeter {
    /// `[tap][phase]`
    taps: [[f64; PHASES]; SEARCH_TAPS],
    /// The last samples, which still wait for those after them.
    tail: [f32; SEAM],
    /// Linear, so far.
    pub(super) peak: f64,
}

impl PeakMeter {
    pub(super) fn new(rate: f64) -> Self {
        let phases = Interpolator::new(rate as u32).phases;
        let tap = |tap: usize| {
            std::array::from_fn(|phase| phases.get(phase).map_or(0.0, |taps| taps[tap].into()))
        };
        Self {
            taps: std::array::from_fn(tap),
            tail: [0.0; SEAM],
            peak: 0.0,
        }
    }

    /// Takes whole tiles, without holding them: a tile is read as soon as the samples after it
    /// are there, so that what is read lies `AFTER` samples back.
    pub(super) fn feed(&mut self, samples: &[f32]) {
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

    fn window(&mut self, window: &[f32]) {
        let largest = f64::from(fast(Largest(&window[BEFORE..BEFORE + TILE])));
        if self.near(largest) {
            let window: [f64; REACH] = std::array::from_fn(|index| window[index].into());
            self.look(&window, largest);
        }
    }

    /// Whether a tile with that largest sample is worth a look.
    pub(super) fn near(&self, largest: f64) -> bool {
        largest * NEAR > self.peak
    }

    /// Reads between the samples about each maximum of the tile in the middle of the window.
    pub(super) fn look(&mut self, window: &[f64; REACH], largest: f64) {
        self.peak = self.peak.max(largest);
        for index in BEFORE..BEFORE + TILE {
            let here = window[index].abs();
            let maximum = here >= window[index - 1].abs() && here >= window[index + 1].abs();
            if !maximum || here * NEAR <= self.peak {
                continue;
            }
            // A phase over x[n - 6 ..= n + 5] gives a point between n - 1 and n.
            for n in [index, index + 1] {
                let samples = &window[n - SEARCH_TAPS / 2..n + SEARCH_TAPS / 2];
                let top = fast(Between(samples, &self.taps));
                self.peak = self.peak.max(top);
            }
        }
    }

    /// Silence follows.
    pub(super) fn finish(&mut self) -> f64 {
        self.feed(&[0.0; TILE]);
        self.peak
    }
}

/// The largest magnitude that the filter's phases give at one place.
struct Between<'a>(&'a [f64], &'a [[f64; PHASES]; SEARCH_TAPS]);

impl Work for Between<'_> {
    type Output = f64;

    #[inline(always)]
    fn work(self) -> f64 {
        let mut points = [0.0; PHASES];
        for (sample, taps) in self.0.iter().zip(self.1) {
            for phase in 0..PHASES {
                points[phase] += taps[phase] * sample;
            }
        }
        points
            .iter()
            .fold(0.0, |top: f64, point| top.max(point.abs()))
    }
}

/// Largest magnitude.
struct Largest<'a>(&'a [f32]);

impl Work for Largest<'_> {
    type Output = f32;

    #[inline(always)]
    fn work(self) -> f32 {
        let mut lanes = [0.0f32; 8];
        let (rows, rest) = self.0.as_chunks::<8>();
        for row in rows {
            for (lane, value) in lanes.iter_mut().zip(row) {
                let magnitude = value.abs();
                *lane = if magnitude > *lane { magnitude } else { *lane };
            }
        }
        let rest = rest.iter().fold(0.0f32, |top, value| top.max(value.abs()));
        lanes.iter().fold(rest, |top, &lane| top.max(lane))
    }
}
