//! The cheap first look at one channel: where is a sample that its past does not explain?
//!
//! Takes blocks of samples, whitens each with a predictor of its own, and compares every short
//! stretch with its neighbourhood. Out: stretches that stand out, a few a second; the second look
//! is for others. Method: the adaptive linear prediction detector of S. V. Vaseghi and
//! P. J. W. Rayner (IEE Proc. I 137(1), 1990, from memory), run on the second difference of the signal.

use super::prediction::{Autocorrelation, Differences, Errors, error_filter, padding};
use crate::vector::{Work, fast};

/// Samples that share a predictor; own choice: 46 ms at 44.1 kHz, as long as music stands still.
pub(super) const BLOCK: usize = 2048;
/// Samples whose largest error is one number.
pub(super) const STRETCH: usize = 32;
const STRETCHES: usize = BLOCK / STRETCH;
/// Order of the predictor after the second difference; own choice.
const ORDER: usize = 16;
/// Tapered at each end of a block, samples.
const TAPER: usize = 256;
/// How many stretches on each side make the neighbourhood, and how many next to it do not.
const NEAR: usize = 16;
const SKIPPED: usize = 2;
/// From this ratio of largest error to the neighbourhood's mean magnitude on it is a candidate.
/// Own choice. At 7 released music gave about seven a second and channel; 8 was not counted.
const STANDS_OUT: f32 = 8.0;

/// The ratio of what stands in digital silence.
const OUT_OF_NOTHING: f32 = 1e6;

/// Largest and mean magnitude of each stretch.
struct Summary<'a> {
    errors: &'a [f32],
    largest: &'a mut [f32],
    means: &'a mut [f32],
}

impl Work for Summary<'_> {
    type Output = ();
    #[inline(always)]
    fn work(self) {
        let errors = self.errors.as_chunks::<STRETCH>().0;
        for ((top, mean), errors) in self.largest.iter_mut().zip(self.means).zip(errors) {
            let mut largest = [0.0f32; 8];
            let mut sum = [0.0f32; 8];
            for eight in errors.as_chunks::<8>().0 {
                for lane in 0..8 {
                    let magnitude = eight[lane].abs();
                    largest[lane] = if magnitude > largest[lane] {
                        magnitude
                    } else {
                        largest[lane]
                    };
                    sum[lane] += magnitude;
                }
            }
            *top = largest.iter().fold(0.0, |a, &b| a.max(b));
            *mean = sum.iter().sum::<f32>() / STRETCH as f32;
        }
    }
}

/// Stretches between the beginnings of the neighbourhoods before and after one.
const ACROSS: usize = 2 * SKIPPED - 1 + NEAR;

/// How much each of the middle stretches stands out of the louder of its two sides.
struct Ratios<'a> {
    largest: &'a [f32; STRETCHES],
    means: &'a [f32; 3 * STRETCHES],
    ratios: &'a mut [f32; STRETCHES],
}

impl Work for Ratios<'_> {
    type Output = ();
    #[inline(always)]
    fn work(self) {
        const SUMS: usize = STRETCHES + ACROSS;
        let mut sums = [0.0f32; SUMS];
        for near in 0..NEAR {
            let from = STRETCHES + 1 - SKIPPED - NEAR + near;
            for (sum, mean) in sums.iter_mut().zip(&self.means[from..from + SUMS]) {
                *sum += mean;
            }
        }
        let sides = sums.iter().zip(&sums[ACROSS..]);
        for ((ratio, &largest), (before, after)) in
            self.ratios.iter_mut().zip(self.largest).zip(sides)
        {
            let neighbourhood = (before / NEAR as f32).max(after / NEAR as f32);
            *ratio = if largest == 0.0 {
                0.0
            } else if neighbourhood > 0.0 {
                largest / neighbourhood
            } else {
                OUT_OF_NOTHING
            };
        }
    }
}

/// A stretch that stands out.
#[derive(Clone, Copy, Debug)]
pub(super) struct Candidate {
    /// Index of the stretch's first sample in the block.
    pub at: usize,
    /// Largest error over the neighbourhood's mean magnitude.
    pub ratio: f32,
}

/// Keeps the stretches of three blocks: the one that is searched and its neighbours.
pub(super) struct Front {
    largest: [[f32; STRETCHES]; 3],
    means: [f32; 3 * STRETCHES],
    /// Of the middle block.
    ratios: [f32; STRETCHES],
    window: Vec<f32>,
    whitened: Vec<f32>,
    weighted: Vec<f32>,
    /// The last samples of the block before, as second differences, then the block's own.
    differences: Vec<f32>,
}

impl Front {
    pub(super) fn new() -> Self {
        let mut window = vec![1.0; BLOCK];
        for n in 0..TAPER {
            let phase = std::f64::consts::PI * (n as f64 + 0.5) / TAPER as f64;
            let value = (0.5 - 0.5 * phase.cos()) as f32;
            window[n] = value;
            window[BLOCK - 1 - n] = value;
        }
        Self {
            largest: [[0.0; STRETCHES]; 3],
            means: [0.0; 3 * STRETCHES],
            ratios: [0.0; STRETCHES],
            window,
            whitened: vec![0.0; BLOCK],
            weighted: vec![0.0; BLOCK + padding(ORDER + 1)],
            differences: vec![0.0; ORDER + BLOCK],
        }
    }

    /// Takes the next block with the two samples before it, `samples.len() == BLOCK + 2`.
    pub(super) fn take(&mut self, samples: &[f64]) {
        self.largest.rotate_left(1);
        self.means.copy_within(STRETCHES.., 0);
        self.whiten(samples);
        fast(Ratios {
            largest: &self.largest[1],
            means: &self.means,
            ratios: &mut self.ratios,
        });
    }

    fn whiten(&mut self, samples: &[f64]) {
        let means = &mut self.means[2 * STRETCHES..];
        self.differences.copy_within(BLOCK.., 0);
        let sounding = fast(Differences {
            signal: samples,
            scale: 1.0,
            into: &mut self.differences[ORDER..],
        });
        if sounding == 0.0 {
            self.largest[2].fill(0.0);
            means.fill(0.0);
            return;
        }
        // Single precision has its best numbers around one, and squares need room.
        let scale = 1.0 / sounding;
        let own = &self.differences[ORDER..];
        for ((weighted, value), window) in self.weighted.iter_mut().zip(own).zip(&self.window) {
            *weighted = value * scale * window;
        }
        let mut sums = [0.0; ORDER + 1];
        fast(Autocorrelation {
            padded: &self.weighted,
            length: BLOCK,
            sums: &mut sums,
        });
        let mut filter = [0.0; ORDER + 1];
        error_filter(&sums, &mut filter);
        let filter = filter.map(|v| v as f32);
        fast(Errors {
            signal: &self.differences,
            filter: &filter,
            errors: &mut self.whitened,
        });
        fast(Summary {
            errors: &self.whitened,
            largest: &mut self.largest[2],
            means,
        });
    }

    /// How much a stretch of the middle block stands out of the louder of its two sides.
    pub(super) fn ratio(&self, stretch: usize) -> f32 {
        self.ratios[stretch]
    }

    /// The stretches of the middle block that stand out.
    pub(super) fn candidates(&self, into: &mut Vec<Candidate>) {
        into.clear();
        for (stretch, &ratio) in self.ratios.iter().enumerate() {
            if ratio >= STANDS_OUT {
                into.push(Candidate {
                    at: stretch * STRETCH,
                    ratio,
                });
            }
        }
    }
}
