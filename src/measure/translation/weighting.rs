//! Middle and side of the fold, plain and K-weighted, in one pass over the samples.
//!
//! In: left, right, and the low-frequency channel if there is one. Out: middle and side, the
//! weighted middle, and the sums of the weighted squares, from which the energies of stereo, of
//! mono and of the fold with the low-frequency channel follow: filters are linear. The same
//! filter as the loudness meters'; its recursion waits longer than all else that is done here.

use super::fold::LFE_GAIN;
use crate::measure::k_weighting::{Biquad, stages};
use crate::vector::{Work, fast};

/// Middle, side, and the middle with the low-frequency channel.
const LANES: usize = 3;

pub(super) struct Weighting {
    head: Biquad,
    rlb: Biquad,
    memory: [[f64; LANES]; 4],
    /// (L + R) / 2 and (L - R) / 2 of the block.
    pub mid: Vec<f32>,
    pub side: Vec<f32>,
    pub weighted_mid: Vec<f32>,
    /// Sums of the weighted squares, per stretch of the block.
    pub squares: Vec<[f64; LANES]>,
}

impl Weighting {
    pub(super) fn new(rate: f64) -> Self {
        let [head, rlb] = stages(rate);
        Self {
            head,
            rlb,
            memory: [[0.0; LANES]; 4],
            mid: Vec::new(),
            side: Vec::new(),
            weighted_mid: Vec::new(),
            squares: Vec::new(),
        }
    }

    /// Takes a block of equally long signals. `ends`: where each stretch ends whose squares are
    /// summed, the last one with the block.
    pub(super) fn run(&mut self, left: &[f64], right: &[f64], lfe: Option<&[f64]>, ends: &[usize]) {
        let frames = left.len();
        for out in [&mut self.mid, &mut self.side, &mut self.weighted_mid] {
            out.resize(frames, 0.0);
        }
        self.squares.clear();
        let mut from = 0;
        for &end in ends {
            let stretch = from..end;
            let pass = Pass {
                left: &left[stretch.clone()],
                right: &right[stretch.clone()],
                head: &self.head,
                rlb: &self.rlb,
                mid: &mut self.mid[stretch.clone()],
                side: &mut self.side[stretch.clone()],
                weighted_mid: &mut self.weighted_mid[stretch.clone()],
                memory: &mut self.memory,
            };
            self.squares.push(match lfe {
                Some(lfe) => fast(WithLfe(pass, &lfe[stretch])),
                None => fast(pass),
            });
            from = end;
        }
    }

    /// A block of silence after silence.
    pub(super) fn clear(&mut self) {
        self.memory = [[0.0; LANES]; 4];
        self.squares.clear();
    }
}

struct Pass<'a> {
    left: &'a [f64],
    right: &'a [f64],
    head: &'a Biquad,
    rlb: &'a Biquad,
    mid: &'a mut [f32],
    side: &'a mut [f32],
    weighted_mid: &'a mut [f32],
    memory: &'a mut [[f64; LANES]; 4],
}

struct WithLfe<'a>(Pass<'a>, &'a [f64]);

impl Work for Pass<'_> {
    type Output = [f64; LANES];

    #[inline(always)]
    fn work(self) -> [f64; LANES] {
        self.run(|_, [mid, side]| [mid, side])
    }
}

impl Work for WithLfe<'_> {
    type Output = [f64; LANES];

    #[inline(always)]
    fn work(self) -> [f64; LANES] {
        let Self(pass, lfe) = self;
        let lfe = &lfe[..pass.left.len()];
        pass.run(|i, [mid, side]| [mid, side, mid + LFE_GAIN * lfe[i]])
    }
}

impl Pass<'_> {
    /// `lanes` gives the signals to weight of middle and side, those first.
    #[inline(always)]
    fn run<const N: usize>(self, lanes: impl Fn(usize, [f64; 2]) -> [f64; N]) -> [f64; LANES] {
        let frames = self.left.len();
        let (left, right) = (&self.left[..frames], &self.right[..frames]);
        let (mid, side) = (&mut self.mid[..frames], &mut self.side[..frames]);
        let weighted_mid = &mut self.weighted_mid[..frames];
        let Biquad {
            b: [b0, b1, b2],
            a: [a1, a2],
        } = *self.head;
        let Biquad {
            b: [c0, c1, c2],
            a: [d1, d2],
        } = *self.rlb;
        // The state alone runs from sample to sample, the output waits for nothing.
        let (e1, e2) = (b1 - a1 * b0, b2 - a2 * b0);
        let (f1, f2) = (c1 - d1 * c0, c2 - d2 * c0);
        let take = |part: [f64; LANES]| -> [f64; N] { std::array::from_fn(|lane| part[lane]) };
        let [mut s1, mut s2, mut t1, mut t2] = self.memory.map(take);
        let mut squares = [0.0; N];
        for i in 0..frames {
            let both = [0.5 * (left[i] + right[i]), 0.5 * (left[i] - right[i])];
            mid[i] = both[0] as f32;
            side[i] = both[1] as f32;
            let v = lanes(i, both);
            let (s, t) = (s1, t1);
            let (mut y, mut w) = ([0.0; N], [0.0; N]);
            for l in 0..N {
                y[l] = b0 * v[l] + s[l];
                s1[l] = (e1 * v[l] + s2[l]) - a1 * s[l];
                s2[l] = e2 * v[l] - a2 * s[l];
            }
            for l in 0..N {
                w[l] = c0 * y[l] + t[l];
                t1[l] = (f1 * y[l] + t2[l]) - d1 * t[l];
                t2[l] = f2 * y[l] - d2 * t[l];
            }
            for l in 0..N {
                squares[l] += w[l] * w[l];
            }
            weighted_mid[i] = w[0] as f32;
        }
        for (to, from) in self.memory.iter_mut().zip([s1, s2, t1, t2]) {
            to[..N].copy_from_slice(&from);
        }
        let mut sums = [0.0; LANES];
        sums[..N].copy_from_slice(&squares);
        sums
    }
}
