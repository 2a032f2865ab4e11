//! Linear prediction: autocorrelation, the recursion for the predictor, its error, and the least
//! squares test for a disturbance that was added to a few samples.
//!
//! Plain functions of slices. Sources: N. Levinson 1946 and J. Durbin 1960 (from memory) for the recursion (as
//! every textbook gives it); J. Makhoul, "Linear prediction: a tutorial review", Proc. IEEE 63(4), from memory,
//! 1975, for the autocorrelation method.

use crate::vector::Work;

/// Samples that a loop takes at once: two AVX2 registers of single precision.
const WIDE: usize = 16;
/// The same in double precision.
const LANES: usize = 8;
/// Lags that are summed in one pass, so that the sums stay in registers.
const LAGS: usize = 6;

/// The first `sums.len()` autocorrelation sums of a signal. The signal is followed by as many
/// zeros as there are lags, and its length without them is a multiple of [`WIDE`].
pub(super) struct Autocorrelation<'a> {
    pub padded: &'a [f32],
    pub length: usize,
    pub sums: &'a mut [f64],
}

impl Work for Autocorrelation<'_> {
    type Output = ();
    #[inline(always)]
    fn work(self) {
        // Lags of one pass lie apart, by a distance that only the caller knows: a compiler that
        // sees them overlap shuffles what it has loaded, which takes longer than loading.
        let apart = self.sums.len().div_ceil(LAGS);
        let now = self.padded[..self.length].as_chunks::<WIDE>().0;
        for first in 0..apart {
            let [a, b, c, d, e, f]: [&[[f32; WIDE]]; LAGS] = std::array::from_fn(|k| {
                let later = &self.padded[first + k * apart..][..self.length];
                later.as_chunks().0
            });
            let mut totals = [[0.0f32; WIDE]; LAGS];
            let [of_a, of_b, of_c, of_d, of_e, of_f] = &mut totals;
            let later = a.iter().zip(b).zip(c).zip(d).zip(e).zip(f);
            for (now, (((((a, b), c), d), e), f)) in now.iter().zip(later) {
                for lane in 0..WIDE {
                    of_a[lane] += now[lane] * a[lane];
                    of_b[lane] += now[lane] * b[lane];
                    of_c[lane] += now[lane] * c[lane];
                    of_d[lane] += now[lane] * d[lane];
                    of_e[lane] += now[lane] * e[lane];
                    of_f[lane] += now[lane] * f[lane];
                }
            }
            let sums = self.sums[first..].iter_mut().step_by(apart);
            for (sum, total) in sums.zip(&totals) {
                *sum = total.iter().map(|&v| f64::from(v)).sum();
            }
        }
    }
}

/// How many zeros [`Autocorrelation`] needs after the signal for that many sums.
pub(super) const fn padding(sums: usize) -> usize {
    sums.div_ceil(LAGS) * LAGS + WIDE
}

/// The error filter 1, a1, ... ap for autocorrelation sums r0 ... rp (Levinson-Durbin).
/// All zeros after the first where there is no signal. The recursion stops early where the
/// numbers are too close to singular to go on.
pub(super) fn error_filter(sums: &[f64], filter: &mut [f64]) {
    filter.fill(0.0);
    filter[0] = 1.0;
    // -90 dB of white noise, own choice: keeps the recursion sound in single precision.
    let mut error = sums[0] * (1.0 + 1e-9);
    let floor = sums[0] * 1e-9;
    for order in 1..filter.len() {
        if error <= floor || error.is_nan() {
            return;
        }
        let mut sum = sums[order];
        for k in 1..order {
            sum += filter[k] * sums[order - k];
        }
        let reflection = -sum / error;
        if reflection.abs() >= 1.0 {
            return;
        }
        for k in 1..=order / 2 {
            let (low, high) = (filter[k], filter[order - k]);
            filter[k] = low + reflection * high;
            filter[order - k] = high + reflection * low;
        }
        filter[order] = reflection;
        error *= 1.0 - reflection * reflection;
    }
}

/// The error of a predictor over a signal: `errors[n] = sum of filter[k] * signal[n + p - k]`,
/// where `p = filter.len() - 1` samples of `signal` stand before the first error.
pub(super) struct Errors<'a> {
    pub signal: &'a [f32],
    pub filter: &'a [f32],
    pub errors: &'a mut [f32],
}

impl Work for Errors<'_> {
    type Output = ();
    #[inline(always)]
    fn work(self) {
        let order = self.filter.len() - 1;
        let length = self.errors.len();
        let mut at = 0;
        while at + WIDE <= length {
            let mut totals = [0.0f32; WIDE];
            for (k, &weight) in self.filter.iter().enumerate() {
                let past = &self.signal[at + order - k..at + order - k + WIDE];
                for lane in 0..WIDE {
                    totals[lane] += weight * past[lane];
                }
            }
            self.errors[at..at + WIDE].copy_from_slice(&totals);
            at += WIDE;
        }
        for n in at..length {
            self.errors[n] = self
                .filter
                .iter()
                .enumerate()
                .map(|(k, &weight)| weight * self.signal[n + order - k])
                .sum();
        }
    }
}

/// The second differences of a signal, scaled, in single precision; `into` has two fewer. Gives
/// the largest magnitude that was written.
pub(super) struct Differences<'a> {
    pub signal: &'a [f64],
    pub scale: f64,
    pub into: &'a mut [f32],
}

impl Work for Differences<'_> {
    type Output = f32;
    #[inline(always)]
    fn work(self) -> f32 {
        let length = self.into.len();
        let [a, b, c] = [0, 1, 2].map(|from| self.signal[from..][..length].as_chunks::<LANES>());
        let mut largest = [0.0f32; LANES];
        let (into, rest) = self.into.as_chunks_mut::<LANES>();
        for (((into, a), b), c) in into.iter_mut().zip(a.0).zip(b.0).zip(c.0) {
            for lane in 0..LANES {
                into[lane] = ((c[lane] - 2.0 * b[lane] + a[lane]) * self.scale) as f32;
                let magnitude = into[lane].abs();
                largest[lane] = if magnitude > largest[lane] {
                    magnitude
                } else {
                    largest[lane]
                };
            }
        }
        for (((into, a), b), c) in rest.iter_mut().zip(a.1).zip(b.1).zip(c.1) {
            *into = ((c - 2.0 * b + a) * self.scale) as f32;
            largest[0] = largest[0].max(into.abs());
        }
        largest.iter().fold(0.0, |a, &b| a.max(b))
    }
}

/// The largest magnitude among the second differences of a signal.
pub(super) struct Top<'a>(pub &'a [f64]);

impl Work for Top<'_> {
    type Output = f64;
    #[inline(always)]
    fn work(self) -> f64 {
        let mut largest = [0.0f64; LANES];
        let length = self.0.len().saturating_sub(2);
        let [a, b, c] = [0, 1, 2].map(|from| self.0[from..][..length].as_chunks::<LANES>());
        for ((a, b), c) in a.0.iter().zip(b.0).zip(c.0) {
            for lane in 0..LANES {
                let magnitude = (c[lane] - 2.0 * b[lane] + a[lane]).abs();
                largest[lane] = if magnitude > largest[lane] {
                    magnitude
                } else {
                    largest[lane]
                };
            }
        }
        for ((a, b), c) in a.1.iter().zip(b.1).zip(c.1) {
            largest[0] = largest[0].max((c - 2.0 * b + a).abs());
        }
        largest.iter().fold(0.0, |a, &b| a.max(b))
    }
}

/// Sum of the squares, or of the magnitudes, of errors: in double precision.
pub(super) struct Energy<'a>(pub &'a [f32]);
pub(super) struct Magnitude<'a>(pub &'a [f32]);

impl Work for Energy<'_> {
    type Output = f64;
    #[inline(always)]
    fn work(self) -> f64 {
        total(self.0, |v| v * v)
    }
}

impl Work for Magnitude<'_> {
    type Output = f64;
    #[inline(always)]
    fn work(self) -> f64 {
        total(self.0, f64::abs)
    }
}

#[inline(always)]
fn total(errors: &[f32], of: impl Fn(f64) -> f64) -> f64 {
    let mut sums = [0.0f64; WIDE];
    let (whole, rest) = errors.as_chunks::<WIDE>();
    for errors in whole {
        for lane in 0..WIDE {
            sums[lane] += of(f64::from(errors[lane]));
        }
    }
    let rest = rest.iter().map(|&v| of(f64::from(v)));
    sums.iter().sum::<f64>() + rest.sum::<f64>()
}

/// `sums[n] = sum of filter[k] * errors[n + k]`: the matched filter.
pub(super) struct Matched<'a> {
    pub filter: &'a [f64],
    pub errors: &'a [f32],
    pub sums: &'a mut [f64],
}

impl Work for Matched<'_> {
    type Output = ();
    #[inline(always)]
    fn work(self) {
        self.sums.fill(0.0);
        for (k, &weight) in self.filter.iter().enumerate() {
            for (sum, &error) in self.sums.iter_mut().zip(&self.errors[k..]) {
                *sum += weight * f64::from(error);
            }
        }
    }
}

/// The longest disturbance that is looked for, in samples.
pub(super) const WIDEST: usize = 12;

/// A disturbance that was added to neighbouring samples.
#[derive(Clone, Copy, Debug)]
pub(super) struct Excision {
    /// Index of its first sample among those searched.
    pub first: usize,
    pub width: usize,
    /// The energy of the prediction error that it explains.
    pub explained: f64,
    /// What was added, sample by sample.
    pub added: [f64; WIDEST],
}

/// Finds the few samples whose replacement takes the most energy out of the prediction error.
///
/// `correlation[n] = sum of filter[k] * errors[n + k]` is the matched filter's output at each
/// sample that may be at fault (S. V. Vaseghi, P. J. W. Rayner, "Detection and suppression of
/// impulsive noise in speech communication systems", IEE Proc. I 137(1), 1990, from memory); `overlap` holds
/// the filter's own autocorrelation. Replacing the samples of a set by the least squares
/// interpolation of A. Janssen, R. Veldhuis, L. Vries (IEEE Trans. ASSP 34(2), 1986, from memory) takes
/// `c' B^-1 c` out of the error, `c` being the correlations in the set, `B` the overlaps. The set
/// grows from the best sample while a further sample pays more than `price`.
pub(super) fn excise(correlation: &[f64], overlap: &[f64], price: f64) -> Option<Excision> {
    let best = (0..correlation.len())
        .max_by(|&a, &b| correlation[a].abs().total_cmp(&correlation[b].abs()))?;
    let factor = Factor::new(overlap);
    let mut grown = factor.gain(correlation, best, 1)?;
    let mut kept = grown;
    while grown.width < WIDEST {
        let left = (grown.first > 0)
            .then(|| factor.gain(correlation, grown.first - 1, grown.width + 1))
            .flatten();
        let right = (grown.first + grown.width < correlation.len())
            .then(|| factor.gain(correlation, grown.first, grown.width + 1))
            .flatten();
        grown = match (left, right) {
            (Some(l), Some(r)) if l.explained > r.explained => l,
            (_, Some(r)) => r,
            (Some(l), None) => l,
            (None, None) => break,
        };
        let paid = price * (grown.width - kept.width) as f64;
        if grown.explained > kept.explained + paid {
            kept = grown;
        }
    }
    Some(Excision {
        first: kept.first,
        width: kept.width,
        explained: kept.explained,
        added: factor.added(&kept),
    })
}

/// What replacing some samples explains.
#[derive(Clone, Copy)]
struct Gain {
    first: usize,
    width: usize,
    explained: f64,
    half: [f64; WIDEST],
}

/// The overlaps' Cholesky factor, B = L L'. That of fewer samples is its beginning.
struct Factor {
    lower: [[f64; WIDEST]; WIDEST],
    /// Rows that are numbers.
    rows: usize,
}

impl Factor {
    fn new(overlap: &[f64]) -> Self {
        let mut lower = [[0.0f64; WIDEST]; WIDEST];
        for row in 0..WIDEST {
            for column in 0..=row {
                let mut sum = overlap[row - column];
                for (a, b) in lower[row][..column].iter().zip(&lower[column][..column]) {
                    sum -= a * b;
                }
                if row == column {
                    if sum <= overlap[0] * 1e-12 {
                        return Self { lower, rows: row };
                    }
                    lower[row][row] = sum.sqrt();
                } else {
                    lower[row][column] = sum / lower[column][column];
                }
            }
        }
        Self {
            lower,
            rows: WIDEST,
        }
    }

    /// What replacing `width` samples from `first` on explains; `None` where that is no number.
    fn gain(&self, correlation: &[f64], first: usize, width: usize) -> Option<Gain> {
        if width > self.rows {
            return None;
        }
        let mut half = [0.0f64; WIDEST];
        let mut explained = 0.0;
        // L h = c; then c' B^-1 c = h' h.
        for (row, lower) in self.lower[..width].iter().enumerate() {
            let mut right = correlation[first + row];
            for (weight, value) in lower[..row].iter().zip(&half) {
                right -= weight * value;
            }
            half[row] = right / lower[row];
            explained += half[row] * half[row];
        }
        explained.is_finite().then_some(Gain {
            first,
            width,
            explained,
            half,
        })
    }

    /// What was added to each sample.
    fn added(&self, gain: &Gain) -> [f64; WIDEST] {
        let mut added = [0.0f64; WIDEST];
        for row in (0..gain.width).rev() {
            let mut sum = gain.half[row];
            for (below, value) in self.lower[..gain.width].iter().zip(&added).skip(row + 1) {
                sum -= below[row] * value;
            }
            added[row] = sum / self.lower[row][row];
        }
        added
    }
}
