//! What is gathered of two versions while both are read.
//!
//! In: the buffers at every step of the comparer. Out: matrix, null test, passages and cuts, for
//! `told`. Everything depends on frame numbers alone.

use std::collections::BTreeMap;

use super::matrix::{MOST_CHANNELS, Matrix};
use super::null::Null;
use super::passages::{Likeness, Passages, around};
use super::refine::{Cut, cut};
use super::rides::Rides;
use crate::compare::buffer::Buffer;
use crate::compare::correlate::{Correlator, Found, Stretch};
use crate::compare::pairing::Pairing;
use crate::compare::timing::Stay;

/// Blocks of 100 ms between two windows of the matrix: in the first 20 s, and then. Channels do
/// not move.
const WINDOW_EVERY: [usize; 2] = [10, 30];
const FIRST_BLOCKS: usize = 200;
/// Blocks between two looks at the other channel of a pair.
const CROSS_EVERY: i64 = 10;
/// Mean square over which a block's likeness counts: -50 dBFS. Own choice: noise that is under
/// the music is no other music.
const COUNTS: f64 = 1e-5;
/// Likeness from which a block's gain counts. Own choice.
const ALIKE: f64 = 0.6;

/// A jump of one track's offset, with its place.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(in crate::compare) struct Slipped {
    pub(in crate::compare) before: i64,
    pub(in crate::compare) after: i64,
    pub(in crate::compare) cut: Cut,
}

pub(in crate::compare) struct Desk {
    /// `None` for more channels than are held against each other.
    pub(super) matrix: Option<Matrix>,
    pub(super) null: Null,
    pub(super) passages: Passages,
    pub(super) rides: Rides,
    /// Of each track.
    pub(super) slipped: Vec<Vec<Slipped>>,
    /// Offsets at which a channel was found in the place of another, and how often.
    crossed: BTreeMap<i64, u64>,
    /// Tracks of mix and master whose likeness is looked at in turn.
    pairs: Vec<(usize, usize)>,
    /// The loudest of this block: mean square, track and likeness.
    sum: (f64, f64, usize, f64),
    alone: f64,
    /// Of this block and all tracks: square sum of the mix, sum of the products' sizes.
    gain: (f64, f64),
}

/// Whether the two are compared channel by channel, and few enough for it.
pub(in crate::compare) fn channel_based(pairing: &Pairing) -> bool {
    !pairing.by_model && pairing.pairs.len() <= MOST_CHANNELS && !pairing.pairs.is_empty()
}

impl Desk {
    pub(in crate::compare) fn new(
        sample_rate: u32,
        tracks: &[(usize, usize)],
        block: usize,
        silence: f64,
    ) -> Self {
        let crosses = tracks.iter().enumerate().flat_map(|(one, &(mix, _))| {
            // The neighbour: pairs stand side by side in every order of channels that is in use.
            let other = tracks.get(one ^ 1);
            other.map(|&(_, master)| (mix, master))
        });
        Self {
            matrix: Some(Matrix::new(sample_rate, tracks.len(), silence)),
            null: Null::new(tracks.len(), block, silence),
            passages: Passages::default(),
            rides: Rides::default(),
            slipped: vec![Vec::new(); tracks.len()],
            crossed: BTreeMap::new(),
            pairs: crosses.collect(),
            sum: (0.0, 0.0, 0, 0.0),
            alone: 0.0,
            gain: (0.0, 0.0),
        }
    }

    /// The offset that channels have in each other's places, where two windows said so.
    pub(in crate::compare) fn crossed(&self) -> Option<i64> {
        let (offset, count) = self.crossed.iter().max_by_key(|(_, count)| **count)?;
        (*count >= 2).then_some(*offset)
    }

    pub(in crate::compare) fn cross_is_due(&self, looked: i64) -> bool {
        looked % CROSS_EVERY == CROSS_EVERY - 1 && !self.pairs.is_empty()
    }

    /// Is a channel where its neighbour should be, at one of these offsets?
    pub(in crate::compare) fn cross(
        &mut self,
        narrow: &mut Correlator,
        (mix, master): (&Buffer, &Buffer),
        (looked, end): (i64, i64),
        abouts: &[i64],
        confidence: f64,
    ) {
        let turn = (looked / CROSS_EVERY) as usize % self.pairs.len();
        let (mix_track, master_track) = self.pairs[turn];
        for &about in abouts {
            let stretch = Stretch {
                mix_track,
                master_track,
                from: end - narrow.short as i64,
                about,
            };
            let found = narrow.look((mix, master), stretch, about, None, confidence);
            if let Found::Peak(peak) = found {
                *self.crossed.entry(peak.offset).or_insert(0) += 1;
                return;
            }
        }
    }

    /// A track's offset has jumped: where?
    pub(in crate::compare) fn slip(
        &mut self,
        (mix, in_mix): (&Buffer, usize),
        (master, in_master): (&Buffer, usize),
        track: usize,
        (before, after): (&Stay, &Stay),
        (held, sample_rate): (i64, u32),
    ) {
        let interval = (before.last_start.max(0), after.first_end);
        if interval.0 < held {
            return;
        }
        let offsets = (before.offset, after.offset);
        let cut = cut(
            (mix, in_mix),
            (master, in_master),
            interval,
            offsets,
            None,
            sample_rate,
        );
        if let Some(cut) = cut {
            self.slipped[track].push(Slipped {
                before: before.offset,
                after: after.offset,
                cut,
            });
        }
    }

    /// One track of a block: its null test, at the offset of the file, and its voice in the
    /// block's likeness.
    ///
    /// `levels` are the mean squares of mix and master; `on_time` is a track that has the offset
    /// of the file.
    pub(in crate::compare) fn track(
        &mut self,
        both: (&Buffer, &Buffer),
        (track, in_mix, in_master): (usize, usize, usize),
        (from, offset): (i64, i64),
        (levels, alike, on_time): ((f64, f64), Option<f64>, bool),
    ) {
        let which = (track, in_mix, in_master);
        let (square, cross) = self.null.block(both, which, (from, offset));
        // Of a late channel the products say nothing, and of bass alone they say what a filter
        // does from note to note.
        if on_time && alike.is_some() {
            self.gain.0 += square;
            self.gain.1 += cross.abs();
        }
        let (mix, master) = levels;
        if mix < COUNTS {
            return;
        }
        if mix > self.sum.3 {
            self.sum.3 = mix;
            self.sum.2 = track;
        }
        match alike {
            Some(alike) if master > COUNTS * 0.01 => {
                self.sum.0 += mix * alike.abs();
                self.sum.1 += mix;
            }
            // Bass alone says nothing of likeness.
            None if master > COUNTS * 0.01 => {}
            _ => self.alone += mix,
        }
    }

    /// All tracks of a block have been heard; the loudest one's passage is looked at closely.
    /// `true` while the master has just become something else than the mix.
    pub(in crate::compare) fn block(
        &mut self,
        (mix, master): (&Buffer, &Buffer),
        tracks: &[(usize, usize, i64)],
        (block, frames, offset): (usize, i64, i64),
        (held, sample_rate): (i64, u32),
    ) -> bool {
        let (sum, weight, loudest, _) = std::mem::take(&mut self.sum);
        let alone = std::mem::take(&mut self.alone);
        let likeness = if weight + alone <= 0.0 {
            Likeness::Silence
        } else if weight <= 0.0 {
            Likeness::MixOnly
        } else {
            Likeness::Both(sum / (weight + alone))
        };
        let (in_mix, in_master, _) = tracks[loudest];
        let places = (frames, held, sample_rate);
        if self.passages.block(block, likeness, offset) {
            self.passages
                .refine((mix, in_mix), (master, in_master), places);
        }
        let (square, cross) = std::mem::take(&mut self.gain);
        let gain = match likeness {
            Likeness::Both(alike) if alike > ALIKE && cross > 0.0 => {
                Some(20.0 * (cross / square).log10())
            }
            _ => None,
        };
        if self.rides.block(block, gain, offset)
            && let Some(ride) = self.rides.found.last_mut()
        {
            let blocks = (ride.first, ride.last);
            let inner = Some(ride.change_db);
            ride.cut = around(
                (mix, in_mix),
                (master, in_master),
                blocks,
                ride.offset,
                inner,
                places,
            );
        }
        let every = WINDOW_EVERY[usize::from(block >= FIRST_BLOCKS)];
        if block.is_multiple_of(every)
            && let Some(matrix) = &mut self.matrix
        {
            matrix.measure((mix, master), tracks, (block as i64 * frames, offset));
        }
        self.passages.is_fresh()
    }

    /// Both files have ended.
    pub(in crate::compare) fn finish(&mut self) {
        self.passages.finish();
    }
}
