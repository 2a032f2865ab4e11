//! Level difference of a pair: of all, over time, and of what both channels have in common.
//!
//! A mix holds its middle at equal level in both channels, whatever else is at the sides: the
//! histogram of level differences of in-phase components has a sharp peak at 0 dB (the panning
//! index of Avendano, "Frequency-domain source identification and manipulation in stereo mixes",
//! 2003, reduced to a level ratio). A gain error of one channel moves that peak as a whole.

use realfft::num_complex::Complex;

/// The components looked at: where music has most lines and no codec joins channels. Own choice.
pub(super) const BAND: std::ops::Range<f64> = 100.0..4000.0;
/// Bins of 0.1 dB from -24 to 24.
const SPAN_DB: f64 = 24.0;
const PER_DB: f64 = 10.0;
const BINS: usize = 480;
/// In phase: the cosine of 0.1 rad. Own choice.
const IN_PHASE: f32 = 0.995;
/// What counts as the same level: own choice.
const NEAR_BINS: usize = 3;

pub(super) struct BalanceMeter {
    left: f64,
    right: f64,
    over_time: Vec<u32>,
    common: Vec<u32>,
    floor: f32,
}

/// What the whole file says; left less right.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Balance {
    pub loudness_db: Option<f64>,
    pub p10_db: Option<f64>,
    pub p90_db: Option<f64>,
    pub common: Option<Common>,
}

#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Common {
    pub db: f64,
    pub share: f64,
    pub share_at_zero: f64,
    /// Components that were counted.
    pub count: u64,
}

fn bin_of(db: f64) -> usize {
    (((db + SPAN_DB) * PER_DB).floor().max(0.0) as usize).min(BINS - 1)
}

impl BalanceMeter {
    /// `floor`: power of a line under which nothing is compared.
    pub(super) fn new(floor: f32) -> Self {
        Self {
            left: 0.0,
            right: 0.0,
            over_time: vec![0; BINS],
            common: vec![0; BINS],
            floor,
        }
    }

    /// Takes a block's K-weighted energies.
    pub(super) fn energies(&mut self, left: f64, right: f64, sounding: f64) {
        self.left += left;
        self.right += right;
        if left.max(right) > sounding && left.min(right) > 0.0 {
            self.over_time[bin_of(10.0 * (left / right).log10())] += 1;
        }
    }

    /// Takes the lines of [`BAND`].
    pub(super) fn lines(
        &mut self,
        left: &[Complex<f32>],
        right: &[Complex<f32>],
        powers: [&[f32]; 2],
    ) {
        let pairs = left.iter().zip(right).zip(powers[0].iter().zip(powers[1]));
        for ((l, r), (&left_power, &right_power)) in pairs {
            if left_power.min(right_power) < self.floor {
                continue;
            }
            let real = l.re * r.re + l.im * r.im;
            // In phase or exactly opposite: an inverted channel has its balance too.
            if real * real > IN_PHASE * IN_PHASE * left_power * right_power {
                let db = 10.0 * f64::from(left_power / right_power).log10();
                if db.abs() < SPAN_DB {
                    self.common[bin_of(db)] += 1;
                }
            }
        }
    }

    pub(super) fn finish(&self) -> Balance {
        let both = self.left > 0.0 && self.right > 0.0;
        let total: u64 = self.over_time.iter().map(|&count| u64::from(count)).sum();
        let at = |fraction: f64| {
            let rank = ((total as f64 * fraction).ceil() as u64).max(1);
            let mut seen = 0;
            let bin = self.over_time.iter().position(|&count| {
                seen += u64::from(count);
                seen >= rank
            })?;
            Some((bin as f64 + 0.5) / PER_DB - SPAN_DB)
        };
        Balance {
            loudness_db: both.then(|| 10.0 * (self.left / self.right).log10()),
            p10_db: at(0.1),
            p90_db: at(0.9),
            common: self.common(),
        }
    }

    fn common(&self) -> Option<Common> {
        let count: u64 = self.common.iter().map(|&count| u64::from(count)).sum();
        let around = |from: usize, to: usize| -> u64 {
            self.common[from..to].iter().map(|&c| u64::from(c)).sum()
        };
        let near = |bin: usize| around(bin.saturating_sub(NEAR_BINS), (bin + NEAR_BINS).min(BINS));
        let (best, most) = (0..=BINS).map(|bin| (bin, near(bin))).rev().max_by_key(
            // Of equals the one nearest the middle, so that left and right are alike.
            |&(bin, most)| (most, std::cmp::Reverse(bin.abs_diff(BINS / 2))),
        )?;
        if count == 0 {
            return None;
        }
        let peak = (best.saturating_sub(NEAR_BINS)..(best + NEAR_BINS).min(BINS))
            .map(|bin| (bin as f64 + 0.5) * f64::from(self.common[bin]))
            .sum::<f64>()
            / most as f64;
        Some(Common {
            db: peak / PER_DB - SPAN_DB,
            share: most as f64 / count as f64,
            share_at_zero: near(BINS / 2) as f64 / count as f64,
            count,
        })
    }
}
