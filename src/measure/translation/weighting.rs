//! K-weighted samples of a few signals side by side. The same filter as the loudness meters'; the
//! weighted samples themselves are wanted, because mono's are the mean of the two sides'.

use crate::measure::k_weighting::{Biquad, stages};
use crate::vector::{Work, fast};

/// Left, right, and both again with the low-frequency channel.
const LANES: usize = 4;

pub(super) struct Weighting {
    head: Biquad,
    rlb: Biquad,
    memory: [[f64; LANES]; 4],
    /// `[signal][frame]` of the block.
    pub out: Vec<Vec<f64>>,
}

impl Weighting {
    pub(super) fn new(rate: f64, signals: usize) -> Self {
        let [head, rlb] = stages(rate);
        Self {
            head,
            rlb,
            memory: [[0.0; LANES]; 4],
            out: vec![Vec::new(); signals],
        }
    }

    /// Takes a block of every signal, all equally long.
    pub(super) fn run(&mut self, signals: &[&[f64]]) {
        let frames = signals[0].len();
        self.out.iter_mut().for_each(|out| out.resize(frames, 0.0));
        let Self {
            head,
            rlb,
            memory,
            out,
        } = self;
        match (signals, &mut out[..]) {
            (&[l, r, lw, rw], [a, b, c, d]) => fast(Lanes {
                x: [l, r, lw, rw],
                out: [a, b, c, d],
                head,
                rlb,
                memory,
            }),
            (&[l, r], [a, b]) => fast(Lanes {
                x: [l, r],
                out: [a, b],
                head,
                rlb,
                memory,
            }),
            _ => unreachable!("two signals, or four with a low-frequency channel"),
        }
    }

    pub(super) fn clear(&mut self) {
        self.memory = [[0.0; LANES]; 4];
        self.out.iter_mut().for_each(|out| out.fill(0.0));
    }
}

struct Lanes<'a, const N: usize> {
    x: [&'a [f64]; N],
    out: [&'a mut Vec<f64>; N],
    head: &'a Biquad,
    rlb: &'a Biquad,
    memory: &'a mut [[f64; LANES]; 4],
}

impl<const N: usize> Work for Lanes<'_, N> {
    type Output = ();

    #[inline(always)]
    fn work(self) {
        let frames = self.x[0].len();
        let x = self.x.map(|lane| &lane[..frames]);
        let out = self.out.map(|lane| &mut lane[..frames]);
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
        for i in 0..frames {
            let v: [f64; N] = std::array::from_fn(|lane| x[lane][i]);
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
                out[l][i] = w[l];
            }
        }
        for (to, from) in self.memory.iter_mut().zip([s1, s2, t1, t2]) {
            to[..N].copy_from_slice(&from);
        }
    }
}
