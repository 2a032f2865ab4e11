//! Passages of the master that are the mix at another level: lowered or raised at once, and
//! back at once.
//!
//! In: the gain of each block of 100 ms, as both are read. Out: runs of blocks whose gain left
//! that of the seconds before and came back to it. A fader that is ridden and a compressor move
//! the gain of the seconds before along; a passage that was edited does not.

use std::collections::VecDeque;

/// Blocks whose gain is the base, 3 s.
const BASE: usize = 30;
/// Blocks without which there is no base.
const ENOUGH: usize = 8;
/// By so much must a gain leave the base, in dB, and so often its own spread. Own choice: a
/// limiter moves by less from one 100 ms to the next, of a master that is one.
const LEAVES_DB: f64 = 2.5;
const SPREADS: f64 = 5.0;
/// It is back when it is this near, as a share of how far it went.
const BACK: f64 = 0.4;
/// A passage that is longer than that is another base: 6 s.
const LONGEST: usize = 60;

#[derive(Clone, Debug, PartialEq)]
pub(in crate::compare) struct Ride {
    pub(in crate::compare) first: usize,
    /// The block after the last.
    pub(in crate::compare) last: usize,
    pub(in crate::compare) offset: i64,
    /// Against the seconds before.
    pub(in crate::compare) change_db: f64,
    pub(in crate::compare) confidence: f64,
    /// In frames of the mix, where it was found to the sample.
    pub(in crate::compare) cut: Option<super::refine::Cut>,
}

#[derive(Debug, Default)]
pub(in crate::compare) struct Rides {
    pub(in crate::compare) found: Vec<Ride>,
    base: VecDeque<f64>,
    open: Option<Open>,
}

#[derive(Debug)]
struct Open {
    first: usize,
    offset: i64,
    base: f64,
    spread: f64,
    changes: Vec<f64>,
}

impl Rides {
    /// `true` when a passage has ended and waits for its cut.
    ///
    /// `gain_db` is `None` where the block tells nothing.
    pub(in crate::compare) fn block(
        &mut self,
        block: usize,
        gain_db: Option<f64>,
        offset: i64,
    ) -> bool {
        let Some(gain) = gain_db else {
            return false;
        };
        if let Some(mut open) = self.open.take() {
            let change = gain - open.base;
            let went = middle(&mut open.changes.clone());
            let moved = open.offset != offset || open.changes.len() > LONGEST;
            if moved || change * went < 0.0 && change.abs() > LEAVES_DB {
                self.base.clear();
                self.base.push_back(gain);
                return false;
            }
            if change.abs() > BACK * went.abs() {
                open.changes.push(change);
                self.open = Some(open);
                return false;
            }
            self.take(gain);
            return self.close(open, block, went);
        }
        let mut sorted: Vec<f64> = self.base.iter().copied().collect();
        let base = middle(&mut sorted);
        let mut apart: Vec<f64> = sorted.iter().map(|gain| (gain - base).abs()).collect();
        let spread = middle(&mut apart);
        let change = gain - base;
        if sorted.len() >= ENOUGH && change.abs() > LEAVES_DB.max(SPREADS * spread) {
            self.open = Some(Open {
                first: block,
                offset,
                base,
                spread,
                changes: vec![change],
            });
            return false;
        }
        self.take(gain);
        false
    }

    fn take(&mut self, gain: f64) {
        self.base.push_back(gain);
        if self.base.len() > BASE {
            self.base.pop_front();
        }
    }

    fn close(&mut self, open: Open, last: usize, went: f64) -> bool {
        if open.changes.len() < 2 {
            return false;
        }
        // The first and the last block hold some of what lies beside it; short of those nothing
        // is known of a short passage.
        let inner = match open.changes.as_slice() {
            [_, inner @ .., _] => inner,
            _ => &[],
        };
        let mut apart: Vec<f64> = inner.iter().map(|change| (change - went).abs()).collect();
        let within = middle(&mut apart);
        // Own choice, measured on the room's tests: 6 dB is beyond doubt on a copy, not where
        // gain moves by two.
        let far = ((went.abs() - 1.5) / 3.0).clamp(0.0, 1.0);
        let steady = (1.0 - (within + open.spread) / (0.25 * went.abs())).clamp(0.0, 1.0);
        self.found.push(Ride {
            first: open.first,
            last,
            offset: open.offset,
            change_db: went,
            confidence: far * steady,
            cut: None,
        });
        true
    }
}

fn middle(values: &mut [f64]) -> f64 {
    if values.is_empty() {
        return 0.0;
    }
    values.sort_by(f64::total_cmp);
    values[values.len() / 2]
}
