//! The convex hull of a few points around the listener, as facets of any number of corners.
//!
//! Loudspeakers are few, so every plane through three of them is tried: the result depends on
//! nothing but the positions and their order. Knows nothing of what the points stand for.

use crate::render::geometry::{Vector, cross, dot, length, looking_towards, minus, plus, times};

/// Points that are closer than this to a plane lie in it.
const IN_PLANE: f64 = 1e-6;

/// The facets, each as ascending indices of its corners; empty when the points do not enclose
/// the origin.
pub fn facets(points: &[Vector]) -> Vec<Vec<usize>> {
    let mut facets: Vec<Vec<usize>> = Vec::new();
    for a in 0..points.len() {
        for b in a + 1..points.len() {
            for c in b + 1..points.len() {
                let normal = cross(minus(points[b], points[a]), minus(points[c], points[a]));
                let size = length(normal);
                if size < IN_PLANE {
                    continue;
                }
                let normal = times(normal, 1.0 / size);
                let distance = dot(normal, points[a]);
                let outside = |point: &Vector| dot(normal, *point) - distance;
                let (least, most) = points
                    .iter()
                    .map(outside)
                    .fold((0.0, 0.0), |(least, most), by| {
                        (by.min(least), by.max(most))
                    });
                // How far the facet is from the listener, seen from the side without points.
                let distance = match (least < -IN_PLANE, most > IN_PLANE) {
                    (true, true) => continue,
                    (_, false) => distance,
                    (false, true) => -distance,
                };
                if distance < IN_PLANE {
                    return Vec::new();
                }
                let corners: Vec<usize> = (0..points.len())
                    .filter(|&index| outside(&points[index]).abs() <= IN_PLANE)
                    .collect();
                if !facets.contains(&corners) {
                    facets.push(corners);
                }
            }
        }
    }
    facets
}

/// Indices of `corners` in the order in which they stand around `axis`.
pub fn around(axis: Vector, corners: &[Vector]) -> Vec<usize> {
    let [right, _, up] = looking_towards(axis);
    let sum = corners
        .iter()
        .fold([0.0; 3], |sum, &corner| plus(sum, corner));
    let centre = times(sum, 1.0 / corners.len() as f64);
    let angle = |index: usize| {
        let from_centre = minus(corners[index], centre);
        dot(from_centre, up).atan2(dot(from_centre, right))
    };
    let mut order: Vec<usize> = (0..corners.len()).collect();
    order.sort_by(|&a, &b| angle(a).total_cmp(&angle(b)));
    order
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::render::geometry::{cart, direction};

    #[test]
    fn a_cube_has_six_facets_of_four_corners() {
        let corners: Vec<Vector> = (0..8)
            .map(|n| [n & 1, n >> 1 & 1, n >> 2 & 1].map(|bit| f64::from(bit) * 2.0 - 1.0))
            .collect();
        let facets = facets(&corners);
        assert_eq!(facets.len(), 6);
        for facet in facets {
            assert_eq!(facet.len(), 4);
            let points: Vec<Vector> = facet.iter().map(|&n| corners[n]).collect();
            let middle = points.iter().fold([0.0; 3], |sum, &p| plus(sum, p));
            let order = around(direction(middle), &points);
            for n in 0..4 {
                // Neighbours share an edge of length 2; the diagonal is longer.
                let edge = minus(points[order[n]], points[order[(n + 1) % 4]]);
                assert!((length(edge) - 2.0).abs() < 1e-12);
            }
        }
    }

    #[test]
    fn points_that_do_not_enclose_the_listener_have_no_hull() {
        let ring: Vec<Vector> = (0..5)
            .map(|n| cart(f64::from(n) * 72.0, 0.0, 1.0))
            .collect();
        assert!(facets(&ring).is_empty());
        let mut above = ring;
        above.push([0.0, 0.0, 1.0]);
        assert!(facets(&above).is_empty());
        assert!(facets(&[]).is_empty());
    }
}
