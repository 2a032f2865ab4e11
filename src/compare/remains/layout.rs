//! The frames, bands and knots that all tracks of one comparison share.
//!
//! In: the sample rate. Out: which bins of a spectrum belong to which band, and how a gain that is
//! known at a few knots is drawn over all bins.

use std::f32::consts::TAU;
use std::ops::Range;

/// Edges of the bands in which remainders are told, in Hz. Own choice: about an octave below 700
/// Hz, two thirds of one above.
pub(super) const EDGES_HZ: [f64; BANDS + 1] = [
    40.0, 150.0, 350.0, 700.0, 1_200.0, 2_000.0, 3_200.0, 5_000.0, 8_000.0, 12_500.0, 20_000.0,
];
pub(super) const BANDS: usize = 10;
/// Bands below this one hold so few bins that steep filters and fast gain leave residue there.
pub(super) const FIRST_FINE: usize = 2;
/// From here on a click is far stronger than music.
pub(super) const FIRST_HIGH: usize = 7;

/// Where the gain of one frame is free, in Hz; between them it is linear. As far apart as the
/// crossovers of a multiband compressor.
const KNOTS_HZ: [f64; KNOTS] = [
    0.0, 150.0, 350.0, 700.0, 1_200.0, 2_000.0, 3_200.0, 5_000.0, 8_000.0, 12_500.0, 24_000.0,
];
pub(super) const KNOTS: usize = 11;

/// Share of a bin's frequency over which the static equaliser is taken to be smooth, either way.
/// Own measurement: with more, bells of 4 dB leave residue; with less, a lost part is learnt.
const SMOOTH: f64 = 0.04;
/// The same for the level that evens out the weight of the bins.
const EVEN: f64 = 0.1;

/// Where a bin lies between two knots.
#[derive(Clone, Copy, Debug)]
pub(super) struct Between {
    pub(super) knot: usize,
    /// Share of the knot above.
    pub(super) above: f32,
}

#[derive(Debug)]
pub(super) struct Layout {
    pub(super) sample_rate: u32,
    /// Frames of one window, some 43 ms, and from one window to the next: half of that.
    pub(super) size: usize,
    pub(super) hop: usize,
    pub(super) bins: usize,
    pub(super) window: Vec<f32>,
    pub(super) bands: [Range<usize>; BANDS],
    pub(super) between: Vec<Between>,
    pub(super) smooth: Vec<Range<usize>>,
    pub(super) even: Vec<Range<usize>>,
}

impl Layout {
    pub(super) fn new(sample_rate: u32) -> Self {
        // 2048 at 44.1 and 48 kHz.
        let size = (sample_rate as usize / 24).next_power_of_two().max(256);
        let bins = size / 2 + 1;
        let hertz = |bin: usize| bin as f64 * f64::from(sample_rate) / size as f64;
        let bin = |hertz: f64| {
            let bin = (hertz * size as f64 / f64::from(sample_rate)).ceil();
            (bin as usize).min(bins)
        };
        let between = (0..bins).map(|bin| {
            let above = KNOTS_HZ.partition_point(|&knot| knot <= hertz(bin));
            let knot = (above - 1).min(KNOTS - 2);
            let width = KNOTS_HZ[knot + 1] - KNOTS_HZ[knot];
            let share = ((hertz(bin) - KNOTS_HZ[knot]) / width).min(1.0);
            Between {
                knot,
                above: share as f32,
            }
        });
        let around = |least: usize, share: f64| {
            let ranges = (0..bins).map(|bin| {
                let width = least.max((bin as f64 * share) as usize);
                bin.saturating_sub(width)..(bin + width + 1).min(bins)
            });
            ranges.collect()
        };
        Self {
            sample_rate,
            size,
            hop: size / 2,
            bins,
            // Halves that overlap add up to one.
            window: (0..size)
                .map(|n| 0.5 - 0.5 * (TAU * n as f32 / size as f32).cos())
                .collect(),
            bands: std::array::from_fn(|band| bin(EDGES_HZ[band])..bin(EDGES_HZ[band + 1])),
            between: between.collect(),
            smooth: around(0, SMOOTH),
            even: around(2, EVEN),
        }
    }

    /// Windows in so many seconds of 48 kHz material.
    pub(super) fn seconds(&self, frames: i64) -> f64 {
        frames as f64 / f64::from(self.sample_rate)
    }
}
