//! Pairs of objects that names or the order of tracks have put together wrongly, found by their
//! sound.
//!
//! In: tracks of both files that were found to have nothing in common with their counterparts.
//! Out: which of them is which. Every second a stretch of each is held against those of
//! the others, a few tracks at a time; two stretches must agree. Knows nothing of names.

use std::collections::BTreeMap;

use super::buffer::Buffer;
use super::likeness::Likeness;

/// Likeness from which two tracks are one, as in `correlate`, and by how much it must be better
/// than that of any other. Own choice: parts of one piece of music have 0.5 and less.
const ALIKE: f64 = 0.7;
const BETTER: f64 = 0.15;
/// Stretches that must agree.
const AGREE: u32 = 2;
/// Tracks of the mix that are looked at each time: bounds the work, which grows with the
/// product of both numbers.
const AT_ONCE: usize = 8;
/// Tracks of the master that each is held against.
const MOST: usize = 128;

pub(super) struct Rematch {
    likeness: Likeness,
    /// How often a track of the mix was found to be this one of the master.
    found: BTreeMap<(usize, usize), u32>,
    turn: usize,
}

impl Rematch {
    pub(super) fn new(sample_rate: u32) -> Self {
        Self {
            // 0.17 s at 48 kHz.
            likeness: Likeness::new(sample_rate, (sample_rate as usize / 6).next_power_of_two()),
            found: BTreeMap::new(),
            turn: 0,
        }
    }

    /// `doubtful` are tracks of mix and master as they are paired. Gives the pair of tracks that
    /// was found beyond doubt, if there is one.
    pub(super) fn look(
        &mut self,
        (mix, master): (&Buffer, &Buffer),
        doubtful: &[(usize, usize)],
        (end, offset): (i64, i64),
    ) -> Option<(usize, usize)> {
        if doubtful.len() < 2 {
            return None;
        }
        let from = end - self.likeness.length as i64;
        for step in 0..doubtful.len().min(AT_ONCE) {
            let (in_mix, _) = doubtful[(self.turn + step) % doubtful.len()];
            self.likeness.first(mix, in_mix, from);
            let likeness = &mut self.likeness;
            let mut alike: Vec<(f64, usize)> = doubtful
                .iter()
                .take(MOST)
                .map(|&(_, in_master)| {
                    let alike = likeness.with(master, in_master, from + offset);
                    (alike.mean.abs(), in_master)
                })
                .collect();
            alike.sort_by(|one, other| other.0.total_cmp(&one.0));
            let [(best, at), (second, _), ..] = alike[..] else {
                continue;
            };
            if best < ALIKE || best < second + BETTER {
                continue;
            }
            let count = self.found.entry((in_mix, at)).or_insert(0);
            *count += 1;
            if *count >= AGREE && !doubtful.contains(&(in_mix, at)) {
                self.found
                    .retain(|pair, _| pair.0 != in_mix && pair.1 != at);
                return Some((in_mix, at));
            }
        }
        self.turn += AT_ONCE;
        None
    }
}
