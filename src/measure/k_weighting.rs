//! K-weighting, and with it the plain sums that cost nothing more in the same loop.
//!
//! In: one stretch of samples of up to [`LANES`] channels. Out: per channel the sum of the
//! K-weighted squares, the sum of squares, the sum, and the largest magnitude. The filter is
//! recursive, so the channels are the lanes; a stretch may be cut anywhere with the same result
//! bit for bit, because every sum is taken sample by sample.

use super::dispatch::{Work, fast};

/// Channels that one kernel call runs side by side.
pub(super) const LANES: usize = 4;

type Lanes = [f64; LANES];

/// One biquad, normalised to a0 = 1.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Biquad {
    pub b: [f64; 3],
    pub a: [f64; 2],
}

/// Pre-filter (spherical head) at 48 kHz. Source: ITU-R BS.1770-5, Annex 1, Table 1.
const HEAD_48K: Biquad = Biquad {
    b: [
        1.535_124_859_586_97,
        -2.691_696_189_406_38,
        1.198_392_810_852_85,
    ],
    a: [-1.690_659_293_182_41, 0.732_480_774_215_85],
};

/// RLB weighting at 48 kHz. Source: ITU-R BS.1770-5, Annex 1, Table 2.
const RLB_48K: Biquad = Biquad {
    b: [1.0, -2.0, 1.0],
    a: [-1.990_047_454_833_98, 0.990_072_250_366_21],
};

/// The two stages at any sample rate, in hertz.
///
/// BS.1770 gives coefficients for 48 kHz and asks for "the same frequency response" elsewhere.
/// The tables are turned back into the analogue prototype they came from and forward again at
/// the other rate (bilinear transform, exact at 1.5 kHz for the head, 1 kHz at low
/// rates, and at 38 Hz for the RLB stage: where each does its work). Numerators are carried along, so the gain is that of
/// the tables; keeping 1, -2, 1 at every rate would drift by 0.03 dB.
pub(super) fn stages(sample_rate: f64) -> [Biquad; 2] {
    if sample_rate == 48_000.0 {
        return [HEAD_48K, RLB_48K];
    }
    let bent = |frequency: f64, rate: f64| (std::f64::consts::PI * frequency / rate).tan();
    let scale = |frequency: f64| bent(frequency, 48_000.0) / bent(frequency, sample_rate);
    let head = if sample_rate < 40_000.0 {
        1000.0
    } else {
        1500.0
    };
    [moved(HEAD_48K, scale(head)), moved(RLB_48K, scale(38.0))]
}

fn moved(from: Biquad, scale: f64) -> Biquad {
    // Substituting z^-1 = (1 - s)/(1 + s) in p0 + p1 z^-1 + p2 z^-2 gives, up to (1 + s)^2,
    // (p0 + p1 + p2) + 2 (p0 - p2) s + (p0 - p1 + p2) s^2; the way back has the same form.
    let turn = |p: [f64; 3]| [p[0] + p[1] + p[2], 2.0 * (p[0] - p[2]), p[0] - p[1] + p[2]];
    let stretch = |p: [f64; 3]| [p[0], p[1] * scale, p[2] * scale * scale];
    let b = turn(stretch(turn(from.b)));
    let a = turn(stretch(turn([1.0, from.a[0], from.a[1]])));
    Biquad {
        b: b.map(|v| v / a[0]),
        a: [a[1] / a[0], a[2] / a[0]],
    }
}

/// What one stretch adds up to, per lane.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Sums {
    pub weighted_squares: Lanes,
    pub squares: Lanes,
    pub sum: Lanes,
    pub largest: Lanes,
}

impl Sums {
    /// Adds `lanes` (1 to 4 equally long channels) without weighting them.
    pub(super) fn levels(&mut self, lanes: &[&[f64]]) {
        for (lane, samples) in lanes.iter().enumerate() {
            let levels = fast(Levels(samples));
            self.sum[lane] += levels.sum;
            self.squares[lane] += levels.squares;
            self.largest[lane] = self.largest[lane].max(levels.largest);
        }
    }
}

/// Plain sums of one channel.
struct Levels<'a>(&'a [f64]);

struct LevelSums {
    sum: f64,
    squares: f64,
    largest: f64,
}

impl Work for Levels<'_> {
    type Output = LevelSums;

    #[inline(always)]
    fn work(self) -> LevelSums {
        const WIDE: usize = 8;
        let (mut sum, mut squares, mut largest) = ([0.0; WIDE], [0.0; WIDE], [0.0f64; WIDE]);
        let mut rows = self.0.chunks_exact(WIDE);
        let mut add = |row: &[f64]| {
            for (i, &v) in row.iter().enumerate() {
                sum[i] += v;
                squares[i] += v * v;
                let magnitude = v.abs();
                largest[i] = if magnitude > largest[i] {
                    magnitude
                } else {
                    largest[i]
                };
            }
        };
        for row in &mut rows {
            add(row);
        }
        add(rows.remainder());
        LevelSums {
            sum: sum.iter().sum(),
            squares: squares.iter().sum(),
            largest: largest.iter().fold(0.0, |top, &v| top.max(v)),
        }
    }
}

/// The filter's memory for one group of channels.
#[derive(Clone, Debug)]
pub(super) struct KFilter {
    head: Biquad,
    rlb: Biquad,
    memory: [Lanes; 4],
}

impl KFilter {
    pub(super) fn new(sample_rate: f64) -> Self {
        let [head, rlb] = stages(sample_rate);
        Self {
            head,
            rlb,
            memory: [[0.0; LANES]; 4],
        }
    }

    /// Runs `lanes` (1 to 4 equally long channels) on and adds them to `sums`.
    pub(super) fn run(&mut self, lanes: &[&[f64]], sums: &mut Sums) {
        fast(Stretch {
            filter: self,
            lanes,
            sums,
        });
    }

    /// Clears what has decayed below anything audible, so that a long silence does not run on
    /// denormal numbers. Called at fixed places of the programme only.
    pub(super) fn settle(&mut self) {
        for lane in self.memory.iter_mut().flatten() {
            if lane.abs() < 1e-40 {
                *lane = 0.0;
            }
        }
    }

    // Transposed direct form II; plain multiplications and additions, no fused ones, so that
    // every host gives the same bits.
    #[inline(always)]
    fn kernel<const N: usize>(&mut self, x: [&[f64]; N], sums: &mut Sums) {
        let frames = x[0].len();
        let x = x.map(|lane| &lane[..frames]);
        let Biquad {
            b: [b0, b1, b2],
            a: [a1, a2],
        } = self.head;
        let Biquad {
            b: [c0, c1, c2],
            a: [d1, d2],
        } = self.rlb;
        let [mut s1, mut s2, mut t1, mut t2] = self.memory.map(first::<N>);
        let mut weighted = first::<N>(sums.weighted_squares);
        let mut squares = first::<N>(sums.squares);
        let mut sum = first::<N>(sums.sum);
        let mut largest = first::<N>(sums.largest);
        #[expect(clippy::needless_range_loop, reason = "one index into all lanes")]
        for i in 0..frames {
            for l in 0..N {
                let v = x[l][i];
                sum[l] += v;
                squares[l] += v * v;
                let magnitude = v.abs();
                largest[l] = if magnitude > largest[l] {
                    magnitude
                } else {
                    largest[l]
                };
                let y = b0 * v + s1[l];
                s1[l] = (b1 * v + s2[l]) - a1 * y;
                s2[l] = b2 * v - a2 * y;
                let w = c0 * y + t1[l];
                t1[l] = (c1 * y + t2[l]) - d1 * w;
                t2[l] = c2 * y - d2 * w;
                weighted[l] += w * w;
            }
        }
        self.memory = [s1, s2, t1, t2].map(full);
        sums.weighted_squares = full(weighted);
        sums.squares = full(squares);
        sums.sum = full(sum);
        sums.largest = full(largest);
    }
}

struct Stretch<'a> {
    filter: &'a mut KFilter,
    lanes: &'a [&'a [f64]],
    sums: &'a mut Sums,
}

impl Work for Stretch<'_> {
    type Output = ();

    #[inline(always)]
    fn work(self) {
        let Self {
            filter,
            lanes,
            sums,
        } = self;
        match *lanes {
            [a] => filter.kernel::<1>([a], sums),
            [a, b] => filter.kernel::<2>([a, b], sums),
            [a, b, c] => filter.kernel::<3>([a, b, c], sums),
            [a, b, c, d] => filter.kernel::<4>([a, b, c, d], sums),
            _ => unreachable!("a group has 1 to {LANES} channels"),
        }
    }
}

#[inline(always)]
fn first<const N: usize>(lanes: Lanes) -> [f64; N] {
    std::array::from_fn(|l| lanes[l])
}

#[inline(always)]
fn full<const N: usize>(lanes: [f64; N]) -> Lanes {
    std::array::from_fn(|l| if l < N { lanes[l] } else { 0.0 })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn gain_db(stages: [Biquad; 2], frequency: f64, sample_rate: f64) -> f64 {
        let w = 2.0 * std::f64::consts::PI * frequency / sample_rate;
        let power = |p: [f64; 3]| {
            let re = p[0] + p[1] * w.cos() + p[2] * (2.0 * w).cos();
            let im = p[1] * w.sin() + p[2] * (2.0 * w).sin();
            re * re + im * im
        };
        let one = |s: Biquad| power(s.b) / power([1.0, s.a[0], s.a[1]]);
        10.0 * (one(stages[0]) * one(stages[1])).log10()
    }

    // ITU-R BS.1770-5, Annex 1: other rates "provide the same frequency response". The bound
    // is own choice: a tenth of the 0.1 LU that Report BS.2217 allows a meter.
    #[test]
    fn the_response_is_that_of_48_khz_at_every_rate() {
        let reference = stages(48_000.0);
        for rate in [
            44_100.0, 88_200.0, 96_000.0, 176_400.0, 192_000.0, 384_000.0,
        ] {
            for step in 0..=60 {
                let frequency = 20.0 * (10_000.0f64 / 20.0).powf(f64::from(step) / 60.0);
                let difference = gain_db(stages(rate), frequency, rate)
                    - gain_db(reference, frequency, 48_000.0);
                assert!(
                    difference.abs() < 0.01,
                    "{frequency} Hz at {rate}: {difference} dB"
                );
            }
        }
    }

    #[test]
    fn low_rates_agree_in_the_lower_half_of_their_band() {
        for rate in [8_000.0, 11_025.0, 16_000.0, 22_050.0, 32_000.0] {
            for frequency in [25.0, 100.0, 500.0, 1000.0, 2000.0] {
                // Above an eighth of the rate the bilinear transform bends the shelf.
                let bound = if frequency >= rate / 8.0 { 0.45 } else { 0.06 };
                let difference = gain_db(stages(rate), frequency, rate)
                    - gain_db(stages(48_000.0), frequency, 48_000.0);
                assert!(
                    difference.abs() < bound,
                    "{frequency} Hz at {rate}: {difference} dB"
                );
            }
        }
    }

    #[test]
    fn a_stretch_may_be_cut_anywhere_and_lanes_do_not_matter() {
        let noise: Vec<f64> = (0..1000u32)
            .map(|i| f64::from(i.wrapping_mul(2_654_435_761)) / 4e9 - 0.5)
            .collect();
        let mut whole = Sums::default();
        KFilter::new(44_100.0).run(&[&noise, &noise, &noise, &noise], &mut whole);
        for cut in [1, 7, 480, 999] {
            let mut parts = Sums::default();
            let mut filter = KFilter::new(44_100.0);
            filter.run(&[&noise[..cut]], &mut parts);
            filter.run(&[&noise[cut..]], &mut parts);
            assert_eq!(parts.weighted_squares[0], whole.weighted_squares[3]);
            assert_eq!(parts.sum[0], whole.sum[2]);
            assert_eq!(parts.largest[0], whole.largest[1]);
        }
    }
}
