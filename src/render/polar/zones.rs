//! zoneExclusion: which loudspeakers a block must not use, and where their sound goes in polar
//! blocks (ITU-R BS.2127-1, clause 7.3.12).
//!
//! Loudspeakers are judged by their nominal positions on the unit sphere, for zones of both
//! kinds. The power of an excluded loudspeaker goes to the nearest group of loudspeakers that are not
//! excluded: same layer first, then same side front or back, then distance.

use crate::adm::block::Zone;
use crate::render::geometry::{Vector, cart, inside_angle_range, length, minus};
use crate::render::speakers::SpeakerLayout;

/// A zone's border is this much wider than it says.
const BORDER: f64 = 1e-6;
/// Keys that differ by less are the same.
const SAME: f64 = 1e-6;

/// How near a loudspeaker is to another; ascending.
type Nearness = [f64; 4];

/// Rank of the layer that sound goes to (bottom, middle, upper, top), by the layer it comes
/// from: rather up than down.
const LAYER_RANKS: [[f64; 4]; 4] = [
    [0.0, 1.0, 2.0, 3.0],
    [3.0, 0.0, 1.0, 2.0],
    [3.0, 2.0, 0.0, 1.0],
    [3.0, 2.0, 1.0, 0.0],
];

/// The loudspeakers of one layout as zones see them.
#[derive(Clone, Debug)]
pub struct ZoneExclusion {
    speakers: Vec<Place>,
    /// For each loudspeaker the groups that take over its power, nearest first; itself is first.
    heirs: Vec<Vec<Vec<usize>>>,
}

#[derive(Clone, Copy, Debug)]
struct Place {
    azimuth: f64,
    elevation: f64,
    position: Vector,
}

impl Place {
    fn layer(&self) -> usize {
        match self.elevation {
            e if e < -10.0 => 0,
            e if e < 10.0 => 1,
            e if e < 75.0 => 2,
            _ => 3,
        }
    }

    /// -1 behind, 1 in front, 0 at the side.
    fn front(&self) -> f64 {
        if self.position[1].abs() <= SAME {
            0.0
        } else {
            self.position[1].signum()
        }
    }

    fn nearness(&self, to: &Self) -> Nearness {
        [
            LAYER_RANKS[self.layer()][to.layer()],
            (self.front() - to.front()).abs(),
            length(minus(self.position, to.position)),
            (self.position[1] - to.position[1]).abs(),
        ]
    }

    fn is_in(&self, zone: &Zone) -> bool {
        match *zone {
            Zone::Cartesian { min, max } => (0..3).all(|axis| {
                let at = self.position[axis];
                at - BORDER < max[axis] && at + BORDER > min[axis]
            }),
            Zone::Polar {
                min_azimuth,
                max_azimuth,
                min_elevation,
                max_elevation,
            } => {
                let at_pole = self.elevation.abs() > 90.0 - BORDER;
                self.elevation - BORDER < max_elevation
                    && self.elevation + BORDER > min_elevation
                    && (at_pole
                        || inside_angle_range(self.azimuth, min_azimuth, max_azimuth, BORDER))
            }
        }
    }
}

impl ZoneExclusion {
    pub fn new(layout: &SpeakerLayout) -> Self {
        let places = layout.full_range().into_iter().map(|n| {
            let speaker = &layout.speakers[n];
            Place {
                azimuth: speaker.azimuth,
                elevation: speaker.elevation,
                position: cart(speaker.azimuth, speaker.elevation, 1.0),
            }
        });
        let speakers: Vec<Place> = places.collect();
        let heirs = speakers
            .iter()
            .map(|from| groups(from, &speakers))
            .collect();
        Self { speakers, heirs }
    }

    /// Which full-range loudspeakers lie in any of the zones; `true` when there is one.
    pub fn excluded(&self, zones: &[Zone], out: &mut Vec<bool>) -> bool {
        out.clear();
        out.extend(
            self.speakers
                .iter()
                .map(|speaker| zones.iter().any(|zone| speaker.is_in(zone))),
        );
        out.contains(&true)
    }

    /// Adds the power of each loudspeaker to `out`: its own place, or its heirs' when it is
    /// excluded. When none would be left, nothing is excluded.
    pub fn reroute(&self, excluded: &[bool], power: &[f64], out: &mut [f64]) {
        out.fill(0.0);
        if !excluded.contains(&false) {
            out.copy_from_slice(power);
            return;
        }
        for (groups, &power) in self.heirs.iter().zip(power) {
            for group in groups {
                let left = group.iter().filter(|&&heir| !excluded[heir]).count();
                if left > 0 {
                    for &heir in group.iter().filter(|&&heir| !excluded[heir]) {
                        out[heir] += power / left as f64;
                    }
                    break;
                }
            }
        }
    }
}

/// All loudspeakers in groups of equal nearness to `from`, nearest first.
fn groups(from: &Place, speakers: &[Place]) -> Vec<Vec<usize>> {
    let mut groups: Vec<(Nearness, Vec<usize>)> = Vec::new();
    for (index, to) in speakers.iter().enumerate() {
        let nearness = from.nearness(to);
        // Kept sorted by insertion: an order with a tolerance is none that a sort may be given.
        let place = groups
            .iter()
            .position(|(other, _)| !before(other, &nearness));
        match place {
            Some(place) if !before(&nearness, &groups[place].0) => groups[place].1.push(index),
            Some(place) => groups.insert(place, (nearness, vec![index])),
            None => groups.push((nearness, vec![index])),
        }
    }
    groups.into_iter().map(|(_, group)| group).collect()
}

fn before(a: &Nearness, b: &Nearness) -> bool {
    let first_difference = a.iter().zip(b).find(|(a, b)| (*a - *b).abs() >= SAME);
    first_difference.is_some_and(|(a, b)| a < b)
}
