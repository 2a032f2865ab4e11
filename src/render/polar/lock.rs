//! channelLock of polar blocks: an object near a loudspeaker moves into it (ITU-R BS.2127-1,
//! clause 7.3.6).
//!
//! Positions are vectors, loudspeakers stand at distance 1. The order in which loudspeakers
//! of one distance are preferred is shared with the Cartesian lock.

use crate::adm::block::ChannelLock;
use crate::render::geometry::{Vector, cart, length, minus};
use crate::render::speakers::SpeakerLayout;

/// Distances that differ by less are the same.
const SAME: f64 = 1e-5;

/// The rank of each full-range loudspeaker: lowest elevation first, then lower before upper,
/// then the one nearer to the front, then right before left.
pub fn priorities(layout: &SpeakerLayout) -> Vec<usize> {
    let place = |n: usize| {
        let speaker = &layout.speakers[n];
        (speaker.azimuth, speaker.elevation)
    };
    let places: Vec<(f64, f64)> = layout.full_range().into_iter().map(place).collect();
    let mut order: Vec<usize> = (0..places.len()).collect();
    order.sort_by(|&a, &b| {
        let ((az_a, el_a), (az_b, el_b)) = (places[a], places[b]);
        el_a.abs()
            .total_cmp(&el_b.abs())
            .then(el_a.total_cmp(&el_b))
            .then(az_a.abs().total_cmp(&az_b.abs()))
            .then(az_a.total_cmp(&az_b))
    });
    let mut ranks = vec![0; order.len()];
    for (rank, index) in order.into_iter().enumerate() {
        ranks[index] = rank;
    }
    ranks
}

/// Locks vectors to the loudspeakers of one layout.
#[derive(Clone, Debug)]
pub struct PolarLock {
    /// Position and rank of each full-range loudspeaker.
    speakers: Vec<(Vector, usize)>,
}

impl PolarLock {
    pub fn new(layout: &SpeakerLayout) -> Self {
        let positions = layout.full_range().into_iter().map(|n| {
            let speaker = &layout.speakers[n];
            cart(speaker.azimuth, speaker.elevation, 1.0)
        });
        Self {
            speakers: positions.zip(priorities(layout)).collect(),
        }
    }

    /// The loudspeaker's position when one is near enough, else the object's own.
    pub fn lock(&self, position: Vector, lock: &ChannelLock) -> Vector {
        let distance = |at: Vector| length(minus(position, at));
        let reach = match lock.max_distance {
            Some(reach) if !reach.is_nan() => reach + SAME,
            _ => f64::INFINITY,
        };
        let nearest = self
            .speakers
            .iter()
            .map(|&(at, _)| distance(at))
            .fold(f64::INFINITY, f64::min);
        self.speakers
            .iter()
            .filter(|&&(at, _)| distance(at) < reach && distance(at) < nearest + SAME)
            .min_by_key(|&&(_, rank)| rank)
            .map_or(position, |&(at, _)| at)
    }
}
