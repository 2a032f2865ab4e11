//! Passages of the master that are something else than the mix at the same place.
//!
//! In: the likeness of all tracks in each block of 100 ms, as both are read. Out: runs of blocks
//! that are not alike, each looked at sample by sample while the samples are still held. What
//! of them belongs to a slip is found out later.

use super::refine::{Cut, cut};
use crate::compare::buffer::Buffer;

/// Likeness under which a block is something else. Own measurement: masters that were equalised
/// and driven have 0.8 and more, other music 0.3 and less.
const OTHER: f64 = 0.4;
/// Blocks after which a passage is no news.
const FRESH: usize = 30;
/// Blocks that are alike and end a passage.
const ENDS: usize = 2;

/// How much the loudest track of a block has in common with its counterpart, and in which.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(in crate::compare) enum Likeness {
    /// Both are silent.
    Silence,
    /// Only the mix sounds.
    MixOnly,
    Both(f64),
}

/// A run of blocks.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(in crate::compare) struct Passage {
    pub(in crate::compare) first: usize,
    /// The block after the last.
    pub(in crate::compare) last: usize,
    pub(in crate::compare) offset: i64,
    /// Blocks in which only the mix sounds.
    pub(in crate::compare) silent: usize,
    /// Mean likeness.
    pub(in crate::compare) likeness: f64,
    /// `None` where the samples were not held any more, or tell nothing.
    pub(in crate::compare) cut: Option<Cut>,
}

#[derive(Debug, Default)]
pub(in crate::compare) struct Passages {
    pub(in crate::compare) found: Vec<Passage>,
    open: Option<(Passage, f64, usize)>,
    /// How often each hundredth of likeness was met.
    counts: Vec<u64>,
}

impl Passages {
    /// `true` when a passage has ended and waits for its cut.
    pub(in crate::compare) fn block(
        &mut self,
        block: usize,
        likeness: Likeness,
        offset: i64,
    ) -> bool {
        let value = match likeness {
            Likeness::Silence => return false,
            Likeness::MixOnly => 0.0,
            Likeness::Both(value) => value.abs(),
        };
        self.counts.resize(101, 0);
        self.counts[(100.0 * value.min(1.0)) as usize] += 1;
        if value < OTHER {
            let (mut passage, sum, _) = self.open.take().unwrap_or((
                Passage {
                    first: block,
                    last: block,
                    offset,
                    silent: 0,
                    likeness: 0.0,
                    cut: None,
                },
                0.0,
                0,
            ));
            passage.last = block + 1;
            passage.silent += usize::from(likeness == Likeness::MixOnly);
            self.open = Some((passage, sum + value, 0));
            return false;
        }
        let Some((passage, sum, alike)) = self.open.take() else {
            return false;
        };
        if alike + 1 < ENDS {
            self.open = Some((passage, sum, alike + 1));
            return false;
        }
        self.close(passage, sum);
        true
    }

    fn close(&mut self, mut passage: Passage, sum: f64) {
        passage.likeness = sum / (passage.last - passage.first) as f64;
        self.found.push(passage);
    }

    /// Whether the master has just stopped being the mix; for how long is no matter of haste.
    pub(in crate::compare) fn is_fresh(&self) -> bool {
        let open = self.open.as_ref();
        open.is_some_and(|(passage, ..)| passage.last - passage.first <= FRESH)
    }

    /// The file has ended.
    pub(in crate::compare) fn finish(&mut self) {
        if let Some((passage, sum, _)) = self.open.take() {
            self.close(passage, sum);
        }
    }

    /// The median likeness of all blocks.
    pub(in crate::compare) fn median(&self) -> Option<f64> {
        let all: u64 = self.counts.iter().sum();
        let mut seen = 0;
        let place = self.counts.iter().position(|count| {
            seen += count;
            2 * seen >= all && all > 0
        });
        place.map(|place| (place as f64 + 0.5) / 100.0)
    }

    /// Cuts the last passage to the sample, where what lies about it is still `held`: from the
    /// first frame of the mix that is.
    pub(in crate::compare) fn refine(
        &mut self,
        mix: (&Buffer, usize),
        master: (&Buffer, usize),
        (block, held, sample_rate): (i64, i64, u32),
    ) {
        let Some(passage) = self.found.last_mut() else {
            return;
        };
        let blocks = (passage.first, passage.last);
        let places = (block, held, sample_rate);
        passage.cut = around(mix, master, blocks, passage.offset, None, places);
    }
}

/// The cut about a run of blocks; `None` where what lies about it is not `held`, or where there
/// is nothing between: it was the noise between notes.
pub(super) fn around(
    mix: (&Buffer, usize),
    master: (&Buffer, usize),
    (first, last): (usize, usize),
    offset: i64,
    inner_db: Option<f64>,
    (block, held, sample_rate): (i64, i64, u32),
) -> Option<Cut> {
    let from = ((first as i64 - 2) * block).max(0);
    let to = (last as i64 + 2) * block;
    if from < held {
        return None;
    }
    let both = (offset, offset);
    cut(mix, master, (from, to), both, inner_db, sample_rate).filter(|cut| cut.start > cut.end)
}
