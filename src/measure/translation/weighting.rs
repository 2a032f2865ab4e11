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
        let take = |part: [f64; LANES]| -> [f64; N] { std::array::from_fn(|lane| part[lane]) };
        let [mut s1, mut s2, mut t1, mut t2] = self.memory.map(take);
        for i in 0..frames {
            for l in 0..N {
                let v = x[l][i];
                let y = b0 * v + s1[l];
                s1[l] = (b1 * v + s2[l]) - a1 * y;
                s2[l] = b2 * v - a2 * y;
                let w = c0 * y + t1[l];
                t1[l] = (c1 * y + t2[l]) - d1 * w;
                t2[l] = c2 * y - d2 * w;
                out[l][i] = w;
            }
        }
        for (to, from) in self.memory.iter_mut().zip([s1, s2, t1, t2]) {
            to[..N].copy_from_slice(&from);
        }
    }
}
