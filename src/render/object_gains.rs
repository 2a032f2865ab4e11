//! One block of an object to its gains on a layout (ITU-R BS.2127-1, clause 7.3).
//!
//! The order of the clause: coordinates, screen scaling, screen edge lock, channel lock,
//! divergence, extent, zone exclusion, gain, and the split into a direct and a diffuse part.
//! Positions out of range are moved into it and numbers that are none become the default,
//! so that no file can make a gain that is not a number. absoluteDistance is not heard: the
//! standard renders for distance 1 at the loudspeakers, whatever their distance is.

use super::allocentric::AllocentricPanner;
use super::divergence::diverge;
use super::geometry::{Vector, cart};
use super::point::{ObjectGains, ObjectPoint};
use super::polar::NoPanner;
use super::polar::extent::{Extent, PolarExtent, Scratch};
use super::polar::lock::PolarLock;
use super::polar::zones::ZoneExclusion;
use super::screen::ScreenHandler;
use super::speakers::SpeakerLayout;
use crate::adm::block::ObjectTraits;

/// Further away, an object only loses digits.
const FAR: f64 = 1e6;

/// Gains of object blocks on one layout.
#[derive(Clone, Debug)]
pub struct ObjectGainCalculator {
    screen: ScreenHandler,
    lock: PolarLock,
    zones: ZoneExclusion,
    extent: PolarExtent,
    allocentric: AllocentricPanner,
    full_range: Vec<usize>,
    outputs: usize,
    scratch: Room,
}

/// Room for one block; each as long as there are full-range loudspeakers.
#[derive(Clone, Debug)]
struct Room {
    extent: Scratch,
    excluded: Vec<bool>,
    gains: Vec<f64>,
    power: Vec<f64>,
    rerouted: Vec<f64>,
}

impl ObjectGainCalculator {
    pub fn new(layout: &SpeakerLayout) -> Result<Self, NoPanner> {
        let full_range = layout.full_range();
        let count = full_range.len();
        Ok(Self {
            screen: ScreenHandler::new(layout),
            lock: PolarLock::new(layout),
            zones: ZoneExclusion::new(layout),
            extent: PolarExtent::new(layout)?,
            allocentric: AllocentricPanner::new(layout),
            full_range,
            outputs: layout.len(),
            scratch: Room {
                extent: Scratch::default(),
                excluded: Vec::with_capacity(count),
                gains: vec![0.0; count],
                power: vec![0.0; count],
                rerouted: vec![0.0; count],
            },
        })
    }

    /// Writes the gains of a block to `out`, one for each loudspeaker of the layout.
    pub fn gains(&mut self, point: &ObjectPoint, out: &mut ObjectGains) {
        let traits = point.traits;
        let mut position = placed(point.position, traits.cartesian);
        if traits.screen_ref {
            let reference = point.reference_screen;
            position = self.screen.scale(position, reference, traits.cartesian);
        }
        let edges = traits.screen_edge_lock;
        position = self.screen.lock(position, edges, traits.cartesian);

        self.scratch.power.fill(0.0);
        if traits.cartesian {
            self.add_cartesian(position, point);
        } else {
            self.add_polar(position, point);
        }

        let gain = finite_or(point.gain, 0.0);
        let diffuse = finite_or(traits.diffuse, 0.0).clamp(0.0, 1.0);
        let (direct, diffuse) = (gain * (1.0 - diffuse).sqrt(), gain * diffuse.sqrt());
        for (list, gain) in [(&mut out.direct, direct), (&mut out.diffuse, diffuse)] {
            list.clear();
            list.resize(self.outputs, 0.0);
            for (&output, power) in self.full_range.iter().zip(&self.scratch.power) {
                list[output] = power.sqrt() * gain;
            }
        }
    }

    fn add_polar(&mut self, mut position: Vector, point: &ObjectPoint) {
        let traits = point.traits;
        let room = &mut self.scratch;
        if let Some(lock) = &traits.channel_lock {
            position = self.lock.lock(position, lock);
        }
        let extent = Extent {
            width: size(traits.width, 360.0),
            height: size(traits.height, 360.0),
            depth: size(traits.depth, FAR),
        };
        let diverged = diverge(position, traits.divergence.as_ref(), false, point.revision);
        for &(share, position) in diverged.places() {
            let (scratch, power) = (&mut room.extent, &mut room.power);
            self.extent
                .add_power(position, extent, share, scratch, power);
        }
        let zones = &traits.zone_exclusion;
        if !zones.is_empty() && self.zones.excluded(zones, &mut room.excluded) {
            self.zones
                .reroute(&room.excluded, &room.power, &mut room.rerouted);
            std::mem::swap(&mut room.power, &mut room.rerouted);
        }
    }

    fn add_cartesian(&mut self, mut position: Vector, point: &ObjectPoint) {
        let traits = point.traits;
        let room = &mut self.scratch;
        self.allocentric
            .excluded(&traits.zone_exclusion, &mut room.excluded);
        if let Some(lock) = &traits.channel_lock {
            position = self.allocentric.lock(position, lock, &room.excluded);
        }
        let sizes = cartesian_size(traits);
        let diverged = diverge(position, traits.divergence.as_ref(), true, point.revision);
        for &(share, position) in diverged.places() {
            self.allocentric
                .pan(position, sizes, &room.excluded, &mut room.gains);
            for (power, gain) in room.power.iter_mut().zip(&room.gains) {
                let gain = finite_or(*gain, 0.0);
                *power += share * gain * gain;
            }
        }
    }
}

/// The position of a block as a vector: in polar blocks a direction times its distance, in
/// Cartesian ones a place in the room, whose walls hold what would be outside (clause 7.3.1).
fn placed(position: [f64; 3], cartesian: bool) -> Vector {
    if cartesian {
        return position.map(|coordinate| finite_or(coordinate, 0.0).clamp(-1.0, 1.0));
    }
    let [azimuth, elevation, distance] = position;
    cart(
        finite_or(azimuth, 0.0),
        finite_or(elevation, 0.0).clamp(-90.0, 90.0),
        finite_or(distance, 1.0).clamp(0.0, FAR),
    )
}

/// Width, depth and height: the sizes along X, Y and Z.
fn cartesian_size(traits: &ObjectTraits) -> [f64; 3] {
    [traits.width, traits.depth, traits.height].map(|along| size(along, FAR))
}

fn size(size: f64, most: f64) -> f64 {
    finite_or(size, 0.0).clamp(0.0, most)
}

fn finite_or(value: f64, default: f64) -> f64 {
    if value.is_finite() { value } else { default }
}
