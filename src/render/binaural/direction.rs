//! Which measured direction stands for a loudspeaker: the nearest one.
//!
//! In: places of sources around a head, and a loudspeaker's azimuth and elevation (ITU-R BS.2051:
//! degrees, left positive, which is AES69's counter-clockwise). Out: an index and how far off it
//! is. Own choice: the nearest measurement as it was taken, and not a mixture of three, because a
//! mixture needs the onsets moved by parts of a sample and is then no response of any head. The
//! grids of public sets are 5 to 15 degrees wide (from memory), and the facts of a render say the largest error.

use super::sofa::{self, Vector};

/// Directions whose distances from a loudspeaker differ by less, in degrees, are equally near.
const SAME_DEG: f64 = 0.01;

/// A measured direction.
#[derive(Clone, Copy, Debug)]
pub(super) struct Measured {
    /// Of length 1.
    unit: Vector,
    radius: f64,
}

impl Measured {
    /// Degrees; left positive, not above 180 either side.
    fn azimuth(&self) -> f64 {
        self.unit[1].atan2(self.unit[0]).to_degrees()
    }

    fn elevation(&self) -> f64 {
        self.unit[2].clamp(-1.0, 1.0).asin().to_degrees()
    }

    fn degrees_from(&self, other: Vector) -> f64 {
        let chord = sofa::length([0, 1, 2].map(|axis| self.unit[axis] - other[axis]));
        // By the chord and not by the cosine, which is blind to small angles.
        2.0 * (chord / 2.0).min(1.0).asin().to_degrees()
    }
}

pub(super) fn measured(sources: &[Vector]) -> Vec<Measured> {
    sources
        .iter()
        .map(|&source| {
            let radius = sofa::length(source);
            Measured {
                unit: source.map(|part| part / radius),
                radius,
            }
        })
        .collect()
}

/// The nearest measurement and how many degrees it is away; `None` of an empty list.
///
/// Of several that are equally near, the one from the largest radius (a loudspeaker is far), then
/// the one nearest to the front, then to the horizon: so a symmetric set stays symmetric where
/// a loudspeaker stands between two measurements.
pub(super) fn nearest(all: &[Measured], azimuth: f64, elevation: f64) -> Option<(usize, f64)> {
    let wanted = sofa::from_spherical([azimuth, elevation, 1.0]);
    let distances: Vec<f64> = all.iter().map(|one| one.degrees_from(wanted)).collect();
    let least = distances.iter().copied().min_by(f64::total_cmp)?;
    let rank = |index: usize| {
        let one = &all[index];
        // In hundredths, so that what differs by rounding alone is equal.
        let hundredths = |value: f64| (value.abs() * 100.0).round() as i64;
        (
            -hundredths(one.radius),
            hundredths(one.azimuth()),
            hundredths(one.elevation()),
            index,
        )
    };
    (0..all.len())
        .filter(|&index| distances[index] <= least + SAME_DEG)
        .min_by_key(|&index| rank(index))
        .map(|index| (index, distances[index]))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn grid(directions: &[[f64; 3]]) -> Vec<Measured> {
        let places: Vec<Vector> = directions
            .iter()
            .map(|&place| sofa::from_spherical(place))
            .collect();
        measured(&places)
    }

    #[test]
    fn left_is_counter_clockwise_as_in_aes69() {
        let grid = grid(&[[30.0, 0.0, 1.0], [330.0, 0.0, 1.0], [180.0, 0.0, 1.0]]);
        assert_eq!(nearest(&grid, 30.0, 0.0).unwrap().0, 0);
        assert_eq!(nearest(&grid, -30.0, 0.0).unwrap().0, 1);
        assert_eq!(nearest(&grid, -179.0, 0.0).unwrap().0, 2);
        let degrees = nearest(&grid, -170.0, 0.0).unwrap().1;
        assert!((degrees - 10.0).abs() < 1e-9, "{degrees}");
    }

    #[test]
    fn between_two_measurements_both_sides_choose_alike() {
        // 42 and 48 degrees on the left, in that order; on the right in the other one.
        let grid = grid(&[
            [42.0, 30.0, 1.0],
            [48.0, 30.0, 1.0],
            [312.0, 30.0, 1.0],
            [318.0, 30.0, 1.0],
        ]);
        assert_eq!(nearest(&grid, 45.0, 30.0).unwrap().0, 0);
        assert_eq!(nearest(&grid, -45.0, 30.0).unwrap().0, 3);
    }

    #[test]
    fn of_two_radii_the_far_one_is_a_loudspeaker() {
        let grid = grid(&[[0.0, 0.0, 0.2], [0.0, 0.0, 1.0]]);
        assert_eq!(nearest(&grid, 0.0, 0.0).unwrap().0, 1);
        assert_eq!(nearest(&[], 0.0, 0.0), None);
    }
}
