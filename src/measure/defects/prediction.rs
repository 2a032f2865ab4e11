//! Linear prediction: autocorrelation, the recursion for the predictor, its error, and the least
//! squares test for a disturbance that was added to a few samples.
//!
//! Plain functions of slices. Sources: N. Levinson 1946 and J. Durbin 1960 (from memory) for the recursion (as
//! every textbook gives it); J. Makhoul, "Linear prediction: a tutorial review", Proc. IEEE 63(4), from memory,
//! 1975, for the autocorrelation method.

use crate::vector::Work;

/// Samples that a loop takes at once: two AVX2 registers of single precision.
const WIDE: usize = 16;
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
    let mut grown = gain(correlation, overlap, best, 1)?;
    let mut kept = grown;
    while grown.width < WIDEST {
        let left = (grown.first > 0)
            .then(|| gain(correlation, overlap, grown.first - 1, grown.width + 1))
            .flatten();
        let right = (grown.first + grown.width < correlation.len())
            .then(|| gain(correlation, overlap, grown.first, grown.width + 1))
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
    Some(kept)
}

/// What replacing `width` samples from `first` on explains; `None` where that is no number.
fn gain(correlation: &[f64], overlap: &[f64], first: usize, width: usize) -> Option<Excision> {
    let mut lower = [[0.0f64; WIDEST]; WIDEST];
    let mut half = [0.0f64; WIDEST];
    let mut explained = 0.0;
    // Cholesky: B = L L', with L h = c on the way; then c' B^-1 c = h' h.
    for row in 0..width {
        let mut right = correlation[first + row];
        for column in 0..=row {
            let mut sum = overlap[row - column];
            for (a, b) in lower[row][..column].iter().zip(&lower[column][..column]) {
                sum -= a * b;
            }
            if row == column {
                if sum <= overlap[0] * 1e-12 {
                    return None;
                }
                lower[row][row] = sum.sqrt();
            } else {
                lower[row][column] = sum / lower[column][column];
            }
        }
        for k in 0..row {
            right -= lower[row][k] * half[k];
        }
        half[row] = right / lower[row][row];
        explained += half[row] * half[row];
    }
    let mut added = [0.0f64; WIDEST];
    for row in (0..width).rev() {
        let mut sum = half[row];
        for (below, value) in lower[..width].iter().zip(&added).skip(row + 1) {
            sum -= below[row] * value;
        }
        added[row] = sum / lower[row][row];
    }
    explained.is_finite().then_some(Excision {
        first,
        width,
        explained,
        added,
    })
}
