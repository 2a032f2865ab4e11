//! The bands of small loudspeakers and telephones, as filters on eight lanes.
//!
//! Butterworth filters of fourth order, 3 dB down at the published edges: a stand-in for what
//! such a device lets through, not the mask of its standard. The bands are cut out of the mono
//! signal and of its K-weighted twin alike: filters commute, so the second one's energy is what
//! K-weighting after the band would give.

use super::peak::{BEFORE, PeakMeter, REACH, SEAM};
use crate::measure::true_peak::TILE;
use crate::vector::{Work, fast};

/// Name, lower and upper edge in hertz, source of the edges.
pub(super) const BANDS: [(&str, f64, f64, &str); 3] = [
    ("telephone band", 300.0, 3400.0, "ITU-T G.712"),
    ("small loudspeaker", 100.0, 8000.0, "ITU-T P.341"),
    ("wide-band call", 50.0, 7000.0, "ITU-T G.722"),
];
/// Lanes 0 to 2 are the bands of the plain signal, 4 to 6 of the weighted one.
pub(super) const LANES: usize = 8;
const HALF: usize = LANES / 2;

/// Q of the two sections of a fourth-order Butterworth filter: 1 / (2 cos(pi/8)) and
/// 1 / (2 cos(3 pi/8)).
const QUALITIES: [f64; 2] = [0.541_196_100_146_197, 1.306_562_964_876_377];

type Row = [f32; LANES];

/// One biquad for each lane, its own gain taken out so that b0 is 1: b1 - a1, b2 - a2, a1, a2. In
/// this form the state alone runs from sample to sample, and the output waits for nothing.
#[derive(Clone, Copy)]
struct Section([Row; 4]);

pub(super) struct BandFilters {
    sections: [Section; 4],
    /// All sections' own gains.
    gain: Row,
    memory: [[Row; 2]; 4],
    /// The last rows of the block before, then the block.
    rows: Vec<Row>,
    peaks: Vec<PeakMeter>,
}

/// The gain, then the coefficients of a [`Section`].
fn biquad(frequency: f64, rate: f64, quality: f64, high: bool) -> [f64; 5] {
    let k = (std::f64::consts::PI * frequency.min(0.45 * rate) / rate).tan();
    let norm = 1.0 / (1.0 + k / quality + k * k);
    let [gain, b1] = match high {
        true => [norm, -2.0],
        false => [k * k * norm, 2.0],
    };
    let a1 = 2.0 * (k * k - 1.0) * norm;
    let a2 = (1.0 - k / quality + k * k) * norm;
    [gain, b1 - a1, 1.0 - a2, a1, a2]
}

/// Squared gain of a band at a frequency: Butterworth of fourth order on both sides.
pub(super) fn power_gain(band: usize, hertz: f64) -> f64 {
    let (_, low, high, _) = BANDS[band];
    let down = |ratio: f64| 1.0 / (1.0 + ratio.powi(8));
    down(low / hertz) * down(hertz / high)
}

impl BandFilters {
    pub(super) fn new(rate: f64) -> Self {
        let mut gains = [1.0; LANES];
        let mut section = |stage: usize| {
            let quality = QUALITIES[stage % 2];
            let mut rows = [[0.0; LANES]; 4];
            for (band, (_, low, high, _)) in BANDS.iter().enumerate() {
                let edge = if stage < 2 { *low } else { *high };
                let [gain, all @ ..] = biquad(edge, rate, quality, stage < 2);
                for lane in [band, band + HALF] {
                    gains[lane] *= gain;
                    for (row, value) in rows.iter_mut().zip(all) {
                        row[lane] = value as f32;
                    }
                }
            }
            Section(rows)
        };
        let sections = [0, 1, 2, 3].map(&mut section);
        Self {
            sections,
            gain: gains.map(|gain: f64| gain as f32),
            memory: [[[0.0; LANES]; 2]; 4],
            rows: vec![[0.0; LANES]; SEAM],
            peaks: BANDS.iter().map(|_| PeakMeter::new(rate)).collect(),
        }
    }

    /// Runs a block of whole tiles; afterwards [`BandFilters::energies`] tells of it.
    pub(super) fn run(&mut self, mono: &[f32], weighted: &[f32]) {
        let kept = self.rows.len() - SEAM;
        self.rows.copy_within(kept.., 0);
        self.rows.resize(SEAM + mono.len(), [0.0; LANES]);
        fast(Pass {
            mono,
            weighted,
            rows: &mut self.rows[SEAM..],
            sections: &self.sections,
            gain: &self.gain,
            memory: &mut self.memory,
        });
        self.peaks();
    }

    /// Looks where a band comes near its highest value so far.
    fn peaks(&mut self) {
        for window in self.rows.windows(REACH).step_by(TILE) {
            let largest = fast(RowLargest(&window[BEFORE..BEFORE + TILE]));
            for (band, meter) in self.peaks.iter_mut().enumerate() {
                let largest = f64::from(largest[band]);
                if meter.near(largest) {
                    let plain: [f64; REACH] =
                        std::array::from_fn(|index| f64::from(window[index][band]));
                    meter.look(&plain, largest);
                }
            }
        }
    }

    /// Silence follows; the true peak of each band, linear.
    pub(super) fn finish(&mut self) -> [f64; 3] {
        let kept = self.rows.len() - SEAM;
        self.rows.copy_within(kept.., 0);
        self.rows.truncate(SEAM);
        self.rows.resize(REACH, [0.0; LANES]);
        self.peaks();
        std::array::from_fn(|band| self.peaks[band].peak)
    }

    /// Sum of the weighted squares of each band over frames `from` to `to` of the block.
    pub(super) fn energies(&self, from: usize, to: usize) -> [f64; 3] {
        let sums = fast(RowSquares(&self.rows[SEAM + from..SEAM + to]));
        std::array::from_fn(|band| f64::from(sums[band + HALF]))
    }

    pub(super) fn clear(&mut self) {
        self.memory = [[[0.0; LANES]; 2]; 4];
        self.rows.fill([0.0; LANES]);
    }
}

struct Pass<'a> {
    mono: &'a [f32],
    weighted: &'a [f32],
    rows: &'a mut [Row],
    sections: &'a [Section; 4],
    gain: &'a Row,
    memory: &'a mut [[Row; 2]; 4],
}

impl Work for Pass<'_> {
    type Output = ();

    #[inline(always)]
    fn work(self) {
        let gain = *self.gain;
        let [a, b, c, d] = self.sections;
        // By name, so that all of it stays in registers.
        let [mut of_a, mut of_b, mut of_c, mut of_d] = *self.memory;
        let inputs = self.mono.iter().zip(self.weighted);
        for (row, (&mono, &weighted)) in self.rows.iter_mut().zip(inputs) {
            let mut x = [mono; LANES];
            for lane in &mut x[HALF..] {
                *lane = weighted;
            }
            for l in 0..LANES {
                x[l] *= gain[l];
            }
            x = a.pass(x, &mut of_a);
            x = b.pass(x, &mut of_b);
            x = c.pass(x, &mut of_c);
            *row = d.pass(x, &mut of_d);
        }
        *self.memory = [of_a, of_b, of_c, of_d];
    }
}

impl Section {
    #[inline(always)]
    fn pass(&self, x: Row, memory: &mut [Row; 2]) -> Row {
        let [b1, b2, a1, a2] = &self.0;
        let [s1, s2] = *memory;
        let mut y = [0.0; LANES];
        for l in 0..LANES {
            y[l] = x[l] + s1[l];
        }
        for l in 0..LANES {
            memory[0][l] = (b1[l] * x[l] + s2[l]) - a1[l] * s1[l];
        }
        for l in 0..LANES {
            memory[1][l] = b2[l] * x[l] - a2[l] * s1[l];
        }
        y
    }
}

struct RowLargest<'a>(&'a [Row]);

impl Work for RowLargest<'_> {
    type Output = Row;

    #[inline(always)]
    fn work(self) -> Row {
        let mut top = [0.0; LANES];
        for row in self.0 {
            for l in 0..LANES {
                let magnitude = row[l].abs();
                top[l] = if magnitude > top[l] {
                    magnitude
                } else {
                    top[l]
                };
            }
        }
        top
    }
}

struct RowSquares<'a>(&'a [Row]);

impl Work for RowSquares<'_> {
    type Output = Row;

    #[inline(always)]
    fn work(self) -> Row {
        let mut sums = [0.0; LANES];
        for row in self.0 {
            for l in 0..LANES {
                sums[l] += row[l] * row[l];
            }
        }
        sums
    }
}
