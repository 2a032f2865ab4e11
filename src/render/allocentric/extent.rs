//! The extent of a source in the cube (ITU-R BS.2127-1, clause 7.3.11, allocentric extent).
//!
//! A size is heard as a grid of point sources, each weighted by its distance from the object; the
//! weights are products of one factor per axis, and so are the gains of a grid point, so that the
//! sum over 40 x 40 x 40 points is a product of three sums over 40. In: position, size and the
//! gains of the point itself. Out: gains of unit power.
//!
//! The gains of a grid point depend on the set of loudspeakers only. Loudspeakers that see the same
//! levels along an axis share one profile, and its powers are kept as long as the exponent stays.

use std::f64::consts::{LN_10, PI};

use super::balance::{Planes, between};

/// Grid points along an axis.
const POINTS: usize = 40;
/// -130 dB: weights fall no lower, and sums below it are 0.
const FLOOR_EXPONENT: f64 = 6.5;
/// Below this effective size the point source is faded in.
const FADE: f64 = 0.2;

/// What a loudspeaker has along one axis at each grid point.
type Profile = [f64; POINTS];

#[derive(Clone, Debug)]
struct Axis {
    /// Places of the grid points; the Z axis may have fewer than [`POINTS`].
    grid: Vec<f64>,
    /// Natural logarithms of the gains; minus infinity for 0.
    profiles: Vec<Profile>,
    /// The gains to the power of [`ExtentGrid::exponent`].
    powers: Vec<Profile>,
}

#[derive(Clone, Copy, Debug)]
struct Member {
    speaker: usize,
    /// Its profiles along X, Y and Z.
    profiles: [usize; 3],
    /// Sums of powers over the grid and over its surface; scratch.
    inside: f64,
    surface: f64,
}

/// What the extent panner keeps for one set of loudspeakers.
#[derive(Clone, Debug)]
pub struct ExtentGrid {
    axes: [Axis; 3],
    members: Vec<Member>,
    /// Axes along which the loudspeakers differ.
    dimensions: usize,
    /// Loudspeakers differ along X only; in a horizontal plane; or in height.
    shape: Shape,
    exponent: f64,
    /// Per axis and profile: the sum over the grid, and the two ends; scratch.
    sums: [Vec<Sum>; 3],
}

#[derive(Clone, Copy, Debug)]
enum Shape {
    Line,
    Plane,
    Cube,
}

#[derive(Clone, Copy, Debug, Default)]
struct Sum {
    all: f64,
    ends: f64,
}

impl ExtentGrid {
    pub fn new(planes: &Planes) -> Self {
        // With fewer than three planes the lower half of the cube is left out.
        let z_grid = if planes.z.len() >= 3 {
            grid(-1.0, POINTS)
        } else {
            grid(0.0, POINTS / 2)
        };
        let mut axes = [
            Axis::new(grid(-1.0, POINTS)),
            Axis::new(grid(-1.0, POINTS)),
            Axis::new(z_grid),
        ];
        // Grid points count less towards the ceiling and the floor.
        let slope: Vec<f64> = axes[2]
            .grid
            .iter()
            .map(|z| (z * PI * 3.0 / 7.0).cos())
            .collect();
        let mut members = Vec::new();
        for (at_z, plane) in planes.planes.iter().enumerate() {
            let z = axes[2].profile(&planes.z, at_z, Some(&slope));
            for (at_y, row) in plane.rows.iter().enumerate() {
                let y = axes[1].profile(&plane.y, at_y, None);
                for (at_x, &speaker) in row.speakers.iter().enumerate() {
                    members.push(Member {
                        speaker,
                        profiles: [axes[0].profile(&row.x, at_x, None), y, z],
                        inside: 0.0,
                        surface: 0.0,
                    });
                }
            }
        }
        let (differ_x, differ_y) = differing(planes);
        let differ_z = planes.z.len() > 1;
        let sums = [0, 1, 2].map(|axis| vec![Sum::default(); axes[axis].profiles.len()]);
        Self {
            axes,
            members,
            dimensions: [differ_x, differ_y, differ_z]
                .into_iter()
                .filter(|&d| d)
                .count(),
            shape: match (differ_y, differ_z) {
                (_, true) => Shape::Cube,
                (true, false) => Shape::Plane,
                (false, false) => Shape::Line,
            },
            exponent: 1.0,
            sums,
        }
    }

    /// Where the middle of a source at `position` is: on the grid. The point that is blended into
    /// a small source is there, too.
    pub fn centre(&self, [x, y, z]: [f64; 3]) -> [f64; 3] {
        [x, y, z.max(self.axes[2].grid[0])]
    }

    /// Spreads the point whose gains stand in `out` over `size` = width, depth, height.
    pub fn spread(&mut self, centre: [f64; 3], size: [f64; 3], out: &mut [f64]) {
        let [width, depth, height] = size;
        // BS.2076-2 has width along X, depth along Y and height along Z. The reference renderer of
        // BS.2127 (ear 2.1.0) takes height along Y and depth along Z, and we agree with it.
        let sizes = [width, height, depth];
        let lengths: [f64; 3] = [0, 1, 2].map(|axis| {
            let points = self.axes[axis].grid.len() as f64;
            scaled(sizes[axis]).max(2.0 / (points - 1.0))
        });
        let effective = self.effective_size(lengths);
        self.raise_to(exponent(effective));

        self.sum_axes(centre, lengths);
        let mut inside_norm = 0.0;
        for member in &mut self.members {
            let [x, y, z] = [0, 1, 2].map(|axis| self.sums[axis][member.profiles[axis]]);
            member.inside = x.all * y.all * z.all;
            member.surface =
                x.ends * y.all * z.all + x.all * y.ends * z.all + x.all * y.all * z.ends;
            inside_norm += member.inside * member.inside;
        }
        let inside_norm = inside_norm.sqrt();
        let presence = if inside_norm > NO_LENGTH {
            self.presence(centre, lengths) / inside_norm
        } else {
            0.0
        };
        let root = 1.0 / self.exponent;
        let mut norm = 0.0;
        for member in &mut self.members {
            member.surface = (member.surface + presence * member.inside).powf(root);
            norm += member.surface * member.surface;
        }
        let norm = norm.sqrt();

        let (point, spread) = if effective < FADE {
            let (sin, cos) = (effective * PI / (FADE * 2.0)).sin_cos();
            (cos, sin)
        } else {
            (0.0, 1.0)
        };
        let spread = if norm > NO_LENGTH { spread / norm } else { 0.0 };
        let mut power = 0.0;
        for member in &self.members {
            let gain = &mut out[member.speaker];
            *gain = point * *gain + spread * member.surface;
            power += *gain * *gain;
        }
        let norm = power.sqrt();
        let scale = if norm > NO_LENGTH { 1.0 / norm } else { 0.0 };
        for member in &self.members {
            out[member.speaker] *= scale;
        }
    }

    /// One size for all axes, by how the loudspeakers lie.
    fn effective_size(&self, [x, y, z]: [f64; 3]) -> f64 {
        match self.shape {
            Shape::Line => x,
            Shape::Plane => 0.75 * x.max(y) + 0.25 * x.min(y),
            Shape::Cube => {
                let mut sorted = [x, y, z];
                sorted.sort_by(f64::total_cmp);
                (6.0 * sorted[2] + 2.0 * sorted[1] + sorted[0]) / 9.0
            }
        }
    }

    fn raise_to(&mut self, exponent: f64) {
        if exponent == self.exponent {
            return;
        }
        self.exponent = exponent;
        for axis in &mut self.axes {
            for (power, profile) in axis.powers.iter_mut().zip(&axis.profiles) {
                for (power, &gain) in power.iter_mut().zip(profile) {
                    *power = (exponent * gain).exp();
                }
            }
        }
    }

    fn sum_axes(&mut self, centre: [f64; 3], lengths: [f64; 3]) {
        let floor = 10.0_f64.powf(-FLOOR_EXPONENT);
        let per_decade = -LN_10 * self.exponent;
        let far_away = (per_decade * FLOOR_EXPONENT).exp();
        // Along Z a length counts from the ear to one side, along X and Y to both.
        let reach = [2.0 * lengths[0], 2.0 * lengths[1], lengths[2]];
        for (axis, sums) in self.sums.iter_mut().enumerate() {
            let Axis { grid, powers, .. } = &self.axes[axis];
            let mut weights = [0.0; POINTS];
            for (weight, at) in weights.iter_mut().zip(grid) {
                let fall = (1.5 * (at - centre[axis]) / reach[axis]).powi(4);
                *weight = if fall < FLOOR_EXPONENT {
                    (per_decade * fall).exp()
                } else {
                    far_away
                };
            }
            for (sum, profile) in sums.iter_mut().zip(powers) {
                let all: f64 = profile.iter().zip(&weights).map(|(p, w)| p * w).sum();
                let last = grid.len() - 1;
                *sum = Sum {
                    all: if all < floor { 0.0 } else { all },
                    ends: profile[0] * weights[0] + profile[last] * weights[last],
                };
            }
        }
    }

    /// How much the inside of the cube counts against its surface: less the nearer the object
    /// is to a wall.
    fn presence(&self, centre: [f64; 3], lengths: [f64; 3]) -> f64 {
        // One loudspeaker alone counts as three dimensions.
        let dimensions = if self.dimensions == 0 {
            3
        } else {
            self.dimensions
        };
        let to_wall = centre[..dimensions]
            .iter()
            .fold(f64::INFINITY, |near, x| near.min(1.0 - x.abs()));
        let cubes = lengths[..dimensions].iter().map(|&length| {
            if to_wall >= 2.0 * length && to_wall >= 0.4 {
                (2.0 * length).max(0.4).powi(3) / (0.16 * 2.0 * length)
            } else {
                to_wall / 2.0 * (to_wall / 0.4).powi(2)
            }
        });
        cubes.product::<f64>().powf(1.0 / dimensions as f64)
    }
}

/// Vectors shorter than this have no direction.
const NO_LENGTH: f64 = 1e-16;

impl Axis {
    fn new(grid: Vec<f64>) -> Self {
        Self {
            grid,
            profiles: Vec::new(),
            powers: Vec::new(),
        }
    }

    /// The number of the profile of a loudspeaker on `level` of `levels`, times `slope`.
    fn profile(&mut self, levels: &[f64], level: usize, slope: Option<&[f64]>) -> usize {
        let mut profile = [0.0; POINTS];
        for (index, &at) in self.grid.iter().enumerate() {
            let gain = between(levels, at).find(|(found, _)| *found == level);
            let slope = slope.map_or(1.0, |slope| slope[index]);
            profile[index] = gain.map_or(f64::NEG_INFINITY, |(_, gain)| (gain * slope).ln());
        }
        let known = self.profiles.iter().position(|known| *known == profile);
        known.unwrap_or_else(|| {
            self.profiles.push(profile);
            self.powers.push(profile.map(f64::exp));
            self.profiles.len() - 1
        })
    }
}

/// `points` places from `start` to 1, evenly spaced.
fn grid(start: f64, points: usize) -> Vec<f64> {
    let step = (1.0 - start) / (points - 1) as f64;
    (0..points)
        .map(|index| {
            if index + 1 == points {
                1.0
            } else {
                start + index as f64 * step
            }
        })
        .collect()
}

/// Do the loudspeakers differ along X, and along Y?
fn differing(planes: &Planes) -> (bool, bool) {
    let rows = || {
        planes
            .planes
            .iter()
            .flat_map(|plane| plane.y.iter().zip(&plane.rows))
    };
    let Some((first_y, first_row)) = rows().next() else {
        return (false, false);
    };
    let differ_x = rows().any(|(_, row)| row.x.iter().any(|&x| x != first_row.x[0]));
    (differ_x, rows().any(|(y, _)| y != first_y))
}

/// The size that a width, depth or height of 0 to 1 (and more) stands for.
fn scaled(size: f64) -> f64 {
    const MAP: [(f64, f64); 5] = [(0.0, 0.0), (0.2, 0.3), (0.5, 1.0), (0.75, 1.8), (1.0, 2.8)];
    let size = size.min(1.0);
    let segment = MAP.windows(2).find(|ends| size <= ends[1].0);
    let [(from, low), (to, high)] = segment.map_or([MAP[3], MAP[4]], |ends| [ends[0], ends[1]]);
    low + (high - low) * (size - from) / (to - from)
}

/// The exponent in which gains of grid points are summed: 6 for small sources, 2 for the largest.
fn exponent(effective_size: f64) -> f64 {
    const LARGEST: f64 = 2.8;
    6.0 - 4.0 * ((effective_size - 0.5) / (LARGEST - 0.5)).max(0.0)
}
