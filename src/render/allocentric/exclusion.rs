//! Which loudspeakers a block's zoneExclusion takes away (ITU-R BS.2127-1, clause 7.3.12, and
//! clause 7.3.5 for the Cartesian path).
//!
//! In: zones. Out: a flag per full-range loudspeaker. What is done with the gains is the panners'.

use crate::adm::block::Zone;
use crate::render::geometry::{Vector, cart, inside_angle_range};
use crate::render::speakers::SpeakerLayout;

/// A loudspeaker on a zone's border is inside.
const TOLERANCE: f64 = 1e-6;

/// The nominal directions of the full-range loudspeakers, over which zones are laid.
#[derive(Clone, Debug)]
pub struct ZoneTargets {
    speakers: Vec<Target>,
}

#[derive(Clone, Copy, Debug)]
struct Target {
    azimuth: f64,
    elevation: f64,
    /// On the unit sphere.
    direction: Vector,
}

impl ZoneTargets {
    pub fn new(layout: &SpeakerLayout) -> Self {
        let targets = layout.full_range().into_iter().map(|index| {
            let speaker = &layout.speakers[index];
            Target {
                azimuth: speaker.azimuth,
                elevation: speaker.elevation,
                direction: cart(speaker.azimuth, speaker.elevation, 1.0),
            }
        });
        Self {
            speakers: targets.collect(),
        }
    }

    /// True for each loudspeaker that lies in at least one zone, polar and Cartesian ones alike.
    pub fn in_zones(&self, zones: &[Zone], out: &mut Vec<bool>) {
        out.clear();
        let inside = |target: &Target| zones.iter().any(|zone| target.is_in(zone));
        out.extend(self.speakers.iter().map(inside));
    }
}

impl Target {
    fn is_in(&self, zone: &Zone) -> bool {
        match zone {
            Zone::Cartesian { min, max } => (0..3).all(|axis| {
                self.direction[axis] - TOLERANCE < max[axis]
                    && self.direction[axis] + TOLERANCE > min[axis]
            }),
            Zone::Polar {
                min_azimuth,
                max_azimuth,
                min_elevation,
                max_elevation,
            } => {
                self.elevation - TOLERANCE < *max_elevation
                    && self.elevation + TOLERANCE > *min_elevation
                    // A loudspeaker at a pole has no azimuth: it is in any range.
                    && (self.elevation.abs() > 90.0 - TOLERANCE
                        || inside_angle_range(self.azimuth, *min_azimuth, *max_azimuth, TOLERANCE))
            }
        }
    }
}

/// Excludes the whole row of an excluded loudspeaker that stands at a side wall between the
/// corners: without its end the row cannot be panned along. Nothing stays excluded when
/// everything would be.
pub fn widen_to_rows(positions: &[[f64; 3]], excluded: &mut [bool]) {
    for speaker in 0..positions.len() {
        let [x, y, z] = positions[speaker];
        if excluded[speaker] && x.abs() == 1.0 && y.abs() != 1.0 {
            for (other, position) in positions.iter().enumerate() {
                excluded[other] |= position[1] == y && position[2] == z;
            }
        }
    }
    if excluded.iter().all(|&out| out) {
        excluded.fill(false);
    }
}
