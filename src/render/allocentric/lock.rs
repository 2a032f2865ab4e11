//! Channel lock in the cube (ITU-R BS.2127-1, clause 7.3.6, Cartesian path).
//!
//! In: a position, maxDistance, excluded loudspeakers. Out: a position. Knows nothing of gains.

use crate::adm::block::ChannelLock;
use crate::render::speakers::SpeakerLayout;

/// Distances that differ by less are equal.
const TOLERANCE: f64 = 1e-5;
/// Weights of the squared differences in X, Y and Z: a source jumps to the side more readily
/// than to the back, and to the back more readily than to another layer.
const WEIGHTS: [f64; 3] = [1.0 / 16.0, 4.0, 32.0];

/// Loudspeaker positions with the order in which equally near ones are taken.
#[derive(Clone, Debug)]
pub struct LockTargets {
    positions: Vec<[f64; 3]>,
    /// Indices into `positions`, the preferred loudspeaker first.
    by_priority: Vec<usize>,
}

impl LockTargets {
    /// `positions` of the full-range loudspeakers of `layout`.
    ///
    /// Of loudspeakers equally near, the one nearest to ear level is taken, then the lower one,
    /// then the one nearest to the front, then the one with the smaller azimuth (right of left).
    pub fn new(layout: &SpeakerLayout, positions: Vec<[f64; 3]>) -> Self {
        let speakers = layout.full_range();
        let mut by_priority: Vec<usize> = (0..positions.len()).collect();
        by_priority.sort_by(|&a, &b| {
            let key = |index: usize| {
                let speaker = &layout.speakers[speakers[index]];
                let (azimuth, elevation) = (speaker.azimuth, speaker.elevation);
                [elevation.abs(), elevation, azimuth.abs(), azimuth]
            };
            key(a)
                .iter()
                .zip(key(b))
                .fold(std::cmp::Ordering::Equal, |order, (a, b)| {
                    order.then(a.total_cmp(&b))
                })
        });
        Self {
            positions,
            by_priority,
        }
    }

    pub fn lock(&self, position: [f64; 3], lock: &ChannelLock, excluded: &[bool]) -> [f64; 3] {
        let near_enough = |speaker: [f64; 3]| match lock.max_distance {
            Some(max) => distance(position, speaker, [1.0; 3]) < max + TOLERANCE,
            None => true,
        };
        let candidates = || {
            self.by_priority
                .iter()
                .filter(|&&index| !excluded.get(index).copied().unwrap_or(false))
                .map(|&index| self.positions[index])
                .filter(|&speaker| near_enough(speaker))
        };
        let nearest = candidates()
            .map(|speaker| distance(position, speaker, WEIGHTS))
            .fold(f64::INFINITY, f64::min);
        candidates()
            .find(|&speaker| distance(position, speaker, WEIGHTS) < nearest + TOLERANCE)
            .unwrap_or(position)
    }
}

fn distance(a: [f64; 3], b: [f64; 3], weights: [f64; 3]) -> f64 {
    let squares = (0..3).map(|axis| weights[axis] * (a[axis] - b[axis]).powi(2));
    squares.sum::<f64>().sqrt()
}
