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
/// Points on the equator, 5 degrees apart, too.
const FULLEST_ROW: usize = 2 * (ROWS - 1);
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
    /// For each point one gain a loudspeaker, and zeros up to `stride`.
    gains: Vec<f64>,
    stride: usize,
    /// The sum of all gains, for objects that are everywhere.
    everything: Vec<f64>,
}

impl Grid {
    fn new(panner: &PolarPanner) -> Self {
        let stride = panner.len().next_multiple_of(4);
        let mut grid = Self {
            rows: Vec::with_capacity(ROWS),
            points: [Vec::new(), Vec::new(), Vec::new()],
            gains: Vec::new(),
            stride,
            everything: vec![0.0; stride],
        };
        let mut gains = vec![0.0; stride];
        for row in 0..ROWS {
            let step = 180.0 / (ROWS - 1) as f64;
            let elevation = -90.0 + step * row as f64;
            let (sin, cos) = elevation.to_radians().sin_cos();
            let count = (cos * FULLEST_ROW as f64).round_ties_even().max(1.0);
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

    /// Sets `out` to the weighted sum of the gains of all points, `stride` of them.
    fn sum(&self, stadium: &Stadium, out: &mut Vec<f64>) {
        out.clear();
        if stadium.radius >= PI {
            out.extend_from_slice(&self.everything);
            return;
        }
        out.resize(self.stride, 0.0);
        // The strides of the layouts of BS.2051 have loops of their own: their sums stay in
        // registers.
        match self.stride {
            4 => self.sum_fixed::<4>(stadium, out),
            8 => self.sum_fixed::<8>(stadium, out),
            12 => self.sum_fixed::<12>(stadium, out),
            16 => self.sum_fixed::<16>(stadium, out),
            24 => self.sum_fixed::<24>(stadium, out),
            stride => self.each_weight(stadium, |point, weight| {
                let gains = &self.gains[point * stride..][..stride];
                for (sum, gain) in out.iter_mut().zip(gains) {
                    *sum += weight * gain;
                }
            }),
        }
    }

    fn sum_fixed<const STRIDE: usize>(&self, stadium: &Stadium, out: &mut [f64]) {
        let (gains, _) = self.gains.as_chunks::<STRIDE>();
        let mut sums = [0.0; STRIDE];
        self.each_weight(stadium, |point, weight| {
            for (sum, gain) in sums.iter_mut().zip(&gains[point]) {
                *sum += weight * gain;
            }
        });
        out.copy_from_slice(&sums);
    }

    /// Tells every point that has a weight.
    fn each_weight(&self, stadium: &Stadium, mut tell: impl FnMut(usize, f64)) {
        let weigh = Weigh::new(stadium);
        let mut cosines = [0.0; FULLEST_ROW];
        let mut each_of = |from: usize, to: usize| {
            let cosines = &mut cosines[..to - from];
            let [xs, ys, zs] = [0, 1, 2].map(|axis| &self.points[axis][from..to]);
            for (((cosine, &x), &y), &z) in cosines.iter_mut().zip(xs).zip(ys).zip(zs) {
                *cosine = weigh.cosine([x, y, z]);
            }
            for (n, &cosine) in cosines.iter().enumerate() {
                if cosine > weigh.outer {
                    tell(from + n, weigh.weight(cosine));
                }
            }
        };
        let reach = stadium.reach() + MARGIN;
        let [x, y, z] = stadium.forward;
        let radius = x.hypot(y);
        let elevation = z.atan2(radius);
        let turns = (-x).atan2(y) / (2.0 * PI);
        for row in &self.rows {
            let all = (row.first, row.first + row.count);
            // Beyond that, the shape is nearly everywhere and looking costs less than knowing.
            if reach >= 2.5 {
                each_of(all.0, all.1);
                continue;
            }
            // Only rows, and in them only azimuths, that the shape can reach.
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
                each_of(all.0, all.1);
                continue;
            }
            let from = (turns * count - half).ceil() as i64;
            let to = (turns * count + half).floor() as i64;
            let whole = row.count as i64;
            let start = row.first + from.rem_euclid(whole) as usize;
            let end = start + (to - from + 1).clamp(0, whole) as usize;
            each_of(start, end.min(all.1));
            if end > all.1 {
                each_of(all.0, end - row.count);
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
    /// What is less far ahead is not beside an arc that ends in front.
    ahead: f64,
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
            ahead: if cos > 0.0 { 0.0 } else { f64::NEG_INFINITY },
            radius: stadium.radius,
            inner: cosine(stadium.radius),
            outer: cosine(stadium.radius + FADE.to_radians()),
        }
    }

    /// Cosine of the distance from the arc; without branches, so that it is done for many at once.
    #[inline]
    fn cosine(&self, point: Vector) -> f64 {
        let ahead = dot(point, self.forward);
        let aside = dot(point, self.along).abs();
        // Beside the arc the nearest point is straight across, beyond its end it is the end.
        let across = (ahead * ahead + aside * aside).sqrt();
        let from_end = aside * self.sin + ahead * self.cos;
        let beside = (self.sin * ahead >= self.cos * aside) & (ahead >= self.ahead);
        if beside { across } else { from_end }
    }

    #[inline]
    fn weight(&self, cosine: f64) -> f64 {
        if cosine >= self.inner {
            return 1.0;
        }
        let distance = cosine.clamp(-1.0, 1.0).acos() - self.radius;
        (1.0 - distance / FADE.to_radians()).clamp(0.0, 1.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Clause 7.3.8.2.2 and its figure: 37 rows with 1652 points (number as the reference renderer
    /// of BS.2127, ear 2.1.0, has it).
    #[test]
    fn the_grid_has_1652_points() {
        let layout = SpeakerLayout::named("0+5+0").unwrap();
        let grid = Grid::new(&PolarPanner::new(&layout).unwrap());
        assert_eq!(grid.points[0].len(), 1652);
        assert_eq!(
            grid.rows.iter().map(|row| row.count).max(),
            Some(FULLEST_ROW)
        );
    }

    /// Looking only where a shape can be must not miss a point of it.
    #[test]
    fn no_point_of_a_shape_is_passed_over() {
        let layout = SpeakerLayout::named("0+2+0").unwrap();
        let grid = Grid::new(&PolarPanner::new(&layout).unwrap());
        for n in 0..3000 {
            let n = f64::from(n);
            let (azimuth, elevation) = (n * 7.1, (n * 3.3) % 181.0 - 90.5);
            let position = cart(azimuth, elevation.clamp(-90.0, 90.0), 1.0);
            let stadium = Stadium::new(position, 5.0 + (n * 1.7) % 355.0, 5.0 + (n * 0.9) % 355.0);
            let weigh = Weigh::new(&stadium);
            let mut found = vec![false; grid.points[0].len()];
            grid.each_weight(&stadium, |point, _| found[point] = true);
            for (point, found) in found.into_iter().enumerate() {
                let at = [0, 1, 2].map(|axis| grid.points[axis][point]);
                let cosine = weigh.cosine(at);
                assert_eq!(found, cosine > weigh.outer, "{n} {point}");
            }
        }
    }
}
