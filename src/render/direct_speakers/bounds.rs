//! The place of a loudspeaker channel, with bounds, against the loudspeakers of a layout
//! (ITU-R BS.2127-1, clause 8.5).
//!
//! In: a position of a block. Out: the one loudspeaker that it means, if there is one.

use crate::adm::block::{Bounded, SpeakerPosition};
use crate::render::allocentric::position_of;
use crate::render::geometry::inside_angle_range;
use crate::render::speakers::Speaker;

/// Degrees, or lengths: what lies this near a border is inside, and two loudspeakers whose
/// distances differ by less are equally near.
const TOLERANCE: f64 = 1e-5;

/// Where a loudspeaker of the layout stands, in both coordinate systems.
#[derive(Clone, Copy, Debug)]
pub struct Target {
    azimuth: f64,
    elevation: f64,
    /// On the unit sphere.
    direction: [f64; 3],
    /// In the cube.
    allocentric: [f64; 3],
}

impl Target {
    pub fn new(speaker: &Speaker) -> Self {
        // Low-frequency loudspeakers have no place in BS.2051; BS.2127-1, clause 8.5 needs one.
        let (azimuth, elevation) = match speaker.label.as_str() {
            "LFE1" => (45.0, -30.0),
            "LFE2" => (-45.0, -30.0),
            _ => (speaker.azimuth, speaker.elevation),
        };
        Self {
            azimuth,
            elevation,
            direction: vector_of(azimuth, elevation, 1.0),
            allocentric: position_of(speaker),
        }
    }
}

/// A position with its bounds; one that the file does not give is the coordinate itself.
#[derive(Clone, Copy, Debug)]
pub enum Place {
    /// Azimuth, elevation, distance.
    Polar([Bounded; 3]),
    Cartesian([Bounded; 3]),
}

impl Place {
    pub fn of(position: &SpeakerPosition) -> Self {
        match *position {
            SpeakerPosition::Polar {
                azimuth,
                elevation,
                distance,
            } => Self::Polar([azimuth, elevation, distance]),
            SpeakerPosition::Cartesian { x, y, z } => Self::Cartesian([x, y, z]),
        }
    }

    pub fn cartesian(&self) -> bool {
        matches!(self, Self::Cartesian(_))
    }

    pub fn vector(&self) -> [f64; 3] {
        match self {
            Self::Polar(at) => vector_of(at[0].value, at[1].value, at[2].value),
            Self::Cartesian(at) => at.map(|coordinate| coordinate.value),
        }
    }

    /// Moves the position; bounds that the file gives stay where they are.
    pub fn move_to(&mut self, [x, y, z]: [f64; 3]) {
        match self {
            Self::Polar([azimuth, elevation, _]) => {
                azimuth.value = -x.atan2(y).to_degrees();
                elevation.value = z.atan2(x.hypot(y)).to_degrees();
            }
            Self::Cartesian(at) => {
                for (coordinate, value) in at.iter_mut().zip([x, y, z]) {
                    coordinate.value = value;
                }
            }
        }
    }

    /// The nearest loudspeaker of those within the bounds for which `wanted` is true; `None`
    /// when there is none, and when several are equally near.
    pub fn nearest_within_bounds(
        &self,
        targets: &[Target],
        wanted: impl Fn(usize) -> bool,
    ) -> Option<usize> {
        let at = self.vector();
        let distance = |speaker: usize| {
            let target = match self {
                Self::Polar(_) => targets[speaker].direction,
                Self::Cartesian(_) => targets[speaker].allocentric,
            };
            let squares = (0..3).map(|axis| (target[axis] - at[axis]).powi(2));
            squares.sum::<f64>().sqrt()
        };
        let within = || (0..targets.len()).filter(|&s| wanted(s) && self.encloses(&targets[s]));
        let nearest = within().min_by(|&a, &b| distance(a).total_cmp(&distance(b)))?;
        let near = within().filter(|&s| distance(s) - distance(nearest) < TOLERANCE);
        (near.count() == 1).then_some(nearest)
    }

    fn encloses(&self, target: &Target) -> bool {
        match self {
            Self::Polar([azimuth, elevation, distance]) => {
                // At a pole there is no azimuth.
                let around = target.elevation.abs() >= 90.0 - TOLERANCE
                    || inside_angle_range(target.azimuth, low(azimuth), high(azimuth), TOLERANCE);
                around && is_within(target.elevation, elevation) && is_within(1.0, distance)
            }
            Self::Cartesian(at) => {
                let mut axes = at.iter().zip(target.allocentric);
                axes.all(|(bounded, coordinate)| is_within(coordinate, bounded))
            }
        }
    }
}

fn low(bounded: &Bounded) -> f64 {
    bounded.min.unwrap_or(bounded.value)
}

fn high(bounded: &Bounded) -> f64 {
    bounded.max.unwrap_or(bounded.value)
}

fn is_within(value: f64, bounded: &Bounded) -> bool {
    value > low(bounded) - TOLERANCE && value < high(bounded) + TOLERANCE
}

fn vector_of(azimuth: f64, elevation: f64, distance: f64) -> [f64; 3] {
    let (azimuth, elevation) = (azimuth.to_radians(), elevation.to_radians());
    [
        -azimuth.sin() * elevation.cos() * distance,
        azimuth.cos() * elevation.cos() * distance,
        elevation.sin() * distance,
    ]
}
