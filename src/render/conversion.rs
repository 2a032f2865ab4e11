//! Cartesian positions and extents of objects to polar ones, and back (ITU-R BS.2127-1, clause 10).
//!
//! The two systems do not lie over each other: the corners of the Cartesian room are the
//! loudspeakers at 30 and 110 degrees, its upper edge lies at 30 degrees of elevation. Only
//! position and extent are converted; the other parameters of a block mean the same in both.
//! Every finite input has a finite answer; sizes beyond the room are taken as the room's.

use super::geometry::{Vector, azimuth, inside_angle_range, length, looking_at, relative_angle};

/// Position and extent of a polar block, in its units.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PolarPlace {
    /// Azimuth, elevation (degrees) and distance.
    pub position: [f64; 3],
    pub width: f64,
    pub height: f64,
    pub depth: f64,
}

/// Position and extent of a Cartesian block.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct CartesianPlace {
    /// X, Y, Z.
    pub position: Vector,
    /// Size along X.
    pub width: f64,
    /// Size along Z.
    pub height: f64,
    /// Size along Y.
    pub depth: f64,
}

/// A corner of the room's floor plan: the azimuth that plays there, and its X and Y.
type Corner = (f64, [f64; 2]);

/// Clockwise from the front, so that corner n is the left end of sector n.
const CORNERS: [Corner; 5] = [
    (0.0, [0.0, 1.0]),
    (-30.0, [1.0, 1.0]),
    (-110.0, [1.0, -1.0]),
    (110.0, [-1.0, -1.0]),
    (30.0, [-1.0, 1.0]),
];

/// Elevation of the room's upper edge in polar coordinates, and seen within the room.
const TOP: f64 = 30.0;
const TOP_IN_ROOM: f64 = 45.0;

/// X and Y shorter than this is straight above, below or in the middle.
const ON_AXIS: f64 = 1e-10;

fn sector(inside: impl Fn(&Corner, &Corner) -> bool) -> (Corner, Corner) {
    let sectors = (0..CORNERS.len()).map(|n| (CORNERS[n], CORNERS[(n + 1) % CORNERS.len()]));
    sectors
        .clone()
        .find(|(left, right)| inside(left, right))
        // Sectors are closed at both ends and cover the circle.
        .unwrap_or((CORNERS[0], CORNERS[1]))
}

/// Azimuth of the middle between two corners, and half the angle between them.
fn middle_and_half(left: &Corner, right: &Corner) -> (f64, f64) {
    let left_azimuth = relative_angle(right.0, left.0);
    let middle = (left_azimuth + right.0) / 2.0;
    (middle, right.0 - middle)
}

/// Azimuth, elevation, distance to X, Y, Z.
pub fn position_to_cartesian([azimuth, elevation, distance]: [f64; 3]) -> Vector {
    let (z, radius) = if elevation.abs() > TOP {
        let in_room = TOP_IN_ROOM + (90.0 - TOP_IN_ROOM) * (elevation.abs() - TOP) / (90.0 - TOP);
        (
            distance * elevation.signum(),
            distance * (90.0 - in_room).to_radians().tan(),
        )
    } else {
        let in_room = TOP_IN_ROOM * elevation / TOP;
        (in_room.to_radians().tan() * distance, distance)
    };
    let (left, right) = sector(|left, right| inside_angle_range(azimuth, right.0, left.0, 0.0));
    let (middle, half) = middle_and_half(&left, &right);
    let from_middle = relative_angle(right.0, azimuth) - middle;
    let right_gain = 0.5 + 0.5 * from_middle.to_radians().tan() / half.to_radians().tan();
    let part = right_gain.atan2(1.0 - right_gain) * std::f64::consts::FRAC_2_PI;
    let on_wall = |axis: usize| radius * (left.1[axis] + (right.1[axis] - left.1[axis]) * part);
    [on_wall(0), on_wall(1), z]
}

/// X, Y, Z to azimuth, elevation, distance.
pub fn position_to_polar([x, y, z]: Vector) -> [f64; 3] {
    if x.abs() < ON_AXIS && y.abs() < ON_AXIS {
        if z.abs() < ON_AXIS {
            return [0.0, 0.0, 0.0];
        }
        return [0.0, 90_f64.copysign(z), z.abs()];
    }
    let in_room_azimuth = azimuth([x, y, 0.0]);
    let wall_azimuth = |corner: &Corner| azimuth([corner.1[0], corner.1[1], 0.0]);
    let (left, right) = sector(|left, right| {
        inside_angle_range(
            in_room_azimuth,
            wall_azimuth(right),
            wall_azimuth(left),
            0.0,
        )
    });
    // [x, y] = left_gain * left + right_gain * right
    let ([lx, ly], [rx, ry]) = (left.1, right.1);
    let determinant = lx * ry - ly * rx;
    let left_gain = (x * ry - y * rx) / determinant;
    let right_gain = (y * lx - x * ly) / determinant;
    let radius = left_gain + right_gain;

    let (middle, half) = middle_and_half(&left, &right);
    let (sin, cos) = (right_gain / radius * std::f64::consts::FRAC_PI_2).sin_cos();
    let towards_right = 2.0 * (sin / (cos + sin) - 0.5);
    let from_middle = (towards_right * half.to_radians().tan())
        .atan()
        .to_degrees();
    let polar_azimuth = relative_angle(-180.0, middle + from_middle);

    let in_room = z.atan2(radius).to_degrees();
    if in_room.abs() > TOP_IN_ROOM {
        let elevation = TOP + (90.0 - TOP) * (in_room.abs() - TOP_IN_ROOM) / (90.0 - TOP_IN_ROOM);
        [polar_azimuth, elevation.copysign(in_room), z.abs()]
    } else {
        [polar_azimuth, TOP * in_room / TOP_IN_ROOM, radius]
    }
}

/// A polar block's place as a Cartesian block has it.
pub fn to_cartesian(place: &PolarPlace) -> CartesianPlace {
    let sizes = sizes_of_angles(place.width, place.height, place.depth);
    // Each axis of the object's own frame contributes its size along X, Y and Z.
    let axes = looking_at(place.position[0], place.position[1]);
    let along = |axis: usize| length([0, 1, 2].map(|own| axes[own][axis] * sizes[own]));
    CartesianPlace {
        position: position_to_cartesian(place.position),
        width: along(0),
        depth: along(1),
        height: along(2),
    }
}

/// A Cartesian block's place as a polar block has it.
pub fn to_polar(place: &CartesianPlace) -> PolarPlace {
    let position = position_to_polar(place.position);
    let axes = looking_at(position[0], position[1]);
    let sizes = [place.width, place.depth, place.height];
    let along = |own: usize| length([0, 1, 2].map(|axis| axes[own][axis] * sizes[axis]));
    let [width, height, depth] = angles_of_sizes([along(0), along(1), along(2)]);
    PolarPlace {
        position,
        width,
        height,
        depth,
    }
}

/// Sizes to the right, forward and up of an object in front that is `width` and `height`
/// degrees large.
fn sizes_of_angles(width: f64, height: f64, depth: f64) -> [f64; 3] {
    let across = |angle: f64| {
        if angle < 180.0 {
            (angle / 2.0).to_radians().sin()
        } else {
            1.0
        }
    };
    let into = |angle: f64| (1.0 - (angle / 2.0).to_radians().cos()) / 2.0;
    [
        across(width),
        into(width).max(into(height)).max(depth),
        across(height),
    ]
}

/// The inverse of [`sizes_of_angles`]: width, height and the depth that they leave unexplained.
fn angles_of_sizes([right, forward, up]: [f64; 3]) -> [f64; 3] {
    let of_depth = 2.0 * (1.0 - 2.0 * forward.clamp(0.0, 1.0)).acos().to_degrees();
    let angle = |size: f64| {
        let size = size.clamp(0.0, 1.0);
        let of_size = 2.0 * size.asin().to_degrees();
        of_size + size * (of_depth - of_size).max(0.0)
    };
    let (width, height) = (angle(right), angle(up));
    let explained = sizes_of_angles(width, height, 0.0)[1];
    [width, height, (forward - explained).max(0.0)]
}
