//! Balance panning of a point: between two planes, in each between two rows, in each between two
//! columns (ITU-R BS.2127-1, clause 7.3.10, allocentric point-source panner).
//!
//! In: loudspeakers in the cube. Out: gains of unit power. Knows nothing of sizes.

use std::f64::consts::FRAC_PI_2;

/// Loudspeakers sorted into planes of equal Z, rows of equal Y and columns of X.
#[derive(Clone, Debug)]
pub struct Planes {
    pub z: Vec<f64>,
    pub planes: Vec<Plane>,
}

#[derive(Clone, Debug)]
pub struct Plane {
    pub y: Vec<f64>,
    pub rows: Vec<Row>,
}

#[derive(Clone, Debug)]
pub struct Row {
    pub x: Vec<f64>,
    /// Output index of the loudspeaker in each column.
    pub speakers: Vec<usize>,
}

impl Planes {
    /// `excluded` has one bit per loudspeaker that is left out. Of two loudspeakers in one
    /// place the first is used.
    pub fn new(positions: &[[f64; 3]], excluded: u64) -> Self {
        let mut order: Vec<usize> = (0..positions.len())
            .filter(|index| excluded >> index & 1 == 0)
            .collect();
        order.sort_by(|&a, &b| {
            let (a, b) = (positions[a], positions[b]);
            let by = |axis: usize| a[axis].total_cmp(&b[axis]);
            by(2).then(by(1)).then(by(0))
        });
        let mut all = Self {
            z: Vec::new(),
            planes: Vec::new(),
        };
        for speaker in order {
            let [x, y, z] = positions[speaker];
            if all.z.last() != Some(&z) {
                all.z.push(z);
                all.planes.push(Plane {
                    y: Vec::new(),
                    rows: Vec::new(),
                });
            }
            let plane = all.planes.last_mut().expect("pushed with its z");
            if plane.y.last() != Some(&y) {
                plane.y.push(y);
                plane.rows.push(Row {
                    x: Vec::new(),
                    speakers: Vec::new(),
                });
            }
            let row = plane.rows.last_mut().expect("pushed with its y");
            if row.x.last() != Some(&x) {
                row.x.push(x);
                row.speakers.push(speaker);
            }
        }
        all
    }

    /// Writes the gains of a point into `out`, which the caller has zeroed.
    pub fn pan(&self, [x, y, z]: [f64; 3], out: &mut [f64]) {
        for (plane, gain_z) in between(&self.z, z) {
            let plane = &self.planes[plane];
            for (row, gain_y) in between(&plane.y, y) {
                let row = &plane.rows[row];
                for (column, gain_x) in between(&row.x, x) {
                    out[row.speakers[column]] = gain_z * gain_y * gain_x;
                }
            }
        }
    }
}

/// The levels between which `at` lies, with sine-cosine gains; one level with gain 1 when `at`
/// is on it or beyond the ends. Nothing when there are no levels.
///
/// `levels` ascend.
pub fn between(levels: &[f64], at: f64) -> impl Iterator<Item = (usize, f64)> + use<> {
    let above = levels.partition_point(|&level| level < at);
    let (first, second) = if levels.is_empty() {
        (None, None)
    } else if above == levels.len() {
        (Some((above - 1, 1.0)), None)
    } else if above == 0 || levels[above] == at {
        (Some((above, 1.0)), None)
    } else {
        let (low, high) = (levels[above - 1], levels[above]);
        let (sin, cos) = ((at - low) / (high - low) * FRAC_PI_2).sin_cos();
        (Some((above - 1, cos)), Some((above, sin)))
    };
    first.into_iter().chain(second)
}
