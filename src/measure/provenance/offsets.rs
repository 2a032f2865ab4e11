//! Finds the one offset of a codec's frames at which a measure dips.
//!
//! In: for each segment the measure at every offset, in rows (a row is a signal in a band). Out:
//! the row and offset that stand out most. The music's own course over the offsets is smooth, and
//! a dip is the fall below both sides; so courses do not count, and segments can be added.

use super::types::CodecFamily;

/// Own choice: a dip is the fall below the mean of the offsets this far before and after.
pub(super) const APART: usize = 3;
/// Own choice, measured on 147 clean pieces (the strongest that is not from a codec by other signs
/// too fell by 0.78 dB) and 64 decoded ones (the weakest 1.08 dB): the deepest dip over the next
/// deepest, as the mean fall of a coefficient in dB.
pub(super) const LEAST_FALL_DB: f64 = 0.9;
/// Own choice, likewise, in deviations over all offsets.
pub(super) const LEAST_DEVIATIONS: f64 = 4.0;

/// What one transform shows.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Framing {
    pub(super) family: CodecFamily,
    pub(super) offset: u32,
    /// dB between the deepest dip and the next deepest that is no neighbour.
    pub(super) fall_db: f64,
    /// The same in standard deviations over the offsets (1.4826 times the median deviation).
    pub(super) deviations: f64,
}

impl Framing {
    /// The lesser of fall and deviations, each against its limit: 1 is enough.
    pub(super) fn strength(&self) -> f64 {
        (self.deviations / LEAST_DEVIATIONS).min(self.fall_db / LEAST_FALL_DB)
    }
}

/// The measure of one segment, `[row][offset]`, from the segment's own first sample on; 2 x
/// [`APART`] offsets more than there are, so that each has its two sides.
pub(super) struct Course {
    sums: Vec<f64>,
    len: usize,
}

impl Course {
    pub(super) fn new(rows: usize, len: usize) -> Self {
        Self {
            sums: vec![0.0; rows * len],
            len,
        }
    }

    pub(super) fn add(&mut self, row: usize, offset: usize, value: f32) {
        self.sums[row * self.len + offset] += f64::from(value);
    }
}

/// Dips of all segments, `[row][offset in the file]`.
pub(super) struct Dips {
    sums: Vec<f64>,
    offsets: usize,
}

impl Dips {
    pub(super) fn new(rows: usize, offsets: usize) -> Self {
        Self {
            sums: vec![0.0; rows * offsets],
            offsets,
        }
    }

    /// `start`: where in the file the segment begins.
    pub(super) fn add(&mut self, course: &Course, start: u64) {
        let start = (start % self.offsets as u64) as usize;
        let rows = course.sums.chunks(course.len);
        for (curve, dips) in rows.zip(self.sums.chunks_mut(self.offsets)) {
            for at in APART..APART + self.offsets {
                dips[(start + at) % self.offsets] +=
                    (curve[at - APART] + curve[at + APART]) / 2.0 - curve[at];
            }
        }
    }

    /// The row that stands out most. `per_row`: how many coefficients a row's sum holds.
    pub(super) fn best(
        &self,
        family: CodecFamily,
        per_row: impl Fn(usize) -> usize,
    ) -> Option<Framing> {
        let mut sorted = Vec::with_capacity(self.offsets);
        self.sums
            .chunks(self.offsets)
            .enumerate()
            .filter_map(|(row, dips)| {
                let (offset, &deepest) =
                    dips.iter().enumerate().max_by(|a, b| a.1.total_cmp(b.1))?;
                let next = dips
                    .iter()
                    .enumerate()
                    .filter(|(at, _)| {
                        let apart = at.abs_diff(offset);
                        apart.min(self.offsets - apart) > APART
                    })
                    .map(|(_, &value)| value)
                    .fold(f64::NEG_INFINITY, f64::max);
                let deviation = 1.4826 * median_deviation(dips, &mut sorted);
                // A row without any deviation is one signal's silence.
                (deviation > 0.0).then(|| Framing {
                    family,
                    offset: offset as u32,
                    fall_db: (deepest - next) / per_row(row).max(1) as f64
                        * (10.0 * std::f64::consts::LOG10_2),
                    deviations: (deepest - next) / deviation,
                })
            })
            .max_by(|a, b| a.strength().total_cmp(&b.strength()))
    }
}

fn median_deviation(values: &[f64], sorted: &mut Vec<f64>) -> f64 {
    let middle = |sorted: &mut Vec<f64>| {
        let half = sorted.len() / 2;
        *sorted.select_nth_unstable_by(half, f64::total_cmp).1
    };
    sorted.clear();
    sorted.extend_from_slice(values);
    let median = middle(sorted);
    for value in sorted.iter_mut() {
        *value = (*value - median).abs();
    }
    middle(sorted)
}
