//! Music made of arithmetic, and what a mastering does to it: everything with values that are
//! known because they were put in.

use std::f64::consts::TAU;

pub(crate) const RATE: u32 = 48_000;

/// xorshift64*, so that every run hears the same.
pub(crate) struct Dice(u64);

impl Dice {
    pub(crate) fn new(seed: u64) -> Self {
        Self(seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) | 1)
    }

    pub(crate) fn number(&mut self) -> u64 {
        self.0 ^= self.0 >> 12;
        self.0 ^= self.0 << 25;
        self.0 ^= self.0 >> 27;
        self.0.wrapping_mul(0x2545_F491_4F6C_DD1D)
    }

    /// From 0 to 1.
    pub(crate) fn share(&mut self) -> f64 {
        (self.number() >> 11) as f64 / (1_u64 << 53) as f64
    }

    pub(crate) fn below(&mut self, bound: usize) -> usize {
        (self.share() * bound as f64) as usize
    }
}

pub(crate) fn frames(seconds: f64) -> usize {
    (seconds * f64::from(RATE)).round() as usize
}

pub(crate) fn noise(seed: u64, seconds: f64, level: f64) -> Vec<f64> {
    let mut dice = Dice::new(seed);
    (0..frames(seconds))
        .map(|_| level * (2.0 * dice.share() - 1.0))
        .collect()
}

/// Struck notes with eight partials that die away, some five a second, of one scale.
pub(crate) fn notes(seed: u64, seconds: f64) -> Vec<f64> {
    let mut dice = Dice::new(seed);
    let mut out = vec![0.0; frames(seconds)];
    let mut start = 0;
    while start < out.len() {
        let pitch = 55.0 * 2_f64.powf(dice.below(36) as f64 / 12.0);
        let loud = 0.05 + 0.15 * dice.share();
        let length = frames(1.5).min(out.len() - start);
        for partial in 1..=8 {
            let (hertz, phase) = (pitch * f64::from(partial), TAU * dice.share());
            let decay = 2.0 + f64::from(partial);
            // From sample to sample it turns by an angle and shrinks by a factor.
            let (sin, cos) = (TAU * hertz / f64::from(RATE)).sin_cos();
            let shrinks = (-decay / f64::from(RATE)).exp();
            let (turn_im, turn_re) = (shrinks * sin, shrinks * cos);
            let (mut im, mut re) = phase.sin_cos();
            for (n, sample) in out[start..start + length].iter_mut().enumerate() {
                let attack = (n as f64 / (0.002 * f64::from(RATE))).min(1.0);
                *sample += loud / f64::from(partial) * attack * im;
                (re, im) = (re * turn_re - im * turn_im, re * turn_im + im * turn_re);
            }
        }
        start += frames(0.1 + 0.2 * dice.share());
    }
    out
}

pub(crate) fn gain_db(samples: &[f64], db: f64) -> Vec<f64> {
    samples.iter().map(|s| s * 10_f64.powf(db / 20.0)).collect()
}

/// A gain that is a function of seconds, in dB.
pub(crate) fn ride(samples: &[f64], db: impl Fn(f64) -> f64) -> Vec<f64> {
    let samples = samples.iter().enumerate();
    samples
        .map(|(n, s)| s * 10_f64.powf(db(n as f64 / f64::from(RATE)) / 20.0))
        .collect()
}

pub(crate) fn saturate(samples: &[f64], drive: f64) -> Vec<f64> {
    samples.iter().map(|s| (drive * s).tanh() / drive).collect()
}

/// Later for a positive number of frames, cut or silent at the ends; the length stays.
pub(crate) fn late(samples: &[f64], by: i64) -> Vec<f64> {
    let at = |n: usize| -> f64 {
        let from = usize::try_from(n as i64 - by).ok();
        from.and_then(|n| samples.get(n)).copied().unwrap_or(0.0)
    };
    (0..samples.len()).map(at).collect()
}

pub(crate) fn sum(one: &[f64], other: &[f64]) -> Vec<f64> {
    one.iter().zip(other).map(|(a, b)| a + b).collect()
}

/// A high shelf with slope 1, after the cookbook formulas for audio equaliser biquads.
pub(crate) fn high_shelf(samples: &[f64], hertz: f64, db: f64) -> Vec<f64> {
    let a = 10_f64.powf(db / 40.0);
    let (sin, cos) = (TAU * hertz / f64::from(RATE)).sin_cos();
    let root = a.sqrt() * sin * 2_f64.sqrt();
    let b = [
        a * ((a + 1.0) + (a - 1.0) * cos + root),
        -2.0 * a * ((a - 1.0) + (a + 1.0) * cos),
        a * ((a + 1.0) + (a - 1.0) * cos - root),
    ];
    let a = [
        (a + 1.0) - (a - 1.0) * cos + root,
        2.0 * ((a - 1.0) - (a + 1.0) * cos),
        (a + 1.0) - (a - 1.0) * cos - root,
    ];
    biquad(samples, b, a)
}

pub(crate) fn low_pass(samples: &[f64], hertz: f64) -> Vec<f64> {
    let (sin, cos) = (TAU * hertz / f64::from(RATE)).sin_cos();
    let alpha = sin / 2_f64.sqrt();
    let b = [(1.0 - cos) / 2.0, 1.0 - cos, (1.0 - cos) / 2.0];
    biquad(samples, b, [1.0 + alpha, -2.0 * cos, 1.0 - alpha])
}

pub(crate) fn biquad(samples: &[f64], b: [f64; 3], a: [f64; 3]) -> Vec<f64> {
    let (mut one, mut two) = (0.0, 0.0);
    samples
        .iter()
        .map(|&x| {
            let y = b[0] / a[0] * x + one;
            one = b[1] / a[0] * x - a[1] / a[0] * y + two;
            two = b[2] / a[0] * x - a[2] / a[0] * y;
            y
        })
        .collect()
}

/// Equalised, lifted and driven: what a master is to its mix.
pub(crate) fn mastered(samples: &[f64]) -> Vec<f64> {
    saturate(&gain_db(&high_shelf(samples, 4_000.0, 2.0), 1.5), 1.5)
}
