//! Whether the channels of a bed carry each other's sound, in a file of beds and objects.
//!
//! In: the bed channels' samples of both files, a window every few seconds. Out: [`Exchange`]s.
//! The rules are those of channel-based files (`swap`). Knows nothing of objects.

use super::matrix::{MOST_CHANNELS, Matrix};
use super::swap::{Cycle, Places, found};
use super::types::Exchange;
use crate::compare::buffer::Buffer;
use crate::compare::pairing::Pairing;
use crate::compare::report::Track;
use crate::compare::types::PartKind;

/// Blocks of 100 ms between two windows. Channels do not move.
const WINDOW_EVERY: usize = 10;

pub(in crate::compare) struct BedOrder {
    matrix: Matrix,
    /// Places of the bed's channels among all tracks.
    members: Vec<usize>,
}

impl BedOrder {
    /// `None` where there are less than two bed channels, or more than are held against each
    /// other.
    pub(in crate::compare) fn new(
        sample_rate: u32,
        tracks: &[Track],
        silence: f64,
    ) -> Option<Self> {
        let of_bed = |index: &usize| tracks[*index].kind == PartKind::Bed;
        let members: Vec<usize> = (0..tracks.len()).filter(of_bed).collect();
        (2..=MOST_CHANNELS).contains(&members.len()).then(|| Self {
            matrix: Matrix::new(sample_rate, members.len(), silence),
            members,
        })
    }

    /// Takes the window that begins with the block, when one is due. `offset` is where the
    /// master lies as a whole; a channel that was found elsewhere is tried there as well.
    pub(in crate::compare) fn measure(
        &mut self,
        both: (&Buffer, &Buffer),
        tracks: &[Track],
        (block, frames, offset): (usize, i64, i64),
    ) {
        if block % WINDOW_EVERY != 0 {
            return;
        }
        let members = self.members.iter().map(|&index| {
            let track = &tracks[index];
            let own = track.tracker.offset().unwrap_or(offset);
            (track.mix, track.master, own)
        });
        let members: Vec<_> = members.collect();
        self.matrix
            .measure(both, &members, (block as i64 * frames, offset));
    }

    /// `None` where no window sounds in both files.
    pub(in crate::compare) fn told(
        &self,
        tracks: &[Track],
        pairing: &Pairing,
    ) -> Option<Vec<Exchange>> {
        if self.matrix.windows == 0 {
            return None;
        }
        let label = |index: usize| {
            pairing.pairs[tracks[index].pair]
                .mix
                .part
                .channel
                .as_deref()
        };
        // With two beds in a file a label does not tell which channel is meant.
        let labels = self.members.iter().map(|&index| {
            let same = |other: &&usize| label(**other) == label(index);
            let once = self.members.iter().filter(same).count() == 1;
            label(index).filter(|_| once).map(str::to_owned)
        });
        let places = Places::new(labels.collect());
        let (_, cycles) = found(&self.matrix, &places.mirrored(), self.members.len());
        let track = |member: usize| &tracks[self.members[member]];
        let exchanges = cycles.iter().map(|cycle| {
            let mix = |member: usize| track(member).mix;
            exchange(cycle, &places, &mix, &|member| track(member).master)
        });
        Some(exchanges.collect())
    }
}

/// `mix` and `master` give the track of a pair, from 0.
pub(super) fn exchange(
    cycle: &Cycle,
    places: &Places,
    mix: &dyn Fn(usize) -> usize,
    master: &dyn Fn(usize) -> usize,
) -> Exchange {
    let numbers = |pairs: &[usize], track: &dyn Fn(usize) -> usize| {
        let number = |&pair: &usize| u32::try_from(track(pair) + 1).unwrap_or(u32::MAX);
        pairs.iter().map(number).collect()
    };
    Exchange {
        kind: places.kind(&cycle.pairs),
        tracks: numbers(&cycle.pairs, mix),
        found_at: numbers(&cycle.at, master),
        direct: cycle.direct,
        crossed: cycle.crossed,
        side_to_mid_db: cycle.side.map(|side| side.side_to_mid_db),
        side_correlation: cycle.side.map(|side| side.correlation),
        confidence: cycle.confidence,
    }
}
