//! Cuts a stream of blocks into stretches of one length, so that a meter sees the same stretches
//! however the blocks were cut; and the sums over a stretch that several meters need.

use crate::vector::{Work, fast};

/// Holds back what does not fill a stretch yet.
pub(super) struct Stretches {
    length: usize,
    held: Vec<Vec<f64>>,
    filled: usize,
}

impl Stretches {
    /// `length` in frames; 1 where it is 0.
    pub(super) fn new(length: usize, channels: usize) -> Self {
        Self {
            length: length.max(1),
            held: vec![Vec::new(); channels],
            filled: 0,
        }
    }

    /// Calls `each` with every stretch that becomes full, `[channel][frame]`.
    pub(super) fn feed(&mut self, planes: &[&[f64]], mut each: impl FnMut(&[&[f64]])) {
        let total = planes.first().map_or(0, |plane| plane.len());
        let mut done = 0;
        if self.filled > 0 {
            done = (self.length - self.filled).min(total);
            self.hold(planes, 0, done);
            if self.filled == self.length {
                self.hand_on(&mut each);
            }
        }
        let mut slices: Vec<&[f64]> = Vec::with_capacity(planes.len());
        while total - done >= self.length {
            slices.clear();
            slices.extend(planes.iter().map(|plane| &plane[done..done + self.length]));
            each(&slices);
            done += self.length;
        }
        if done < total {
            self.hold(planes, done, total);
        }
    }

    /// Hands on the rest, which is shorter than a stretch, if there is any.
    pub(super) fn finish(&mut self, mut each: impl FnMut(&[&[f64]])) {
        if self.filled > 0 {
            self.hand_on(&mut each);
        }
    }

    fn hold(&mut self, planes: &[&[f64]], from: usize, to: usize) {
        for (held, plane) in self.held.iter_mut().zip(planes) {
            held.extend_from_slice(&plane[from..to]);
        }
        self.filled += to - from;
    }

    fn hand_on(&mut self, each: &mut impl FnMut(&[&[f64]])) {
        let slices: Vec<&[f64]> = self.held.iter().map(Vec::as_slice).collect();
        each(&slices);
        for held in &mut self.held {
            held.clear();
        }
        self.filled = 0;
    }
}

/// Whether all samples are exactly zero.
pub(super) fn is_black(samples: &[f64]) -> bool {
    /// Samples that are looked at together.
    const PART: usize = 64;
    samples
        .chunks(PART)
        .all(|part| part.iter().fold(0, |bits, v| bits | (v.to_bits() << 1)) == 0)
}

/// The sum of squares; the same samples give the same bits.
pub(super) fn sum_of_squares(samples: &[f64]) -> f64 {
    fast(SumOfSquares(samples))
}

/// The mean square, 0 for no samples.
pub(super) fn mean_square(samples: &[f64]) -> f64 {
    sum_of_squares(samples) / samples.len().max(1) as f64
}

struct SumOfSquares<'a>(&'a [f64]);

impl Work for SumOfSquares<'_> {
    type Output = f64;
    #[inline(always)]
    fn work(self) -> f64 {
        let mut sums = [0.0; 8];
        let parts = self.0.chunks_exact(8);
        let rest = parts.remainder();
        for part in parts {
            for (sum, sample) in sums.iter_mut().zip(part) {
                *sum += sample * sample;
            }
        }
        sums.iter().sum::<f64>() + rest.iter().map(|v| v * v).sum::<f64>()
    }
}

/// The smallest and the largest sample; (0, 0) for no samples.
pub(super) fn extremes(samples: &[f64]) -> (f64, f64) {
    if samples.is_empty() {
        return (0.0, 0.0);
    }
    fast(Extremes(samples))
}

struct Extremes<'a>(&'a [f64]);

impl Work for Extremes<'_> {
    type Output = (f64, f64);
    #[inline(always)]
    fn work(self) -> (f64, f64) {
        // Two passes: both in one are not made into vector instructions, and take five times as long.
        (extreme(self.0, |a, b| a < b), extreme(self.0, |a, b| a > b))
    }
}

/// Of at least one sample, the one that `beats` the others.
#[inline(always)]
fn extreme(samples: &[f64], beats: impl Fn(f64, f64) -> bool) -> f64 {
    let better = |a: f64, b: f64| if beats(a, b) { a } else { b };
    let mut best = [samples[0]; 8];
    let parts = samples.chunks_exact(8);
    let rest = parts.remainder();
    for part in parts {
        for lane in 0..8 {
            best[lane] = better(part[lane], best[lane]);
        }
    }
    let all = best.iter().chain(rest);
    all.fold(samples[0], |best, &sample| better(sample, best))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn stretches_are_the_same_however_the_blocks_are_cut() {
        let left: Vec<f64> = (0..1000).map(f64::from).collect();
        let right: Vec<f64> = left.iter().map(|v| -v).collect();
        for cut in [1, 7, 99, 100, 101, 999, 1000] {
            let mut stretches = Stretches::new(100, 2);
            let mut seen = Vec::new();
            for (a, b) in left.chunks(cut).zip(right.chunks(cut)) {
                stretches.feed(&[a, b], |planes| {
                    assert_eq!((planes[0].len(), planes[1].len()), (100, 100));
                    assert_eq!(planes[0][0], -planes[1][0]);
                    seen.extend_from_slice(planes[0]);
                });
            }
            stretches.finish(|_| panic!("1000 frames are ten whole stretches"));
            assert_eq!(seen, left, "blocks of {cut}");
        }
    }

    #[test]
    fn what_does_not_fill_a_stretch_comes_at_the_end() {
        let mut stretches = Stretches::new(8, 1);
        stretches.feed(&[&[1.0; 11]], |planes| assert_eq!(planes[0].len(), 8));
        let mut rest = 0;
        stretches.finish(|planes| rest = planes[0].len());
        assert_eq!(rest, 3);
    }

    #[test]
    fn sums_and_extremes_take_every_sample() {
        let samples: Vec<f64> = (1..=11).map(f64::from).collect();
        assert_eq!(sum_of_squares(&samples), 506.0);
        assert_eq!(extremes(&samples), (1.0, 11.0));
        assert!(is_black(&[0.0, -0.0]));
        let mut dark = [0.0; 200];
        dark[199] = f64::MIN_POSITIVE;
        assert!(!is_black(&dark));
    }
}
