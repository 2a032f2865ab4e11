//! The regions that the loudspeakers cut the sphere into: triplets, quads and n-gons around a
//! virtual loudspeaker (ITU-R BS.2127-1, clause 6.1.2).
//!
//! A region either pans a direction between its own loudspeakers or says that it is not in it.
//! Gains are added to the outputs and not normalised; the panner does that once at the end.

use super::hull;
use crate::render::geometry::{Vector, cross, direction, dot, minus, plus, times};

/// Gains down to here count as zero, so that no direction falls between two regions.
const TRIPLET_EDGE: f64 = -1e-11;
const QUAD_EDGE: f64 = 1e-10;
/// Below this product of three unit vectors, they lie in one plane with the listener.
const FLAT: f64 = 1e-9;
/// How much wider than its corners the cone is outside of which a region need not look.
const CONE_MARGIN: f64 = 1e-6;

/// A loudspeaker of a region: where it is, and the output that it feeds.
#[derive(Clone, Copy, Debug)]
pub struct Corner {
    pub position: Vector,
    pub output: usize,
}

/// Gains of the three corners of a triangle; vector base amplitude panning.
#[derive(Clone, Copy, Debug)]
struct Base {
    /// Gain n of a direction is its product with vector n.
    inverse: [Vector; 3],
}

impl Base {
    fn new([a, b, c]: [Vector; 3]) -> Option<Self> {
        let volume = dot(a, cross(b, c));
        if volume.abs() < FLAT {
            return None;
        }
        let inverse = [cross(b, c), cross(c, a), cross(a, b)];
        Some(Self {
            inverse: inverse.map(|row| times(row, 1.0 / volume)),
        })
    }

    fn gains(&self, direction: Vector) -> Option<[f64; 3]> {
        let gains = self.inverse.map(|row| dot(direction, row));
        gains
            .iter()
            .all(|&gain| gain >= TRIPLET_EDGE)
            .then(|| gains.map(|gain| gain.max(0.0)))
    }
}

/// The place between one pair of opposite edges of a quad: the root within 0 to 1 of a
/// quadratic polynomial whose coefficients are linear in the direction.
#[derive(Clone, Copy, Debug)]
struct Between {
    square: Vector,
    linear: Vector,
    constant: Vector,
}

impl Between {
    fn new([a, b, c, d]: [Vector; 4]) -> Self {
        let (ab, dc) = (minus(b, a), minus(c, d));
        Self {
            square: cross(ab, dc),
            linear: plus(cross(a, dc), cross(ab, d)),
            constant: cross(a, d),
        }
    }

    fn place(&self, direction: Vector) -> Option<f64> {
        let [a, b, c] = [self.square, self.linear, self.constant].map(|of| dot(of, direction));
        let within =
            |root: f64| (root > -QUAD_EDGE && root < 1.0 + QUAD_EDGE).then(|| root.clamp(0.0, 1.0));
        if a == 0.0 {
            return within(-c / b);
        }
        let discriminant = b * b - 4.0 * a * c;
        if discriminant < 0.0 {
            let imaginary = (-discriminant).sqrt() / (2.0 * a.abs());
            return (imaginary < QUAD_EDGE).then(|| within(-b / (2.0 * a)))?;
        }
        // Both roots without taking the difference of two near numbers.
        let sum = -0.5 * (b + discriminant.sqrt().copysign(b));
        within(sum / a).or_else(|| within(c / sum))
    }
}

#[derive(Clone, Debug)]
enum Shape {
    Triplet {
        base: Base,
        outputs: [usize; 3],
    },
    /// Corners in the order around the quad.
    Quad {
        across: Between,
        along: Between,
        positions: [Vector; 4],
        outputs: [usize; 4],
    },
    /// Triangles of two neighbours and the centre, whose gain all corners share.
    Ngon {
        slices: Vec<(Base, [usize; 2])>,
        outputs: Vec<usize>,
        share: f64,
    },
}

#[derive(Clone, Debug)]
pub struct Region {
    /// A cone that the region lies in, to turn most directions away with one product.
    axis: Vector,
    cosine: f64,
    shape: Shape,
}

impl Region {
    /// A facet of three or four loudspeakers; `None` for other numbers or a flat one.
    pub fn facet(corners: &[Corner]) -> Option<Self> {
        let positions: Vec<Vector> = corners.iter().map(|corner| corner.position).collect();
        let sum = positions.iter().fold([0.0; 3], |sum, &at| plus(sum, at));
        let axis = direction(sum);
        let shape = match *corners {
            [a, b, c] => Shape::Triplet {
                base: Base::new([a.position, b.position, c.position])?,
                outputs: [a.output, b.output, c.output],
            },
            [_, _, _, _] => {
                let order = hull::around(axis, &positions);
                let [a, b, c, d] = [order[0], order[1], order[2], order[3]];
                let at = |n: usize| positions[n];
                Shape::Quad {
                    across: Between::new([at(a), at(b), at(c), at(d)]),
                    along: Between::new([at(b), at(c), at(d), at(a)]),
                    positions: [at(a), at(b), at(c), at(d)],
                    outputs: [a, b, c, d].map(|n| corners[n].output),
                }
            }
            _ => return None,
        };
        Some(Self::in_cone(axis, &positions, shape))
    }

    /// The loudspeakers around a virtual one at `centre`.
    pub fn around(centre: Vector, corners: &[Corner]) -> Option<Self> {
        if corners.len() < 3 {
            return None;
        }
        let positions: Vec<Vector> = corners.iter().map(|corner| corner.position).collect();
        let order = hull::around(centre, &positions);
        let mut slices = Vec::with_capacity(order.len());
        for n in 0..order.len() {
            let (one, next) = (corners[order[n]], corners[order[(n + 1) % order.len()]]);
            slices.push((
                Base::new([one.position, next.position, centre])?,
                [one.output, next.output],
            ));
        }
        let shape = Shape::Ngon {
            slices,
            outputs: corners.iter().map(|corner| corner.output).collect(),
            share: 1.0 / (corners.len() as f64).sqrt(),
        };
        Some(Self::in_cone(centre, &positions, shape))
    }

    fn in_cone(axis: Vector, positions: &[Vector], shape: Shape) -> Self {
        let cosines = positions.iter().map(|&at| dot(axis, direction(at)));
        let cosine = cosines.fold(1.0, f64::min);
        Self {
            axis,
            // The corners' cone holds what is between them only up to half of the sphere.
            cosine: if cosine > CONE_MARGIN {
                cosine - CONE_MARGIN
            } else {
                f64::NEG_INFINITY
            },
            shape,
        }
    }

    /// Adds the gains for a unit vector to `out`; `false` when it is not in this region.
    pub fn pan(&self, direction: Vector, out: &mut [f64]) -> bool {
        if dot(self.axis, direction) < self.cosine {
            return false;
        }
        match &self.shape {
            Shape::Triplet { base, outputs } => {
                let Some(gains) = base.gains(direction) else {
                    return false;
                };
                for (&output, gain) in outputs.iter().zip(gains) {
                    out[output] += gain;
                }
            }
            Shape::Quad {
                across,
                along,
                positions,
                outputs,
            } => {
                let (Some(x), Some(y)) = (across.place(direction), along.place(direction)) else {
                    return false;
                };
                let gains = [(1.0 - x) * (1.0 - y), x * (1.0 - y), x * y, (1.0 - x) * y];
                let mut heard = [0.0; 3];
                for (&position, &gain) in positions.iter().zip(&gains) {
                    heard = plus(heard, times(position, gain));
                }
                // The polynomial knows a line, not which end of it.
                if dot(heard, direction) <= 0.0 {
                    return false;
                }
                for (&output, gain) in outputs.iter().zip(gains) {
                    out[output] += gain;
                }
            }
            Shape::Ngon {
                slices,
                outputs,
                share,
            } => {
                let slice = slices
                    .iter()
                    .find_map(|(base, two)| base.gains(direction).map(|gains| (gains, two)));
                let Some(([one, next, centre], two)) = slice else {
                    return false;
                };
                // The virtual loudspeaker's gain is relative to those of the slice.
                for &output in outputs {
                    out[output] += centre * share;
                }
                out[two[0]] += one;
                out[two[1]] += next;
            }
        }
        true
    }
}

/// Divides gains by their power's root; leaves silence alone.
pub fn normalise(gains: &mut [f64]) {
    let power: f64 = gains.iter().map(|gain| gain * gain).sum();
    if power > 0.0 {
        let factor = 1.0 / power.sqrt();
        for gain in gains {
            *gain *= factor;
        }
    }
}
