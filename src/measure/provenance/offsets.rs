//! Finds the one offset of a codec's frames at which a measure dips.
//!
//! In: for each segment the measure at every offset, in rows (a row is a signal in a band). Out:
//! the row and offset that stand out most. The music's own course over the offsets is smooth, and
//! a dip is the fall below both sides; so courses do not count, and segments can be added.

use super::types::CodecFamily;

/// Own choice: a dip is the fall below the lower of the offsets this far before and after.
pub(super) const APART: usize = 3;
/// Own choice, measured on 147 clean pieces (the strongest that is not from a codec by other signs
/// too fell by 0.78 dB) and 64 decoded ones (the weakest 1.08 dB): the deepest dip over the next
/// deepest, as the mean fall of a coefficient in dB.
pub(super) const LEAST_FALL_DB: f64 = 0.9;
/// Own choice, likewise, in deviations over all offsets.
pub(super) const LEAST_DEVIATIONS: f64 = 4.0;

/// Own choice, measured: two segments of exact loops stood out alone by up to 1.6, those of
/// Vorbis that it is for by 8 and more.
const ALONE: f64 = 4.0;

/// Own choice, measured: without the best segment, codecs with steady frames keep a strength of
/// 2 and more.
const ELSEWHERE: f64 = 0.5;

/// What one transform shows.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Framing {
    pub(super) family: CodecFamily,
    pub(super) offset: u32,
    /// dB between the deepest dip and the next deepest that is no neighbour.
    pub(super) fall_db: f64,
    /// The same in standard deviations over the offsets (1.4826 times the median deviation).
    pub(super) deviations: f64,
    /// Without the segment that shows it best, it is not there.
    pub(super) in_one_segment: bool,
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
    family: CodecFamily,
    offsets: usize,
    /// Coefficients that each row's sum holds in one segment.
    per_row: Vec<usize>,
    sums: Vec<f64>,
    /// What each segment shows alone.
    alone: Vec<Framing>,
    parts: Vec<Vec<f64>>,
}

impl Dips {
    /// `per_row`: how many coefficients each row holds in one segment.
    pub(super) fn new(family: CodecFamily, offsets: usize, per_row: Vec<usize>) -> Self {
        Self {
            family,
            offsets,
            sums: vec![0.0; per_row.len() * offsets],
            per_row,
            alone: Vec::new(),
            parts: Vec::new(),
        }
    }

    /// `start`: where in the file the segment begins.
    pub(super) fn add(&mut self, course: &Course, start: u64) {
        let start = (start % self.offsets as u64) as usize;
        let mut part = vec![0.0; self.sums.len()];
        let rows = course.sums.chunks(course.len);
        for (curve, dips) in rows.zip(part.chunks_mut(self.offsets)) {
            for at in APART..APART + self.offsets {
                // Below both sides: a click that enters or leaves the block makes a step only.
                dips[(start + at) % self.offsets] =
                    curve[at - APART].min(curve[at + APART]) - curve[at];
            }
        }
        for (sum, dip) in self.sums.iter_mut().zip(&part) {
            *sum += dip;
        }
        self.alone
            .extend(self.framing(&part, 1).map(|(_, alone)| alone));
        self.parts.push(part);
    }

    /// The strongest of what the segments show alone; 0 for none.
    pub(super) fn strongest_alone(&self) -> f64 {
        let strengths = self.alone.iter().map(Framing::strength);
        strengths.fold(0.0, f64::max)
    }

    /// Whether two segments and more leave no doubt together.
    pub(super) fn is_sure(&self, strength: f64) -> bool {
        let all = (self.parts.len() >= 2).then(|| self.together()).flatten();
        all.is_some_and(|all| !all.in_one_segment && all.strength() >= strength)
    }

    /// What all segments show at one offset.
    pub(super) fn together(&self) -> Option<Framing> {
        let (row, all) = self.framing(&self.sums, self.parts.len())?;
        let here = row * self.offsets + all.offset as usize;
        let best = (self.parts.iter()).max_by(|a, b| a[here].total_cmp(&b[here]))?;
        let of_row = row * self.offsets..(row + 1) * self.offsets;
        let others: Vec<f64> = (self.sums[of_row.clone()].iter().zip(&best[of_row]))
            .map(|(sum, dip)| sum - dip)
            .collect();
        let others = self.stands_out(&others, self.per_row[row] * (self.parts.len() - 1));
        let is_there = others
            .is_some_and(|others| others.offset == all.offset && others.strength() >= ELSEWHERE);
        Some(Framing {
            in_one_segment: !is_there,
            ..all
        })
    }

    /// The framing that all segments show together, or one that two of them show each for itself,
    /// and far more clearly: short blocks move the frames of Vorbis.
    pub(super) fn best(&self) -> Option<Framing> {
        let mut alone = self.alone.clone();
        alone.sort_by(|a, b| b.strength().total_cmp(&a.strength()));
        let second = (alone.get(1).copied())
            .filter(|second| self.family == CodecFamily::Vorbis && second.strength() > ALONE);
        (self.together().into_iter())
            .chain(second)
            .max_by(|a, b| a.strength().total_cmp(&b.strength()))
    }

    /// The row that stands out most, and its framing.
    fn framing(&self, sums: &[f64], segments: usize) -> Option<(usize, Framing)> {
        sums.chunks(self.offsets)
            .zip(&self.per_row)
            .enumerate()
            .filter_map(|(row, (dips, per_row))| {
                Some((row, self.stands_out(dips, per_row * segments)?))
            })
            .max_by(|a, b| a.1.strength().total_cmp(&b.1.strength()))
    }

    /// What stands out of a row's dips, of that many coefficients.
    fn stands_out(&self, dips: &[f64], coefficients: usize) -> Option<Framing> {
        let (offset, &deepest) = dips.iter().enumerate().max_by(|a, b| a.1.total_cmp(b.1))?;
        let next = dips
            .iter()
            .enumerate()
            .filter(|(at, _)| {
                let apart = at.abs_diff(offset);
                apart.min(self.offsets - apart) > APART
            })
            .map(|(_, &value)| value)
            .fold(f64::NEG_INFINITY, f64::max);
        let deviation = 1.4826 * median_deviation(dips);
        // A row without any deviation is one signal's silence.
        (deviation > 0.0).then(|| Framing {
            family: self.family,
            offset: offset as u32,
            fall_db: (deepest - next) / coefficients.max(1) as f64
                * (10.0 * std::f64::consts::LOG10_2),
            deviations: (deepest - next) / deviation,
            in_one_segment: false,
        })
    }
}

fn median_deviation(values: &[f64]) -> f64 {
    let middle = |sorted: &mut Vec<f64>| {
        let half = sorted.len() / 2;
        *sorted.select_nth_unstable_by(half, f64::total_cmp).1
    };
    let mut sorted = values.to_vec();
    let median = middle(&mut sorted);
    for value in &mut sorted {
        *value = (*value - median).abs();
    }
    middle(&mut sorted)
}
