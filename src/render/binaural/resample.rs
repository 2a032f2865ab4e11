//! Impulse responses at another sample rate, and delayed by parts of a sample.
//!
//! In: responses at one rate, each with its delay. Out: the same filters at another rate: equal
//! frequency responses up to the lower of the two bands. A windowed sinc rings before the
//! response begins, so all results start `lead` samples before time 0; nothing is moved.
//! Knows nothing of heads.

use std::f64::consts::PI;

/// Attenuation beyond the lower of the two Nyquist frequencies, dB. The promise is 100 dB;
/// own choice: a margin of 20.
const STOPBAND_DB: f64 = 120.0;
/// Half the window's length, in samples of the lower rate. Own choice: with this window the
/// passband reaches 0.94 of the lower Nyquist frequency, 20.7 kHz from 44.1 kHz.
const HALF_LENGTH: f64 = 128.0;

/// A response that starts `delay` samples later than its taps are written; `delay` >= 0.
#[derive(Clone, Copy)]
pub(super) struct Response<'a> {
    pub taps: &'a [f64],
    pub delay: f64,
}

/// Responses of one length on a common clock.
pub(super) struct Resampled {
    pub responses: Vec<Vec<f64>>,
    /// The tap that stands at time 0.
    pub lead: usize,
}

/// The same filters at the rate `to`.
pub(super) fn resample(responses: &[Response], from: f64, to: f64) -> Resampled {
    if from == to && responses.iter().all(|one| one.delay.fract() == 0.0) {
        return moved(responses);
    }
    let kernel = Kernel::new(from, to);
    let last = responses
        .iter()
        .map(|one| one.taps.len() as f64 + one.delay)
        .fold(0.0, f64::max);
    let lead = (kernel.half * to / from).ceil() as usize;
    let length = lead + ((last + kernel.half) * to / from).ceil() as usize + 1;
    let mut out = vec![Vec::with_capacity(length); responses.len()];
    let mut row = Row::default();
    for index in 0..length {
        // Where this tap lies among the old ones.
        let at = (index as f64 - lead as f64) * from / to;
        for (one, out) in responses.iter().zip(&mut out) {
            let at = at - one.delay;
            let fraction = at - at.floor();
            if row.fraction != Some(fraction) {
                row = kernel.row(fraction);
            }
            out.push(row.weigh(one.taps, at.floor() as i64) * from / to);
        }
    }
    Resampled {
        responses: out,
        lead,
    }
}

/// At the same rate, with whole delays: the very same numbers.
fn moved(responses: &[Response]) -> Resampled {
    let end = |one: &Response| one.delay as usize + one.taps.len();
    let length = responses.iter().map(end).max().unwrap_or(0);
    let moved = responses.iter().map(|one| {
        let mut out = vec![0.0; length];
        out[one.delay as usize..end(one)].copy_from_slice(one.taps);
        out
    });
    Resampled {
        responses: moved.collect(),
        lead: 0,
    }
}

/// A sinc in a Kaiser window; J. F. Kaiser's formulas for its shape and length (1974), from
/// memory.
struct Kernel {
    /// Cut-off, where 1 is the old Nyquist frequency; the stopband starts at the lower one.
    cutoff: f64,
    /// Half the length, old samples.
    half: f64,
    beta: f64,
}

/// The kernel's values around one fraction of a sample.
#[derive(Default)]
struct Row {
    fraction: Option<f64>,
    /// The first value belongs to the old sample `first` after the one before the place.
    first: i64,
    weights: Vec<f64>,
}

impl Kernel {
    fn new(from: f64, to: f64) -> Self {
        let band = (to / from).min(1.0);
        let half = HALF_LENGTH / band;
        let transition = (STOPBAND_DB - 7.95) / (14.36 * half);
        Self {
            cutoff: band - transition / 2.0,
            half,
            beta: 0.1102 * (STOPBAND_DB - 8.7),
        }
    }

    fn row(&self, fraction: f64) -> Row {
        let reach = self.half.ceil() as i64;
        let weights = (-reach..=reach + 1).map(|offset| self.value(fraction - offset as f64));
        Row {
            fraction: Some(fraction),
            first: -reach,
            weights: weights.collect(),
        }
    }

    /// At `x` old samples from the middle.
    fn value(&self, x: f64) -> f64 {
        let place = x / self.half;
        if place.abs() > 1.0 {
            return 0.0;
        }
        let sinc = if x == 0.0 {
            self.cutoff
        } else {
            (PI * self.cutoff * x).sin() / (PI * x)
        };
        sinc * bessel_i0(self.beta * (1.0 - place * place).sqrt()) / bessel_i0(self.beta)
    }
}

impl Row {
    /// The weighted sum of the taps around the place just after the tap `before`.
    fn weigh(&self, taps: &[f64], before: i64) -> f64 {
        let start = before + self.first;
        let skipped = (-start).max(0) as usize;
        let from = start.max(0) as usize;
        let weights = self.weights.get(skipped..).unwrap_or(&[]);
        let taps = taps.get(from..).unwrap_or(&[]);
        weights.iter().zip(taps).map(|(w, tap)| w * tap).sum()
    }
}

/// The modified Bessel function of the first kind, order 0, by its power series.
fn bessel_i0(x: f64) -> f64 {
    let quarter = x * x / 4.0;
    let (mut sum, mut term, mut k) = (1.0, 1.0, 1.0);
    while term > sum * f64::EPSILON / 4.0 {
        term *= quarter / (k * k);
        sum += term;
        k += 1.0;
    }
    sum
}
