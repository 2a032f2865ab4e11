//! Angles and vectors of ITU-R BS.2127-1, clause 2 (coordinates) and 6.1 (interpolation helpers).
//!
//! X is right, Y is front, Z is up; azimuth grows to the left, elevation upwards, both in
//! degrees. Everything here is pure arithmetic that never fails and knows no loudspeaker.

pub type Vector = [f64; 3];

/// Shorter than this, a vector has no direction (BS.2127-1, clause 7.3.8.2.2).
const NO_LENGTH: f64 = 1e-10;

/// Polar to Cartesian.
pub fn cart(azimuth: f64, elevation: f64, distance: f64) -> Vector {
    let (sin_azimuth, cos_azimuth) = azimuth.to_radians().sin_cos();
    let (sin_elevation, cos_elevation) = elevation.to_radians().sin_cos();
    [
        -sin_azimuth * cos_elevation * distance,
        cos_azimuth * cos_elevation * distance,
        sin_elevation * distance,
    ]
}

pub fn azimuth([x, y, _]: Vector) -> f64 {
    -x.atan2(y).to_degrees()
}

pub fn elevation([x, y, z]: Vector) -> f64 {
    z.atan2(x.hypot(y)).to_degrees()
}

pub fn dot(a: Vector, b: Vector) -> f64 {
    a[0] * b[0] + a[1] * b[1] + a[2] * b[2]
}

pub fn cross(a: Vector, b: Vector) -> Vector {
    [
        a[1] * b[2] - a[2] * b[1],
        a[2] * b[0] - a[0] * b[2],
        a[0] * b[1] - a[1] * b[0],
    ]
}

pub fn plus(a: Vector, b: Vector) -> Vector {
    [a[0] + b[0], a[1] + b[1], a[2] + b[2]]
}

pub fn minus(a: Vector, b: Vector) -> Vector {
    [a[0] - b[0], a[1] - b[1], a[2] - b[2]]
}

pub fn times(a: Vector, factor: f64) -> Vector {
    a.map(|component| component * factor)
}

pub fn length(a: Vector) -> f64 {
    dot(a, a).sqrt()
}

/// The direction of a vector; straight ahead when it has none or is not finite.
pub fn direction(a: Vector) -> Vector {
    let length = length(a);
    if length.is_finite() && length >= NO_LENGTH {
        times(a, 1.0 / length)
    } else {
        [0.0, 1.0, 0.0]
    }
}

/// Right, forward and up as seen by somebody who looks towards the unit vector `forward`
/// without tilting the head; straight above and below, right is right as in front.
pub fn looking_towards(forward: Vector) -> [Vector; 3] {
    let [x, y, z] = forward;
    let radius = x.hypot(y);
    let (sin, cos) = if radius > 0.0 {
        (-x / radius, y / radius)
    } else {
        (0.0, 1.0)
    };
    [[cos, sin, 0.0], forward, [sin * z, -cos * z, radius]]
}

/// Right, forward and up as seen by somebody who looks at a direction; straight above and
/// below, the azimuth still says where right is.
pub fn looking_at(azimuth: f64, elevation: f64) -> [Vector; 3] {
    let (sin, cos) = azimuth.to_radians().sin_cos();
    let (z, radius) = elevation.to_radians().sin_cos();
    [
        [cos, sin, 0.0],
        [-sin * radius, cos * radius, z],
        [sin * z, -cos * z, radius],
    ]
}

/// The piecewise linear function through `points` (ascending in x), constant outside of them.
pub fn interpolate<const N: usize>(x: f64, points: [(f64, f64); N]) -> f64 {
    if x < points[0].0 {
        return points[0].1;
    }
    for pair in points.windows(2) {
        let [(from, low), (to, high)] = [pair[0], pair[1]];
        if x < to {
            return low + (high - low) / (to - from) * (x - from);
        }
    }
    points[N - 1].1
}

/// `angle`, turned by whole circles, so that it lies in `from <= angle < from + 360`.
pub fn relative_angle(from: f64, angle: f64) -> f64 {
    let turned = from + (angle - from).rem_euclid(360.0);
    // A remainder of a tiny negative number rounds up to the whole circle.
    if turned >= from + 360.0 { from } else { turned }
}

/// Whether `angle` lies between `start` and, anticlockwise from there, `end`.
///
/// From -180 to 180 is every angle, from 180 to 180 is one (BS.2127-1, clause 6.2).
pub fn inside_angle_range(angle: f64, start: f64, end: f64, tolerance: f64) -> bool {
    if !(angle.is_finite() && start.is_finite() && end.is_finite()) {
        return false;
    }
    let mut span = (end - start).rem_euclid(360.0);
    if span == 0.0 && end > start {
        span = 360.0;
    }
    (angle - (start - tolerance)).rem_euclid(360.0) <= span + 2.0 * tolerance
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Directions of ITU-R BS.2076-2, clause 8: left is +90 degrees of azimuth and -X.
    #[test]
    fn left_is_positive_azimuth_and_negative_x() {
        let close = |a: Vector, b: Vector| assert!(length(minus(a, b)) < 1e-15, "{a:?} {b:?}");
        close(cart(0.0, 0.0, 1.0), [0.0, 1.0, 0.0]);
        close(cart(90.0, 0.0, 2.0), [-2.0, 0.0, 0.0]);
        close(cart(77.0, 90.0, 1.0), [0.0, 0.0, 1.0]);
        for (az, el) in [(12.5, 30.0), (-170.0, -80.0), (180.0, 0.0)] {
            let at = cart(az, el, 0.5);
            assert!((azimuth(at) - az).abs() < 1e-12);
            assert!((elevation(at) - el).abs() < 1e-12);
            let [right, forward, up] = looking_towards(direction(at));
            close(right, cart(az - 90.0, 0.0, 1.0));
            close(forward, cart(az, el, 1.0));
            close(up, cart(az, el + 90.0, 1.0));
        }
    }

    #[test]
    fn a_full_circle_is_not_a_single_angle() {
        assert!(inside_angle_range(77.0, -180.0, 180.0, 0.0));
        assert!(inside_angle_range(77.0, 0.0, 360.0, 0.0));
        assert!(!inside_angle_range(77.0, 180.0, 180.0, 0.0));
        assert!(inside_angle_range(-180.0, 180.0, 180.0, 0.0));
        assert!(inside_angle_range(180.0, 100.0, -100.0, 0.0));
        assert!(!inside_angle_range(99.9, 100.0, -100.0, 0.0));
        assert!(inside_angle_range(99.9, 100.0, -100.0, 0.2));
        assert!(inside_angle_range(-99.9, 100.0, -100.0, 0.2));
        assert!(!inside_angle_range(f64::NAN, -180.0, 180.0, 0.0));
    }

    #[test]
    fn interpolation_is_flat_outside_its_points() {
        let ramp = [(0.0, 1.0), (1.0, 3.0), (1.0, 5.0), (2.0, 6.0)];
        assert_eq!(interpolate(-1.0, ramp), 1.0);
        assert_eq!(interpolate(0.5, ramp), 2.0);
        assert_eq!(interpolate(1.0, ramp), 5.0);
        assert_eq!(interpolate(9.0, ramp), 6.0);
        assert_eq!(relative_angle(110.0, -110.0), 250.0);
        assert_eq!(relative_angle(-180.0, 180.0), -180.0);
    }
}
