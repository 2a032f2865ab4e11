//! A position on the way of an object, whichever way the file writes it, and the difference
//! between two of them.
//!
//! Directions are unit vectors: X to the right, Y to the front, Z up (ITU-R BS.2127-1, clause
//! 6.8, for the sense of azimuth: left positive). Knows nothing of blocks and times.

use crate::render::conversion::position_to_polar;

/// Two Cartesian spots that are no farther apart than this, as an angle at distance 1, are as
/// far apart as the way between them: 0.017, more than rounding to 0.01 moves a spot. Own choice.
const SMALL_DEG: f64 = 1.0;
/// Shorter than this a Cartesian vector has no direction to speak of.
const NEAR: f64 = 1e-9;

#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Spot {
    Polar { direction: [f64; 3], distance: f64 },
    Cartesian([f64; 3]),
}

impl Spot {
    /// From azimuth, elevation (degrees) and distance, or from X, Y, Z.
    pub(super) fn new(position: [f64; 3], cartesian: bool) -> Self {
        let position = position.map(|value| if value.is_finite() { value } else { 0.0 });
        if cartesian {
            return Self::Cartesian(position);
        }
        let [azimuth, elevation, distance] = position;
        let (sin_azimuth, cos_azimuth) = azimuth.to_radians().sin_cos();
        let (sin_elevation, cos_elevation) = elevation.to_radians().sin_cos();
        Self::Polar {
            direction: [
                -sin_azimuth * cos_elevation,
                cos_azimuth * cos_elevation,
                sin_elevation,
            ],
            distance,
        }
    }

    /// `None` at the listener's own place.
    fn direction(self) -> Option<[f64; 3]> {
        match self {
            Self::Polar { direction, .. } => Some(direction),
            Self::Cartesian(vector) => {
                let length = length(vector);
                (length > NEAR).then(|| vector.map(|value| value / length))
            }
        }
    }

    fn distance(self) -> f64 {
        match self {
            Self::Polar { distance, .. } => distance,
            Self::Cartesian(vector) => length(vector),
        }
    }

    fn vector(self) -> [f64; 3] {
        match self {
            Self::Polar {
                direction,
                distance,
            } => direction.map(|value| value * distance),
            Self::Cartesian(vector) => vector,
        }
    }

    /// The spot a `share` of the way to `other`: along the great circle where both are polar,
    /// else along the straight line.
    pub(super) fn towards(self, other: Self, share: f64) -> Self {
        match (self, other) {
            (
                Self::Polar {
                    direction: from,
                    distance: near,
                },
                Self::Polar {
                    direction: to,
                    distance: far,
                },
            ) => Self::Polar {
                direction: along(from, to, share),
                distance: near + (far - near) * share,
            },
            _ => Self::Cartesian(mix(self.vector(), other.vector(), share)),
        }
    }
}

/// The angle between two directions in degrees.
pub(super) fn angle_deg(one: Spot, other: Spot) -> f64 {
    if one == other {
        return 0.0;
    }
    match (one.direction(), other.direction()) {
        (Some(one), Some(other)) => chord_angle(one, other).to_degrees(),
        _ => 0.0,
    }
}

/// The angle in degrees, and the difference of the distances.
///
/// Close to the listener a Cartesian direction turns by any angle over no way at all: two such
/// spots are no farther apart in degrees than the way between them would be at distance 1. A
/// polar and a Cartesian spot are as near as either reading of X, Y and Z has them: as a
/// direction in free space, or as a place in the room of ITU-R BS.2127-1, clause 10, whose
/// corners are loudspeakers.
pub(super) fn difference(one: Spot, other: Spot) -> (f64, f64) {
    match (one, other) {
        (Spot::Cartesian(from), Spot::Cartesian(to)) => {
            let way = length([from[0] - to[0], from[1] - to[1], from[2] - to[2]]);
            let mut angle = angle_deg(one, other);
            if way.to_degrees() <= SMALL_DEG {
                angle = angle.min(way.to_degrees());
            }
            (angle, (one.distance() - other.distance()).abs())
        }
        (Spot::Polar { .. }, Spot::Polar { .. }) => {
            let distance = (one.distance() - other.distance()).abs();
            (angle_deg(one, other), distance)
        }
        (Spot::Polar { .. }, Spot::Cartesian(room)) => unlike(one, other, room),
        (Spot::Cartesian(room), Spot::Polar { .. }) => unlike(other, one, room),
    }
}

fn unlike(polar: Spot, free: Spot, room: [f64; 3]) -> (f64, f64) {
    let in_room = Spot::new(position_to_polar(room), false);
    let of = |spot: Spot| {
        let distance = (polar.distance() - spot.distance()).abs();
        (angle_deg(polar, spot), distance)
    };
    let (free, in_room) = (of(free), of(in_room));
    if free.0 < in_room.0 { free } else { in_room }
}

/// The angle in degrees from a spot to the nearest point of the way along `line`.
pub(super) fn angle_to_line(from: Spot, line: &[Spot]) -> f64 {
    let points = line.iter().map(|spot| difference(from, *spot).0);
    let nearest = points.fold(f64::INFINITY, f64::min);
    let between = line.windows(2).filter_map(|ends| {
        let (start, end) = (ends[0], ends[1]);
        if start == end {
            return None;
        }
        let (start, end) = match (from, start, end) {
            (Spot::Polar { .. }, Spot::Cartesian(start), Spot::Cartesian(end)) => {
                let polar = |room| Spot::new(position_to_polar(room), false);
                // Either reading of X, Y and Z, whichever is nearer.
                if difference(from, ends[0]).0 < angle_deg(from, ends[0]) {
                    (polar(start), polar(end))
                } else {
                    (ends[0], ends[1])
                }
            }
            _ => (start, end),
        };
        let (here, start_at, end_at) = (from.direction()?, start.direction()?, end.direction()?);
        // The nearest point of the chord lies near that of the arc, which is short.
        let along: [f64; 3] = std::array::from_fn(|axis| end_at[axis] - start_at[axis]);
        let square = along.iter().map(|value| value * value).sum::<f64>();
        if square <= 0.0 {
            return None;
        }
        let angle_at = |share: f64| angle_deg(from, start.towards(end, share));
        let to: f64 = (0..3)
            .map(|axis| (here[axis] - start_at[axis]) * along[axis])
            .sum();
        let share = (to / square).clamp(0.0, 1.0);
        Some(angle_at(share))
    });
    between.fold(nearest, f64::min)
}

fn chord_angle(one: [f64; 3], other: [f64; 3]) -> f64 {
    let chord = length([one[0] - other[0], one[1] - other[1], one[2] - other[2]]);
    2.0 * (chord / 2.0).min(1.0).asin()
}

fn along(from: [f64; 3], to: [f64; 3], share: f64) -> [f64; 3] {
    let angle = chord_angle(from, to);
    let sine = angle.sin();
    if sine < 1e-9 {
        // The same direction; or the opposite one, to which every way is a great circle: then
        // it stays until half of the time.
        return if angle < 1.0 || share >= 0.5 {
            to
        } else {
            from
        };
    }
    let (before, after) = (
        ((1.0 - share) * angle).sin() / sine,
        (share * angle).sin() / sine,
    );
    std::array::from_fn(|axis| before * from[axis] + after * to[axis])
}

fn mix(from: [f64; 3], to: [f64; 3], share: f64) -> [f64; 3] {
    std::array::from_fn(|axis| from[axis] + (to[axis] - from[axis]) * share)
}

fn length([x, y, z]: [f64; 3]) -> f64 {
    (x * x + y * y + z * z).sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn polar(azimuth: f64, elevation: f64) -> Spot {
        Spot::new([azimuth, elevation, 1.0], false)
    }

    #[test]
    fn angles_are_those_between_directions() {
        // The spherical law of cosines at 60 degrees of elevation: cos = sin^2 + cos^2 cos(az).
        let expected = (0.75_f64 + 0.25 * 10_f64.to_radians().cos())
            .acos()
            .to_degrees();
        let found = angle_deg(polar(0.0, 60.0), polar(10.0, 60.0));
        assert!((found - expected).abs() < 1e-9, "{found} {expected}");
        assert!((angle_deg(polar(179.9, 0.0), polar(-179.9, 0.0)) - 0.2).abs() < 1e-9);
        assert!(angle_deg(polar(20.0, 90.0), polar(-70.0, 90.0)) < 1e-9);
        assert!((angle_deg(polar(0.0, 0.0), polar(180.0, 0.0)) - 180.0).abs() < 1e-6);
    }

    #[test]
    fn cartesian_and_polar_directions_are_the_same_directions() {
        // BS.2076-2, clause 8: X to the right, so azimuth +90 is X = -1.
        let left = Spot::new([-1.0, 0.0, 0.0], true);
        assert!(angle_deg(left, polar(90.0, 0.0)) < 1e-9);
        let corner = Spot::new([1.0, 1.0, 0.0], true);
        assert!(angle_deg(corner, polar(-45.0, 0.0)) < 1e-9);
    }

    #[test]
    fn halfway_on_a_great_circle_is_as_far_from_both_ends() {
        let (from, to) = (polar(30.0, 10.0), polar(-70.0, 45.0));
        let middle = from.towards(to, 0.5);
        let whole = angle_deg(from, to);
        assert!((angle_deg(from, middle) - whole / 2.0).abs() < 1e-9);
        assert!((angle_deg(middle, to) - whole / 2.0).abs() < 1e-9);
    }

    #[test]
    fn rounding_close_to_the_listener_is_no_movement() {
        let (one, other) = (
            Spot::new([0.0004, 0.0, 0.0], true),
            Spot::new([-0.0004, 0.0, 0.0], true),
        );
        assert!(difference(one, other).0 < 0.1);
        let far = Spot::new([-0.1, 0.0, 0.0], true);
        assert!(difference(one, far).0 > 179.0);
    }
}
