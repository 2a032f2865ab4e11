//! The allocentric panner: gains of blocks with Cartesian positions (ITU-R BS.2127-1,
//! clauses 7.3.5 to 7.3.11, the Cartesian paths).
//!
//! In: positions in the cube (X right, Y front, Z up, -1 to 1), sizes, zones. Out: one gain per
//! full-range loudspeaker of a layout, in output order, of unit power. Low-frequency loudspeakers
//! do not appear. Knows nothing of blocks, divergence, screens or time.
//!
//! The order of a Cartesian object block, as the reference renderer of BS.2127 (ear 2.1.0) has it:
//!
//! 1. position clipped to the cube, screen scaling, screen edge lock;
//! 2. [`AllocentricPanner::excluded`]: loudspeakers in the zones, and those that the panner
//!    cannot do without them; none at all when that would leave no loudspeaker;
//! 3. [`AllocentricPanner::lock`] among those that are left;
//! 4. divergence: X plus and minus positionRange, each position clipped to the cube;
//! 5. [`AllocentricPanner::pan`] of each position with the same size and the same exclusion;
//! 6. the square root of the sum of powers weighted with the divergence's gains, then the gain.
//!
//! Zones are laid over the *nominal directions* of the loudspeakers (points on the unit sphere),
//! not over the allocentric positions: U+045 stands at (-0.61, 0.61, 0.5) for a zone and at
//! (-1, 1, 1) for the panner.

mod balance;
mod exclusion;
mod extent;
mod lock;
mod positions;
#[cfg(test)]
mod tests;

use balance::Planes;
use extent::ExtentGrid;
use lock::LockTargets;

use super::speakers::SpeakerLayout;
use crate::adm::block::{ChannelLock, Zone};

pub use exclusion::ZoneTargets;
pub use positions::position_of;

/// Sets of loudspeakers that are remembered beside the full one. Exclusion changes rarely
/// within a master: own choice.
const REMEMBERED: usize = 16;

/// The panner of one layout.
#[derive(Clone, Debug)]
pub struct AllocentricPanner {
    /// Of the full-range loudspeakers, in output order.
    positions: Vec<[f64; 3]>,
    zone_targets: ZoneTargets,
    lock_targets: LockTargets,
    /// The first is the set of all loudspeakers.
    sets: Vec<SpeakerSet>,
    next_to_forget: usize,
}

/// The loudspeakers that an exclusion leaves, with what was computed for them.
#[derive(Clone, Debug)]
struct SpeakerSet {
    /// One bit per excluded full-range loudspeaker.
    excluded: u64,
    planes: Planes,
    /// Made when the first block with a size comes.
    extent: Option<ExtentGrid>,
}

impl AllocentricPanner {
    /// `layout` may have low-frequency loudspeakers; they are left out.
    pub fn new(layout: &SpeakerLayout) -> Self {
        let positions: Vec<[f64; 3]> = layout
            .full_range()
            .into_iter()
            .map(|index| position_of(&layout.speakers[index]))
            .collect();
        debug_assert!(positions.len() <= 64);
        Self {
            zone_targets: ZoneTargets::new(layout),
            lock_targets: LockTargets::new(layout, positions.clone()),
            sets: vec![SpeakerSet {
                excluded: 0,
                planes: Planes::new(&positions, 0),
                extent: None,
            }],
            next_to_forget: 1,
            positions,
        }
    }

    /// How many gains [`Self::pan`] gives: the full-range loudspeakers.
    pub fn len(&self) -> usize {
        self.positions.len()
    }

    pub fn is_empty(&self) -> bool {
        self.positions.is_empty()
    }

    /// Which full-range loudspeakers `zones` exclude from a Cartesian block.
    ///
    /// All false when there are no zones, and when every loudspeaker would be excluded.
    pub fn excluded(&self, zones: &[Zone], out: &mut Vec<bool>) {
        self.zone_targets.in_zones(zones, out);
        exclusion::widen_to_rows(&self.positions, out);
    }

    /// The position of the loudspeaker that channelLock moves `position` to, or `position`
    /// itself when none is near enough.
    pub fn lock(&self, position: [f64; 3], lock: &ChannelLock, excluded: &[bool]) -> [f64; 3] {
        self.lock_targets.lock(position, lock, excluded)
    }

    /// Gains of a source at `position` with `size` = width, depth, height (0 to 1).
    ///
    /// `out` has one gain per full-range loudspeaker; excluded ones get 0. The position is clipped
    /// to the cube; what is no number counts as 0, and an exclusion of every loudspeaker as none.
    /// Allocates only for a set of excluded loudspeakers that is not among the last few.
    pub fn pan(&mut self, position: [f64; 3], size: [f64; 3], excluded: &[bool], out: &mut [f64]) {
        let clip = |x: f64| if x.is_nan() { 0.0 } else { x.clamp(-1.0, 1.0) };
        let position = position.map(clip);
        let set = self.set_without(excluded);
        out.fill(0.0);
        // f64::max drops what is no number.
        let size = size.map(|length| length.max(0.0));
        if size == [0.0; 3] {
            set.planes.pan(position, out);
            return;
        }
        let extent = set
            .extent
            .get_or_insert_with(|| ExtentGrid::new(&set.planes));
        let centre = extent.centre(position);
        set.planes.pan(centre, out);
        extent.spread(centre, size, out);
    }

    fn set_without(&mut self, excluded: &[bool]) -> &mut SpeakerSet {
        let all = u64::MAX >> (64 - self.positions.len().clamp(1, 64));
        let mut mask = excluded
            .iter()
            .take(self.positions.len())
            .enumerate()
            .fold(0, |mask, (index, &out)| mask | (u64::from(out) << index));
        if mask == all {
            mask = 0;
        }
        let place = match self.sets.iter().position(|set| set.excluded == mask) {
            Some(place) => place,
            None => self.remember(mask),
        };
        &mut self.sets[place]
    }

    fn remember(&mut self, excluded: u64) -> usize {
        let set = SpeakerSet {
            excluded,
            planes: Planes::new(&self.positions, excluded),
            extent: None,
        };
        if self.sets.len() <= REMEMBERED {
            self.sets.push(set);
            return self.sets.len() - 1;
        }
        let place = self.next_to_forget;
        self.next_to_forget = place % REMEMBERED + 1;
        self.sets[place] = set;
        place
    }
}
