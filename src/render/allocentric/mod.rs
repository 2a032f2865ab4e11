//! Seam: the panner of Cartesian positions comes from another branch; replaced at the merge.

use super::geometry::Vector;
use super::speakers::SpeakerLayout;
use crate::adm::block::{ChannelLock, Zone};

#[derive(Clone, Debug)]
pub struct AllocentricPanner {
    speakers: usize,
}

impl AllocentricPanner {
    pub fn new(layout: &SpeakerLayout) -> Self {
        Self {
            speakers: layout.full_range().len(),
        }
    }

    pub fn excluded(&self, _zones: &[Zone], out: &mut Vec<bool>) {
        out.clear();
        out.resize(self.speakers, false);
    }

    pub fn lock(&self, position: Vector, _lock: &ChannelLock, _excluded: &[bool]) -> Vector {
        position
    }

    pub fn pan(&mut self, _position: Vector, _size: [f64; 3], _excluded: &[bool], out: &mut [f64]) {
        out.fill(0.0);
    }
}
