//! The hybrid filter bank of MPEG audio layer III for many frame offsets: 32 bands, long-block
//! MDCT of 18 in each, alias reduction (ISO/IEC 11172-3, 2.4.3.4 and Annex C.1.3).
//!
//! In: samples as `f32`. Out: the 576 coefficients of granules at eight neighbouring offsets.

use super::transform::{LANES, Lanes, each, map};

pub(super) const BANDS: usize = 32;
pub(super) const LINES: usize = 18;
/// Coefficients of a granule; also the hop from granule to granule.
pub(super) const GRANULE: usize = BANDS * LINES;
const TAPS: usize = 512;
/// Sums that run side by side; divides the lines of a band.
const TOGETHER: usize = 6;

/// Half of the prototype low-pass with a scale of 65536: the synthesis window D\[i\] of ISO/IEC
/// 11172-3, Annex B, Table 3-B.3, without its change of sign every 64 samples; symmetrical about
/// the last value.
#[rustfmt::skip]
const PROTOTYPE: [i32; TAPS / 2 + 1] = [
    0, -1, -1, -1, -1, -1, -1, -2, -2, -2, -2, -3,
    -3, -4, -4, -5, -5, -6, -7, -7, -8, -9, -10, -11,
    -13, -14, -16, -17, -19, -21, -24, -26, -29, -31, -35, -38,
    -41, -45, -49, -53, -58, -63, -68, -73, -79, -85, -91, -97,
    -104, -111, -117, -125, -132, -139, -147, -154, -161, -169, -176, -183,
    -190, -196, -202, -208, -213, -218, -222, -225, -227, -228, -228, -227,
    -224, -221, -215, -208, -200, -189, -177, -163, -146, -127, -106, -83,
    -57, -29, 2, 36, 72, 111, 153, 197, 244, 294, 347, 401,
    459, 519, 581, 645, 711, 779, 848, 919, 991, 1064, 1137, 1210,
    1283, 1356, 1428, 1498, 1567, 1634, 1698, 1759, 1817, 1870, 1919, 1962,
    2001, 2032, 2057, 2075, 2085, 2087, 2080, 2063, 2037, 2000, 1952, 1893,
    1822, 1739, 1644, 1535, 1414, 1280, 1131, 970, 794, 605, 402, 185,
    -45, -288, -545, -814, -1095, -1388, -1692, -2006, -2330, -2663, -3004, -3351,
    -3705, -4063, -4425, -4788, -5153, -5517, -5879, -6237, -6589, -6935, -7271, -7597,
    -7910, -8209, -8491, -8755, -8998, -9219, -9416, -9585, -9727, -9838, -9916, -9959,
    -9966, -9935, -9863, -9750, -9592, -9389, -9139, -8840, -8492, -8092, -7640, -7134,
    -6574, -5959, -5288, -4561, -3776, -2935, -2037, -1082, -70, 998, 2122, 3300,
    4533, 5818, 7154, 8540, 9975, 11455, 12980, 14548, 16155, 17799, 19478, 21189,
    22929, 24694, 26482, 28289, 30112, 31947, 33791, 35640, 37489, 39336, 41176, 43006,
    44821, 46617, 48390, 50137, 51853, 53534, 55178, 56778, 58333, 59838, 61289, 62684,
    64019, 65290, 66494, 67629, 68692, 69679, 70590, 71420, 72169, 72835, 73415, 73908,
    74313, 74630, 74856, 74992, 75038,
];

/// The alias-reduction coefficients c of ISO/IEC 11172-3, Annex B, Table 3-B.9.
const ALIAS: [f32; 8] = [
    -0.6, -0.535, -0.33, -0.185, -0.095, -0.041, -0.0142, -0.0037,
];

/// The filter bank's tables.
pub(super) struct Hybrid {
    prototype: Vec<f32>,
    /// `[band][phase of 64]`.
    matrix: Vec<[f32; 64]>,
    /// Of 36 slots.
    window: [f32; 2 * LINES],
    /// `[group][folded slot][line of the group]`.
    lines: [[[f32; TOGETHER]; LINES]; LINES / TOGETHER],
    alias: [(f32, f32); 8],
}

impl Hybrid {
    pub(super) fn new() -> Self {
        use std::f64::consts::PI;
        let prototype = (0..TAPS)
            .map(|n| (f64::from(PROTOTYPE[n.min(TAPS - n)]) / 65536.0 / 32f64.sqrt()) as f32)
            .collect();
        let matrix = (0..BANDS)
            .map(|band| {
                std::array::from_fn(|n| {
                    (PI / 64.0 * (2 * band + 1) as f64 * (n as f64 - 16.0)).cos() as f32
                })
            })
            .collect();
        let cosine = |slot: usize, line: usize| {
            let angle = PI / 72.0 * (2 * slot + 1) as f64 * (2 * line + 1) as f64;
            (angle.cos() / 3.0) as f32
        };
        let lines = std::array::from_fn(|group| {
            std::array::from_fn(|slot| {
                std::array::from_fn(|line| cosine(slot, group * TOGETHER + line))
            })
        });
        Self {
            prototype,
            matrix,
            window: std::array::from_fn(|slot| (PI / 36.0 * (slot as f64 + 0.5)).sin() as f32),
            lines,
            alias: ALIAS.map(|c| {
                let norm = (1.0 + c * c).sqrt();
                (1.0 / norm, c / norm)
            }),
        }
    }

    /// Samples of `count` bands from `first` on for `slots` slots that begin at the first eight of
    /// `samples`, `[slot][band - first]`; odd slots of odd bands change sign, as the standard's
    /// frequency inversion wants.
    #[inline(always)]
    pub(super) fn bands(
        &self,
        samples: &[f32],
        slots: usize,
        first: usize,
        count: usize,
        out: &mut [Lanes],
    ) {
        for slot in 0..slots {
            let part = &samples[slot * BANDS..];
            // The window and its sum to 64: the sign of the cosine's later periods is the
            // change of sign of the standard's window.
            let mut sums = [[0.0f32; LANES]; 64];
            for (tap, &gain) in self.prototype.iter().enumerate() {
                let signed = if tap / 64 % 2 == 0 { gain } else { -gain };
                let newest_first = &part[TAPS - 1 - tap..][..LANES];
                let sum = &mut sums[tap % 64];
                for lane in 0..LANES {
                    sum[lane] += newest_first[lane] * signed;
                }
            }
            let mut band = 0;
            while band < count {
                // Some bands together, so that no sum waits for itself.
                let together = TOGETHER.min(count - band);
                let rows = &self.matrix[first + band..first + band + together];
                let mut values = [[0.0f32; LANES]; TOGETHER];
                for (place, sum) in sums.iter().enumerate() {
                    for (value, row) in values.iter_mut().zip(rows) {
                        for lane in 0..LANES {
                            value[lane] += sum[lane] * row[place];
                        }
                    }
                }
                for value in &values[..together] {
                    let inverted = slot % 2 == 1 && (band + first) % 2 == 1;
                    out[slot * count + band] = if inverted {
                        each(*value, |v| -v)
                    } else {
                        *value
                    };
                    band += 1;
                }
            }
        }
    }

    /// Coefficients of the granule whose first slot is `slot` of `bands` (`[slot][band]`, `count`
    /// bands), for those bands. A granule that begins at an odd slot differs in sign of odd
    /// bands only, which a magnitude does not see except through the alias reduction; so the
    /// sign is put right here.
    #[inline(always)]
    pub(super) fn granule(
        &self,
        bands: &[Lanes],
        count: usize,
        first: usize,
        slot: usize,
        out: &mut [Lanes],
    ) {
        for band in 0..count {
            let sign = if slot % 2 == 1 && (band + first) % 2 == 1 {
                -1.0
            } else {
                1.0
            };
            // The time-domain aliasing that makes 36 windowed samples 18: with quarters a b c d,
            // (-c reversed - d, a - b reversed).
            let windowed = |at: usize| {
                let gain = self.window[at] * sign;
                each(bands[(slot + at) * count + band], |v| v * gain)
            };
            let mut folded = [[0.0f32; LANES]; LINES];
            for n in 0..LINES / 2 {
                let (c, d) = (windowed(26 - n), windowed(27 + n));
                folded[n] = map(c, d, |c, d| -c - d);
                let (a, b) = (windowed(n), windowed(17 - n));
                folded[LINES / 2 + n] = map(a, b, |a, b| a - b);
            }
            for (group, cosines) in self.lines.iter().enumerate() {
                // Some lines together, so that no sum waits for itself.
                let mut values = [[0.0f32; LANES]; TOGETHER];
                for (sample, cosines) in folded.iter().zip(cosines) {
                    for (value, &cosine) in values.iter_mut().zip(cosines) {
                        for lane in 0..LANES {
                            value[lane] += sample[lane] * cosine;
                        }
                    }
                }
                let at = band * LINES + group * TOGETHER;
                out[at..at + TOGETHER].copy_from_slice(&values);
            }
        }
        for band in 0..count.saturating_sub(1) {
            for (step, &(keep, cross)) in self.alias.iter().enumerate() {
                let (below, above) = (band * LINES + 17 - step, (band + 1) * LINES + step);
                let (low, high) = (out[below], out[above]);
                out[below] = map(low, high, |low, high| low * keep + high * cross);
                out[above] = map(low, high, |low, high| high * keep - low * cross);
            }
        }
    }
}
