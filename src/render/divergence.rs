//! objectDivergence: one position becomes three with gains that sum to one (ITU-R BS.2127-1,
//! clause 7.3.7).
//!
//! At 0 everything is in the middle, at 0.5 each of the three has a third, at 1 the middle is
//! empty. Works on vectors, polar ones too; knows no loudspeaker.

use super::geometry::{Vector, azimuth, cart, dot, elevation, length, looking_at};
use crate::adm::block::Divergence;

/// Up to three positions with the share of the power that each has.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Diverged {
    places: [(f64, Vector); 3],
    count: usize,
}

impl Diverged {
    pub fn places(&self) -> &[(f64, Vector)] {
        &self.places[..self.count]
    }
}

/// azimuthRange where a block gives none: BS.2076-1 had 45 degrees, from BS.2076-2 on it is 0.
fn default_azimuth_range(revision: u32) -> f64 {
    if revision >= 2 { 0.0 } else { 45.0 }
}

/// Diverges a position; `cartesian` and `revision` are those of the block and its document.
pub fn diverge(
    position: Vector,
    divergence: Option<&Divergence>,
    cartesian: bool,
    revision: u32,
) -> Diverged {
    let whole = Diverged {
        places: [(1.0, position); 3],
        count: 1,
    };
    let Some(divergence) = divergence else {
        return whole;
    };
    let finite = |range: Option<f64>| range.filter(|range| range.is_finite());
    let value = divergence.value.clamp(0.0, 1.0);
    // Not a number is no divergence, like 0.
    if value.is_nan() || value <= 0.0 {
        return whole;
    }
    let (left, right) = if cartesian {
        let range = finite(divergence.position_range).unwrap_or(0.0);
        let moved = |by: f64| [position[0] + by, position[1], position[2]];
        (moved(range), moved(-range))
    } else {
        let range =
            finite(divergence.azimuth_range).unwrap_or_else(|| default_azimuth_range(revision));
        let distance = length(position);
        let axes = looking_at(azimuth(position), elevation(position));
        let turned = |by: f64| {
            let own = cart(by, 0.0, distance);
            [0, 1, 2].map(|axis| dot(own, [axes[0][axis], axes[1][axis], axes[2][axis]]))
        };
        (turned(range), turned(-range))
    };
    let in_room = |place: Vector| {
        if cartesian {
            place.map(|coordinate| coordinate.clamp(-1.0, 1.0))
        } else {
            place
        }
    };
    let side = value / (value + 1.0);
    let centre = (1.0 - value) / (value + 1.0);
    Diverged {
        places: [
            (side, in_room(left)),
            (centre, in_room(position)),
            (side, in_room(right)),
        ],
        count: 3,
    }
}
