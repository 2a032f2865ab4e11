//! The null test: what is left of the master when the mix is taken off.
//!
//! In: blocks of both that lie over each other, track by track. Out: the level of what is left,
//! and whether both are the same audio. One gain for each track, by least squares, over the
//! whole file; each block's own gain must be the same for two files to be the same audio.

use crate::compare::buffer::Buffer;
use crate::units::Seconds;
use crate::vector::{Work, fast};

use super::types::NullTest;

/// What is told for nothing left.
pub(super) const NOTHING_DB: f64 = -150.0;
/// Residual under which two blocks are the same but for noise. Own choice: 16-bit dither lies
/// there under music of -30 dBFS and more.
const SAME_DB: f64 = -60.0;
/// Mean square under which a residual is noise whatever it is the noise of: -85 dBFS. Own
/// choice: dither of 16 bits with its shaping is lower.
const NOISE: f64 = 3.2e-9;
/// By so much may the gain of a block be off, in dB. Own choice: gain of a constant fader is
/// the same to the rounding of samples.
const SAME_GAIN_DB: f64 = 0.02;

/// Sums of squares and products.
#[derive(Clone, Copy, Debug, Default)]
struct Sums {
    mix: f64,
    master: f64,
    cross: f64,
}

impl Sums {
    fn residual(&self) -> f64 {
        if self.mix <= 0.0 {
            return self.master;
        }
        (self.master - self.cross * self.cross / self.mix).max(0.0)
    }
}

#[derive(Debug)]
pub(in crate::compare) struct Null {
    tracks: Vec<Sums>,
    mix: Vec<f32>,
    master: Vec<f32>,
    differs: bool,
    worst_block_db: f64,
    /// Of the blocks' own gains, linear.
    gains: Option<(f64, f64)>,
    blocks: u64,
    silence: f64,
}

impl Null {
    pub(in crate::compare) fn new(tracks: usize, block: usize, silence: f64) -> Self {
        Self {
            tracks: vec![Sums::default(); tracks],
            mix: vec![0.0; block],
            master: vec![0.0; block],
            differs: false,
            worst_block_db: NOTHING_DB,
            gains: None,
            blocks: 0,
            silence,
        }
    }

    /// The block of one track that begins at `from` in the mix. Gives the square sum of the mix
    /// and the sum of products: the second over the first is the block's gain.
    pub(in crate::compare) fn block(
        &mut self,
        (mix, master): (&Buffer, &Buffer),
        (track, in_mix, in_master): (usize, usize, usize),
        (from, offset): (i64, i64),
    ) -> (f64, f64) {
        mix.copy(in_mix, from, &mut self.mix);
        master.copy(in_master, from + offset, &mut self.master);
        let (sums, differs) = fast(Measure {
            mix: &self.mix,
            master: &self.master,
        });
        self.differs |= differs;
        let frames = self.mix.len() as f64;
        let silent = self.silence * frames;
        let gain = (sums.mix, sums.cross);
        if sums.mix < silent && sums.master < silent {
            return gain;
        }
        self.blocks += 1;
        let whole = &mut self.tracks[track];
        whole.mix += sums.mix;
        whole.master += sums.master;
        whole.cross += sums.cross;
        let residual = sums.residual();
        if residual > NOISE * frames {
            let db = decibels(residual, sums.master);
            self.worst_block_db = self.worst_block_db.max(db);
        } else if sums.mix > 100.0 * silent {
            let gain = sums.cross / sums.mix;
            let (low, high) = self.gains.unwrap_or((gain, gain));
            self.gains = Some((low.min(gain), high.max(gain)));
        }
        gain
    }

    /// `as_long`: both files have the same length, and lie over each other from the start.
    pub(in crate::compare) fn told(&self, as_long: bool, rate: u32) -> Option<NullTest> {
        if self.blocks == 0 {
            return None;
        }
        let sounding = || {
            self.tracks
                .iter()
                .filter(|sums| sums.mix + sums.master > 0.0)
        };
        let residual_db = sounding()
            .map(|sums| decibels(sums.residual(), sums.master))
            .fold(NOTHING_DB, f64::max);
        // The loudest track tells the gain.
        let loudest = sounding().max_by(|one, other| one.mix.total_cmp(&other.mix))?;
        let gain = loudest.cross / loudest.mix.max(f64::MIN_POSITIVE);
        let one_gain = self.gains.is_none_or(|(low, high)| {
            low * high > 0.0 && 20.0 * (high / low).log10().abs() < SAME_GAIN_DB
        });
        let same = as_long
            && residual_db <= SAME_DB
            && self.worst_block_db <= SAME_DB
            && one_gain
            && gain > 0.0;
        let gain_db = (20.0 * gain.abs().max(1e-7).log10()).max(NOTHING_DB);
        let tracks = self.tracks.len().max(1) as f64;
        Some(NullTest {
            gain_db,
            inverted: gain < 0.0,
            residual_db,
            worst_block_db: self.worst_block_db,
            identical_samples: !self.differs,
            same_audio: as_long && !self.differs || same && gain_db.abs() < SAME_GAIN_DB,
            same_but_gain: same && gain_db.abs() >= SAME_GAIN_DB,
            compared_s: Seconds(self.blocks as f64 / tracks / f64::from(rate)),
        })
    }
}

fn decibels(residual: f64, master: f64) -> f64 {
    if master <= 0.0 || residual <= 0.0 {
        return NOTHING_DB;
    }
    (10.0 * (residual / master).log10()).max(NOTHING_DB)
}

struct Measure<'a> {
    mix: &'a [f32],
    master: &'a [f32],
}

impl Work for Measure<'_> {
    /// And whether any sample differs.
    type Output = (Sums, bool);

    #[inline(always)]
    fn work(self) -> (Sums, bool) {
        const LANES: usize = 8;
        let mut mix = [0.0_f64; LANES];
        let mut master = [0.0_f64; LANES];
        let mut cross = [0.0_f64; LANES];
        let mut most = [0.0_f32; LANES];
        let mut lanes = |one: &[f32], other: &[f32]| {
            for lane in 0..one.len() {
                let (x, y) = (f64::from(one[lane]), f64::from(other[lane]));
                mix[lane] += x * x;
                master[lane] += y * y;
                cross[lane] += x * y;
                let apart = (one[lane] - other[lane]).abs();
                most[lane] = if apart > most[lane] {
                    apart
                } else {
                    most[lane]
                };
            }
        };
        let (one, other) = (
            self.mix.chunks_exact(LANES),
            self.master.chunks_exact(LANES),
        );
        let tails = (one.remainder(), other.remainder());
        for (one, other) in one.zip(other) {
            lanes(&one[..LANES], &other[..LANES]);
        }
        lanes(tails.0, tails.1);
        let sums = Sums {
            mix: mix.iter().sum(),
            master: master.iter().sum(),
            cross: cross.iter().sum(),
        };
        (sums, most.iter().any(|&apart| apart > 0.0))
    }
}
