//! Means of a channel in smooth windows, ten a second.
//!
//! In: samples, and where a tenth of a second ends. Out: a [`Window`] for each tenth but the first
//! and the last. A plain mean of a tenth still holds much of a bass note, so that the means of
//! loud music hide a small offset. The weights are the quadratic B-spline over three tenths, whose
//! response falls with the third power of the frequency (M. Unser, "Splines: a perfect fit for
//! signal and image processing", IEEE Signal Processing Magazine 16(6), 1999, from memory).

use crate::vector::{Work, fast};

/// Mean and level around one tenth of a second.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Window {
    pub mean: f64,
    /// RMS without the means.
    pub level: f64,
    /// None of its tenths is silent.
    pub sounding: bool,
}

/// Sums over the present tenth, by frame in it modulo 8: of the samples, of the samples times the
/// middle of their frame, of the samples times its square, and of the squares.
#[derive(Default)]
struct Sums {
    plain: [f64; 8],
    first: [f64; 8],
    second: [f64; 8],
    squares: [f64; 8],
}

/// A tenth that is over.
#[derive(Clone, Copy)]
struct Tenth {
    mean: f64,
    /// Mean of the samples times their place in the tenth, 0 to 1, and times its square.
    first: f64,
    second: f64,
    /// Mean square without the mean.
    square: f64,
    silent: bool,
}

#[derive(Default)]
pub(super) struct Windows {
    sums: Sums,
    /// The last two tenths.
    before: [Option<Tenth>; 2],
    /// Sum of the means of all tenths that are not silent, and how many there are.
    sum: f64,
    sounding: u64,
}

impl Windows {
    /// Takes samples of one tenth; `at`: the first one's frame in it.
    pub(super) fn add(&mut self, samples: &[f64], at: usize) {
        fast(Add {
            samples,
            at,
            sums: &mut self.sums,
        });
    }

    /// Ends a tenth of `length` frames; the window around the one before.
    pub(super) fn close(&mut self, length: f64) -> Option<Window> {
        let sums = std::mem::take(&mut self.sums);
        let mean = |lanes: [f64; 8]| lanes.iter().sum::<f64>() / length;
        let (plain, square) = (mean(sums.plain), mean(sums.squares));
        let now = Tenth {
            mean: plain,
            first: mean(sums.first) / length,
            second: mean(sums.second) / (length * length),
            square: (square - plain * plain).max(0.0),
            silent: square == 0.0,
        };
        if !now.silent {
            self.sum += plain;
            self.sounding += 1;
        }
        let [first, second] = self.before;
        self.before = [second, Some(now)];
        Some(window(&first?, &second?, &now))
    }

    /// Mean of all tenths that hold anything but exact zeros.
    pub(super) fn offset(&self) -> f64 {
        self.sum / self.sounding.max(1) as f64
    }
}

/// The three pieces of the spline are u²/2, 1/2 + u - u² and (1 - u)²/2; together they weigh every
/// sample with 1.
fn window(before: &Tenth, middle: &Tenth, after: &Tenth) -> Window {
    let rising = before.second / 2.0;
    let top = middle.mean / 2.0 + middle.first - middle.second;
    let falling = (after.mean - 2.0 * after.first + after.second) / 2.0;
    let square = (before.square + 4.0 * middle.square + after.square) / 6.0;
    Window {
        mean: rising + top + falling,
        level: square.sqrt(),
        sounding: !(before.silent || middle.silent || after.silent),
    }
}

struct Add<'a> {
    samples: &'a [f64],
    at: usize,
    sums: &'a mut Sums,
}

impl Work for Add<'_> {
    type Output = ();

    #[inline(always)]
    fn work(self) {
        let Self { samples, at, sums } = self;
        let head = ((8 - at % 8) % 8).min(samples.len());
        let (head, body) = samples.split_at(head);
        for (index, sample) in head.iter().enumerate() {
            one(sums, at + index, *sample);
        }
        let at = at + head.len();
        let mut places = [0.0; 8];
        for (lane, place) in places.iter_mut().enumerate() {
            *place = (at + lane) as f64 + 0.5;
        }
        let (mut plain, mut first) = (sums.plain, sums.first);
        let (mut second, mut squares) = (sums.second, sums.squares);
        let mut rows = body.chunks_exact(8);
        for row in &mut rows {
            for lane in 0..8 {
                let sample = row[lane];
                let moment = places[lane] * sample;
                plain[lane] += sample;
                first[lane] += moment;
                second[lane] += places[lane] * moment;
                squares[lane] += sample * sample;
                places[lane] += 8.0;
            }
        }
        (sums.plain, sums.first) = (plain, first);
        (sums.second, sums.squares) = (second, squares);
        let rest = rows.remainder();
        let at = at + body.len() - rest.len();
        for (index, sample) in rest.iter().enumerate() {
            one(sums, at + index, *sample);
        }
    }
}

#[inline(always)]
fn one(sums: &mut Sums, at: usize, sample: f64) {
    let (lane, place) = (at % 8, at as f64 + 0.5);
    let moment = place * sample;
    sums.plain[lane] += sample;
    sums.first[lane] += moment;
    sums.second[lane] += place * moment;
    sums.squares[lane] += sample * sample;
}
