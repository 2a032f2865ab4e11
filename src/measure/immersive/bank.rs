//! K-weighting of many tracks at once: samples in, weighted samples out.
//!
//! The same filter as the loudness meters'; eight tracks are the lanes of one loop. A track that
//! has fallen silent leaves the loop when its filter has rung out.

use crate::measure::k_weighting::{Biquad, stages};
use crate::vector::{Work, fast};

const LANES: usize = 8;

/// One filter per track.
pub(super) struct Bank {
    head: Biquad,
    rlb: Biquad,
    memory: Vec<[f64; 4]>,
    /// `[track][frame]`: the weighted samples of the chunk; valid where `sounding`.
    pub weighted: Vec<Vec<f64>>,
    pub sounding: Vec<bool>,
    turn: Vec<usize>,
}

impl Bank {
    pub(super) fn new(tracks: usize, chunk: usize, sample_rate: f64) -> Self {
        let [head, rlb] = stages(sample_rate);
        Self {
            head,
            rlb,
            memory: vec![[0.0; 4]; tracks],
            weighted: vec![vec![0.0; chunk]; tracks],
            sounding: vec![false; tracks],
            turn: Vec::with_capacity(tracks),
        }
    }

    /// Weights the tracks that `silent` does not name.
    pub(super) fn run(&mut self, tracks: &[&[f64]], silent: &[bool]) {
        self.turn.clear();
        for (track, &silent) in silent.iter().enumerate() {
            // What rings on after the last sample is 80 dB down within 100 ms: it is let go.
            self.sounding[track] = !silent;
            if silent {
                self.memory[track] = [0.0; 4];
            } else {
                self.turn.push(track);
            }
        }
        let turn = std::mem::take(&mut self.turn);
        for group in turn.chunks(LANES) {
            fast(Group {
                bank: self,
                group,
                tracks,
            });
        }
        self.turn = turn;
    }
}

struct Group<'a> {
    bank: &'a mut Bank,
    group: &'a [usize],
    tracks: &'a [&'a [f64]],
}

impl Work for Group<'_> {
    type Output = ();

    #[inline(always)]
    fn work(self) {
        let Self {
            bank,
            group,
            tracks,
        } = self;
        let frames = tracks[group[0]].len();
        // Missing lanes run along with the first track's samples; nobody reads them.
        let track = |lane: usize| group[lane.min(group.len() - 1)];
        let x: [&[f64]; LANES] = std::array::from_fn(|lane| &tracks[track(lane)][..frames]);
        let Biquad {
            b: [b0, b1, b2],
            a: [a1, a2],
        } = bank.head;
        let Biquad {
            b: [c0, c1, c2],
            a: [d1, d2],
        } = bank.rlb;
        let memory: [[f64; 4]; LANES] = std::array::from_fn(|lane| bank.memory[track(lane)]);
        let [mut s1, mut s2, mut t1, mut t2]: [[f64; LANES]; 4] =
            std::array::from_fn(|part| std::array::from_fn(|lane| memory[lane][part]));
        const TILE: usize = 32;
        let mut rows = [[0.0f64; LANES]; TILE];
        let mut done = 0;
        while done < frames {
            let take = TILE.min(frames - done);
            for lane in 0..LANES {
                let samples = &x[lane][done..done + take];
                for (row, sample) in rows.iter_mut().zip(samples) {
                    row[lane] = *sample;
                }
            }
            for row in &mut rows[..take] {
                let v = *row;
                let mut y = [0.0; LANES];
                for l in 0..LANES {
                    y[l] = b0 * v[l] + s1[l];
                }
                for l in 0..LANES {
                    s1[l] = (b1 * v[l] + s2[l]) - a1 * y[l];
                }
                for l in 0..LANES {
                    s2[l] = b2 * v[l] - a2 * y[l];
                }
                for l in 0..LANES {
                    row[l] = c0 * y[l] + t1[l];
                }
                for l in 0..LANES {
                    t1[l] = (c1 * y[l] + t2[l]) - d1 * row[l];
                }
                for l in 0..LANES {
                    t2[l] = c2 * y[l] - d2 * row[l];
                }
            }
            for (lane, &track) in group.iter().enumerate() {
                let to = &mut bank.weighted[track][done..done + take];
                for (to, row) in to.iter_mut().zip(&rows) {
                    *to = row[lane];
                }
            }
            done += take;
        }
        for (lane, &track) in group.iter().enumerate() {
            bank.memory[track] = [s1[lane], s2[lane], t1[lane], t2[lane]];
        }
    }
}
