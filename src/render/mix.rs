//! The sum: one track into many loudspeakers, with fixed gains or along a ramp.
//!
//! Per sample and loudspeaker one multiplication and one addition (two on a ramp); loudspeakers
//! with no gain cost nothing. The order of additions is fixed, so the result depends neither on
//! the size of blocks nor on the processor.

use crate::vector::{Work, fast};

/// `to[i] += gain * from[i]`.
struct Scaled<'a> {
    from: &'a [f64],
    gain: f64,
    to: &'a mut [f64],
}

impl Work for Scaled<'_> {
    type Output = ();

    #[inline(always)]
    fn work(self) {
        for (to, from) in self.to.iter_mut().zip(self.from) {
            *to += self.gain * from;
        }
    }
}

/// `to[i] += start * from[i] + change * along[i]`.
struct Sloped<'a> {
    from: &'a [f64],
    along: &'a [f64],
    start: f64,
    change: f64,
    to: &'a mut [f64],
}

impl Work for Sloped<'_> {
    type Output = ();

    #[inline(always)]
    fn work(self) {
        for ((to, from), along) in self.to.iter_mut().zip(self.from).zip(self.along) {
            *to += self.start * from + self.change * along;
        }
    }
}

/// Adds `from` with one fixed gain.
pub(super) fn add(from: &[f64], gain: f64, to: &mut [f64]) {
    fast(Scaled { from, gain, to });
}

/// Adds `from` with a gain that goes from `start` to `end`; `along[i]` is `from[i]` times the
/// sample's place on the ramp.
pub(super) fn add_sloped(from: &[f64], along: &[f64], start: f64, end: f64, to: &mut [f64]) {
    fast(Sloped {
        from,
        along,
        start,
        change: end - start,
        to,
    });
}

/// `along[i] = from[i] * (offset + i) * per_sample`.
struct Along<'a> {
    from: &'a [f64],
    offset: f64,
    per_sample: f64,
    along: &'a mut [f64],
}

impl Work for Along<'_> {
    type Output = ();

    #[inline(always)]
    fn work(self) {
        for (index, (along, from)) in self.along.iter_mut().zip(self.from).enumerate() {
            *along = from * ((self.offset + index as u32 as f64) * self.per_sample);
        }
    }
}

/// Fills `along` for [`add_sloped`].
pub(super) fn along(from: &[f64], offset: f64, per_sample: f64, along: &mut [f64]) {
    fast(Along {
        from,
        offset,
        per_sample,
        along,
    });
}

/// True when every sample is zero.
struct Silent<'a>(&'a [f64]);

impl Work for Silent<'_> {
    type Output = bool;

    #[inline(always)]
    fn work(self) -> bool {
        self.0
            .chunks(64)
            .all(|row| row.iter().fold(0, |bits, x| bits | (x.to_bits() << 1)) == 0)
    }
}

/// True when every sample is zero (of either sign).
pub(super) fn silent(samples: &[f64]) -> bool {
    fast(Silent(samples))
}
