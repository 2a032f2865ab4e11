//! The extent of polar objects: width, height and depth (ITU-R BS.2127-1, clauses 7.3.8.2).
//!
//! The sphere carries a grid of points whose gains are known beforehand; an object with extent
//! is the sum of the points under its shape, a stadium whose edge fades over ten degrees. Works on
//! powers, because those are what extents, depths and diverged positions are added in.

use std::f64::consts::{FRAC_PI_2, FRAC_PI_4, PI};

use super::{NoPanner, PolarPanner};
use crate::render::geometry::{Vector, cart, direction, dot, interpolate, length, looking_towards};
use crate::render::speakers::SpeakerLayout;

/// Rows of the grid, pole to pole, 5 degrees apart.
const ROWS: usize = 37;
/// The edge of a spread object fades over this many degrees.
const FADE: f64 = 10.0;
/// A smaller share of the power than this is none.
const NO_SHARE: f64 = 1e-10;
/// Angle by which the search for grid points is wider than the shape, radians.
const MARGIN: f64 = 1e-6;

/// Width, height (degrees) and depth of an object.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Extent {
    pub width: f64,
    pub height: f64,
    pub depth: f64,
}

/// Pans positions with extent for one layout.
#[derive(Clone, Debug)]
pub struct PolarExtent {
    panner: PolarPanner,
    grid: Grid,
}

/// Room for one computation, so that panning allocates nothing.
#[derive(Clone, Debug, Default)]
pub struct Scratch {
    gains: Vec<f64>,
}

impl PolarExtent {
    pub fn new(layout: &SpeakerLayout) -> Result<Self, NoPanner> {
        let panner = PolarPanner::new(layout)?;
        let grid = Grid::new(&panner);
        Ok(Self { panner, grid })
    }

    pub fn panner(&self) -> &PolarPanner {
        &self.panner
    }

    /// Adds `share` times the power of each full-range loudspeaker to `power`.
    ///
    /// `position` is a vector whose length is the distance, 1 on the loudspeakers.
    pub fn add_power(
        &self,
        position: Vector,
        extent: Extent,
        share: f64,
        scratch: &mut Scratch,
        power: &mut [f64],
    ) {
        let distance = length(position);
        let mut at = |distance: f64, share: f64| {
            let width = seen_from(extent.width, distance);
            let height = seen_from(extent.height, distance);
            self.add_spread(position, width, height, share, scratch, power);
        };
        if extent.depth > 0.0 {
            at(distance + extent.depth / 2.0, share / 2.0);
            at((distance - extent.depth / 2.0).max(0.0), share / 2.0);
        } else {
            at(distance, share);
        }
    }

    /// A small object is partly a point, from 10 degrees on it is all spread.
    fn add_spread(
        &self,
        position: Vector,
        width: f64,
        height: f64,
        share: f64,
        scratch: &mut Scratch,
        power: &mut [f64],
    ) {
        let spread = interpolate(width.max(height), [(0.0, 0.0), (FADE, 1.0)]);
        let point = 1.0 - spread;
        if point > NO_SHARE {
            scratch.gains.resize(self.panner.len(), 0.0);
            self.panner.gains(position, &mut scratch.gains);
            for (power, gain) in power.iter_mut().zip(&scratch.gains) {
                *power += share * point * gain * gain;
            }
        }
        if spread > NO_SHARE {
            let stadium = Stadium::new(position, width.max(FADE / 2.0), height.max(FADE / 2.0));
            self.grid.sum(&stadium, &mut scratch.gains);
            let sum: f64 = scratch.gains.iter().map(|gain| gain * gain).sum();
            if sum > 0.0 {
                for (power, gain) in power.iter_mut().zip(&scratch.gains) {
                    *power += share * spread * gain * gain / sum;
                }
            }
        }
    }
}

/// Width or height as it appears from a distance: as it is at 1, everything at 0.
fn seen_from(extent: f64, distance: f64) -> f64 {
    let size = interpolate(extent, [(0.0, 0.2), (360.0, 1.0)]);
    let angle = |distance: f64| 4.0 * size.atan2(distance).to_degrees();
    interpolate(
        angle(distance),
        [(0.0, 0.0), (angle(1.0), extent), (360.0, 360.0)],
    )
}

/// The shape of an object on the sphere: all points within `radius` of an arc.
struct Stadium {
    /// The middle of the arc; its end lies `end` radians to either side along `along`.
    forward: Vector,
    along: Vector,
    end: f64,
    radius: f64,
}

impl Stadium {
    fn new(position: Vector, width: f64, height: f64) -> Self {
        let mut towards = direction(position);
        let mut axes = looking_towards(towards);
        // At a pole the azimuth means nothing: 0 is taken.
        let above = towards[2].atan2(towards[0].hypot(towards[1])).to_degrees();
        if above.abs() > 90.0 - 1e-5 {
            towards = [0.0, towards[0].hypot(towards[1]), towards[2]];
            axes = looking_towards(towards);
        }
        let [right, forward, up] = axes;
        let (width, height) = ((width / 2.0).to_radians(), (height / 2.0).to_radians());
        let (along, long, short) = if height > width {
            (up, height, width)
        } else {
            (right, width, height)
        };
        // From half a circle on, the ends approach each other so that they meet at the back.
        let meeting = interpolate(long, [(0.0, 0.0), (FRAC_PI_2, FRAC_PI_2), (PI, PI + short)]);
        let long_end = interpolate(
            short,
            [
                (0.0, meeting),
                (FRAC_PI_4, meeting),
                (FRAC_PI_2, long),
                (PI, long),
            ],
        );
        Self {
            forward,
            along,
            end: (long_end - short).clamp(0.0, PI),
            radius: short,
        }
    }

    /// No point that is further than this from `forward` has a weight, radians.
    fn reach(&self) -> f64 {
        self.end + self.radius + FADE.to_radians()
    }
}

#[derive(Clone, Debug)]
struct Row {
    first: usize,
    count: usize,
    elevation: f64,
    sin: f64,
    cos: f64,
}

/// The grid's points with the gains that each has on the layout.
#[derive(Clone, Debug)]
struct Grid {
    rows: Vec<Row>,
    /// X, Y, Z of the points, row after row, from the front to the left.
    points: [Vec<f64>; 3],
    gains: Vec<f64>,
    outputs: usize,
    /// The sum of all gains, for objects that are everywhere.
    everything: Vec<f64>,
}

impl Grid {
    fn new(panner: &PolarPanner) -> Self {
        let outputs = panner.len();
        let mut grid = Self {
            rows: Vec::with_capacity(ROWS),
            points: [Vec::new(), Vec::new(), Vec::new()],
            gains: Vec::new(),
            outputs,
            everything: vec![0.0; outputs],
        };
        let mut gains = vec![0.0; outputs];
        for row in 0..ROWS {
            let step = 180.0 / (ROWS - 1) as f64;
            let elevation = -90.0 + step * row as f64;
            let (sin, cos) = elevation.to_radians().sin_cos();
            let count = (cos * 2.0 * (ROWS - 1) as f64).round_ties_even().max(1.0);
            grid.rows.push(Row {
                first: grid.points[0].len(),
                count: count as usize,
                elevation: elevation.to_radians(),
                sin,
                cos,
            });
            for n in 0..count as usize {
                let at = cart(360.0 / count * n as f64, elevation, 1.0);
                for (list, coordinate) in grid.points.iter_mut().zip(at) {
                    list.push(coordinate);
                }
                panner.gains(at, &mut gains);
                grid.gains.extend_from_slice(&gains);
                for (sum, gain) in grid.everything.iter_mut().zip(&gains) {
                    *sum += gain;
                }
            }
        }
        grid
    }

    /// Sets `out` to the weighted sum of the gains of all points.
    fn sum(&self, stadium: &Stadium, out: &mut Vec<f64>) {
        out.clear();
        if stadium.radius >= PI {
            out.extend_from_slice(&self.everything);
            return;
        }
        out.resize(self.outputs, 0.0);
        let weigh = Weigh::new(stadium);
        let reach = stadium.reach() + MARGIN;
        if reach >= 3.0 {
            self.sum_range(0..self.points[0].len(), &weigh, out);
            return;
        }
        // Only rows, and in them only azimuths, that the shape can reach.
        let [x, y, z] = stadium.forward;
        let radius = x.hypot(y);
        let elevation = z.atan2(radius);
        let turns = (-x).atan2(y) / (2.0 * PI);
        for row in &self.rows {
            if (row.elevation - elevation).abs() > reach {
                continue;
            }
            let count = row.count as f64;
            // Cosine of how far in azimuth the reach goes at this elevation.
            let span = (reach.cos() - z * row.sin) / (radius * row.cos);
            let half = if span > -1.0 && span < 1.0 {
                span.acos() / (2.0 * PI) * count + 0.01
            } else if span >= 1.0 {
                // Rounding only: the row is touched, if at all, straight ahead.
                1.0
            } else {
                count
            };
            if 2.0 * half + 1.0 >= count {
                self.sum_range(row.first..row.first + row.count, &weigh, out);
                continue;
            }
            // Both ends are within one turn of the row, for turns lies within a half.
            let from = (turns * count - half).ceil() as i64;
            let to = (turns * count + half).floor() as i64;
            let whole = row.count as i64;
            let start = from.rem_euclid(whole) as usize;
            let length = (to - from + 1).clamp(0, whole) as usize;
            let end = start + length;
            self.sum_range(
                row.first + start..row.first + end.min(row.count),
                &weigh,
                out,
            );
            if end > row.count {
                self.sum_range(row.first..row.first + end - row.count, &weigh, out);
            }
        }
    }

    fn sum_range(&self, range: std::ops::Range<usize>, weigh: &Weigh, out: &mut [f64]) {
        let [xs, ys, zs] = &self.points;
        let (xs, ys, zs) = (&xs[range.clone()], &ys[range.clone()], &zs[range.clone()]);
        let gains = &self.gains[range.start * self.outputs..range.end * self.outputs];
        let points = xs.iter().zip(ys).zip(zs);
        for (((&x, &y), &z), gains) in points.zip(gains.chunks_exact(self.outputs)) {
            let weight = weigh.of([x, y, z]);
            if weight > 0.0 {
                for (sum, gain) in out.iter_mut().zip(gains) {
                    *sum += weight * gain;
                }
            }
        }
    }
}

/// Weights of points after a stadium: 1 inside, falling to 0 over the fade.
struct Weigh {
    forward: Vector,
    along: Vector,
    /// Sine and cosine of the arc's end.
    sin: f64,
    cos: f64,
    radius: f64,
    /// Cosines of the distances from the arc up to which the weight is 1, and from which it is 0.
    inner: f64,
    outer: f64,
}

impl Weigh {
    fn new(stadium: &Stadium) -> Self {
        let (sin, cos) = stadium.end.sin_cos();
        let cosine = |angle: f64| {
            if angle < PI {
                angle.cos()
            } else {
                f64::NEG_INFINITY
            }
        };
        Self {
            forward: stadium.forward,
            along: stadium.along,
            sin,
            cos,
            radius: stadium.radius,
            inner: cosine(stadium.radius),
            outer: cosine(stadium.radius + FADE.to_radians()),
        }
    }

    fn of(&self, point: Vector) -> f64 {
        let ahead = dot(point, self.forward);
        let aside = dot(point, self.along).abs();
        // Beside the arc the nearest point is straight across, beyond its end it is the end.
        let beside = self.sin * ahead >= self.cos * aside && (ahead >= 0.0 || self.cos <= 0.0);
        let cosine = if beside {
            (ahead * ahead + aside * aside).sqrt()
        } else {
            aside * self.sin + ahead * self.cos
        };
        if cosine >= self.inner {
            1.0
        } else if cosine > self.outer {
            let distance = cosine.clamp(-1.0, 1.0).acos() - self.radius;
            (1.0 - distance / FADE.to_radians()).clamp(0.0, 1.0)
        } else {
            0.0
        }
    }
}
