//! The two edges of a gap and the music around it, as numbers.
//!
//! In: the samples before the gap and after it. Out: an [`Around`]. Knows nothing of when a gap
//! is a fault.

use crate::vector::{Work, fast};

/// Order of the linear prediction. Own choice: with 24 coefficients speech and music are
/// predicted well enough at 44.1 kHz.
const ORDER: usize = 24;

/// The prediction is made from so many frames at the edge. Own choice.
const MODELLED: usize = 2048;

/// Samples that a loop takes at once.
const LANES: usize = 8;

/// How a gap begins and ends, and how alike the music before and after is.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Around {
    /// How hard the edge is, 0 for a ramp: level of the last 0.36 ms, or of the 0.36 ms that
    /// the prediction says would have come, against the 5 ms at the edge.
    pub start_edge: f64,
    pub end_edge: f64,
    /// How far the prediction from outside misses what is in the gap at that edge, against the
    /// 5 ms: next to 0 where a wave goes through its quiet moment by itself.
    pub start_cut: f64,
    pub end_cut: f64,
    /// Level of the last 0.36 ms against the 5 ms.
    pub start_last: f64,
    pub end_last: f64,
    /// What the prediction leaves of the sound around, against the 5 ms: 1 for noise.
    pub noisiness: f64,
    /// Share of samples around that equal their neighbour: next to 0 in music, most of them in a
    /// wave that is made of steps.
    pub stepped: f64,
    /// RMS of the gap at its edges.
    pub inside: f64,
    /// Smallest magnitude other than 0 around the gap: the quantiser's step, or less.
    pub step: f64,
    /// RMS of the 5 ms before and after.
    pub level_before: f64,
    pub level_after: f64,
    /// RMS of these 5 ms against the whole context (about 46 ms): under 1 where the sound had
    /// decayed, over 1 after the gap where something begins with an attack.
    pub decayed: f64,
    pub attacked: f64,
    /// Log likelihood ratio of the spectra before and after, in nepers of residual energy; 0
    /// when they are the same.
    pub distance: f64,
}

/// Looks at the context of a gap: as many frames before and after as there are.
///
/// `short`: 0.36 ms, `edge`: 5 ms, in frames. `inside`: level of the gap itself.
///
/// Extrapolation by linear prediction from Burg's method: I. Kauppinen, K. Roth, "Audio signal
/// extrapolation - theory and applications", DAFx-02, 2002 (from memory). Distance: F. Itakura,
/// "Minimum prediction residual principle applied to speech recognition", IEEE Trans. ASSP
/// 23(1), 1975 (from memory), the mean of both directions.
pub(super) fn around(context: &Context, short: usize, edge: usize) -> Around {
    let before = &context.before[..];
    let reversed = &turned(context.after)[..];
    let start = Side::new(before, &context.first, short, edge);
    let end = Side::new(reversed, &turned(&context.last), short, edge);
    let (start_left, end_left) = (start.residual(before), end.residual(reversed));
    let forth = (start.residual(reversed) / end_left).ln();
    let back = (end.residual(before) / start_left).ln();
    Around {
        start_edge: start.hardness,
        end_edge: end.hardness,
        start_cut: start.cut,
        end_cut: end.cut,
        start_last: start.last,
        end_last: end.last,
        noisiness: (start_left.sqrt() / start.level.max(f64::MIN_POSITIVE))
            .min(end_left.sqrt() / end.level.max(f64::MIN_POSITIVE)),
        stepped: equal_neighbours(before).max(equal_neighbours(context.after)),
        inside: rms(&context.first).max(rms(&context.last)),
        step: least(before).min(least(reversed)),
        level_before: start.level,
        level_after: end.level,
        decayed: start.level / start.whole_level,
        attacked: end.level / end.whole_level,
        distance: ((forth + back) / 2.0).max(0.0),
    }
}

/// The samples around a gap, and its first and last ones.
pub(super) struct Context<'a> {
    pub before: Vec<f64>,
    pub first: Vec<f64>,
    pub last: Vec<f64>,
    pub after: &'a [f64],
}

fn turned(samples: &[f64]) -> Vec<f64> {
    samples.iter().rev().copied().collect()
}

/// One side of a gap, its samples in the order towards the gap.
struct Side {
    predictor: [f64; ORDER],
    hardness: f64,
    cut: f64,
    last: f64,
    level: f64,
    whole_level: f64,
}

impl Side {
    fn new(samples: &[f64], inside: &[f64], short: usize, edge: usize) -> Self {
        let predictor = burg(&samples[samples.len().saturating_sub(MODELLED)..]);
        let near = &samples[samples.len().saturating_sub(edge)..];
        let last = &near[near.len().saturating_sub(short)..];
        let level = rms(near);
        let expected = extrapolate(samples, &predictor, 2 * short);
        let missed: Vec<f64> = expected.iter().zip(inside).map(|(e, v)| e - v).collect();
        let ratio = |part: f64, whole: f64| match whole > 0.0 {
            true => part / whole,
            false => 0.0,
        };
        // The level of a few samples depends on where in its cycle a low tone is; its slope, or
        // what would have come next, tells then.
        let hardness = ratio(rms(last), level)
            .max(ratio(slope(last), slope(near)))
            .max(ratio(rms(&expected), level));
        Self {
            predictor,
            hardness,
            cut: ratio(rms(&missed), level),
            last: ratio(rms(last), level),
            level,
            whole_level: rms(samples).max(f64::MIN_POSITIVE),
        }
    }

    /// Mean square of what this side's predictor leaves of other samples.
    fn residual(&self, samples: &[f64]) -> f64 {
        let samples = &samples[samples.len().saturating_sub(MODELLED)..];
        let errors = fast(Left {
            samples,
            predictor: &self.predictor,
        });
        // A floor far under any 24-bit noise keeps the ratio finite.
        errors / samples.len().max(1) as f64 + 1e-16
    }
}

/// The energy that a predictor leaves of samples.
struct Left<'a> {
    samples: &'a [f64],
    predictor: &'a [f64; ORDER],
}

impl Work for Left<'_> {
    type Output = f64;

    #[inline(always)]
    fn work(self) -> f64 {
        let mut sums = [0.0f64; LANES];
        let present = self.samples.get(ORDER..).unwrap_or_default();
        let (whole, rest) = present.as_chunks::<LANES>();
        for (now, from) in whole.iter().zip((0..).step_by(LANES)) {
            let mut meant = [0.0f64; LANES];
            for (k, weight) in self.predictor.iter().enumerate() {
                let past = &self.samples[from + ORDER - 1 - k..][..LANES];
                for lane in 0..LANES {
                    meant[lane] += past[lane] * weight;
                }
            }
            for lane in 0..LANES {
                let error = now[lane] - meant[lane];
                sums[lane] += error * error;
            }
        }
        let from = present.len() - rest.len();
        let windows = self.samples[from..].windows(ORDER + 1);
        let others = windows.zip(rest).map(|(window, now)| {
            let error = now - predicted(&window[..ORDER], self.predictor);
            error * error
        });
        sums.iter().sum::<f64>() + others.sum::<f64>()
    }
}

/// The next sample after `past`, whose last [`ORDER`] count; newest coefficient first.
fn predicted(past: &[f64], predictor: &[f64; ORDER]) -> f64 {
    let newest_first = past.iter().rev();
    newest_first.zip(predictor).map(|(x, a)| x * a).sum()
}

fn extrapolate(samples: &[f64], predictor: &[f64; ORDER], count: usize) -> Vec<f64> {
    let mut line = samples[samples.len().saturating_sub(ORDER)..].to_vec();
    let from = line.len();
    for _ in 0..count {
        let next = predicted(&line, predictor);
        line.push(next);
    }
    line.split_off(from)
}

/// Burg's method: predictor coefficients, the newest sample's first.
fn burg(samples: &[f64]) -> [f64; ORDER] {
    let mut a = [0.0; ORDER];
    let length = samples.len();
    if length <= 2 * ORDER {
        return a;
    }
    let mut forward = samples.to_vec();
    let mut backward = samples.to_vec();
    for order in 0..ORDER {
        // The backward error stays where it is, and each order begins one later.
        let forward = &mut forward[order + 1..];
        let backward = &mut backward[..length - order - 1];
        let (cross, energy) = fast(Products(forward, backward));
        if energy <= f64::MIN_POSITIVE {
            break;
        }
        let reflection = 2.0 * cross / energy;
        let old = a;
        a[order] = reflection;
        for i in 0..order {
            a[i] = old[i] - reflection * old[order - 1 - i];
        }
        fast(Reflect(reflection, forward, backward));
    }
    a
}

/// Sum of the products of two signals, and the energy of both.
struct Products<'a>(&'a [f64], &'a [f64]);

impl Work for Products<'_> {
    type Output = (f64, f64);

    #[inline(always)]
    fn work(self) -> (f64, f64) {
        let (mut cross, mut energy) = ([0.0f64; LANES], [0.0f64; LANES]);
        let (forward, late) = self.0.as_chunks::<LANES>();
        let (backward, early) = self.1.as_chunks::<LANES>();
        for (f, b) in forward.iter().zip(backward) {
            for lane in 0..LANES {
                cross[lane] += f[lane] * b[lane];
                energy[lane] += f[lane] * f[lane] + b[lane] * b[lane];
            }
        }
        for ((f, b), lane) in late.iter().zip(early).zip(0..LANES) {
            cross[lane] += f * b;
            energy[lane] += f * f + b * b;
        }
        (cross.iter().sum(), energy.iter().sum())
    }
}

/// One step of the lattice.
struct Reflect<'a>(f64, &'a mut [f64], &'a mut [f64]);

impl Work for Reflect<'_> {
    type Output = ();

    #[inline(always)]
    fn work(self) {
        let Self(reflection, forward, backward) = self;
        for (forward, backward) in forward.iter_mut().zip(backward) {
            let (f, b) = (*forward, *backward);
            *forward = f - reflection * b;
            *backward = b - reflection * f;
        }
    }
}

fn rms(samples: &[f64]) -> f64 {
    let squares: f64 = samples.iter().map(|v| v * v).sum();
    (squares / samples.len().max(1) as f64).sqrt()
}

fn least(samples: &[f64]) -> f64 {
    let magnitudes = samples.iter().map(|v| v.abs()).filter(|&v| v > 0.0);
    magnitudes.fold(f64::MAX, |least, v| if v < least { v } else { least })
}

fn equal_neighbours(samples: &[f64]) -> f64 {
    let equal = samples.windows(2).filter(|pair| pair[0] == pair[1]).count();
    equal as f64 / samples.len().max(2) as f64
}

fn slope(samples: &[f64]) -> f64 {
    let squares: f64 = samples.windows(2).map(|w| (w[1] - w[0]).powi(2)).sum();
    (squares / samples.len().max(2) as f64).sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::TAU;

    fn tones(frames: std::ops::Range<usize>) -> Vec<f64> {
        let mut seed = 9u64;
        frames
            .map(|i| {
                seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1);
                let noise = (seed >> 40) as f64 / (1u64 << 24) as f64 - 0.5;
                let t = i as f64 / 44_100.0;
                0.3 * (TAU * 220.0 * t).sin() + 0.1 * (TAU * 3_111.0 * t).sin() + 1e-3 * noise
            })
            .collect()
    }

    fn between(before: &[f64], after: &[f64]) -> Around {
        let context = Context {
            before: before.to_vec(),
            first: vec![0.0; 32],
            last: vec![0.0; 32],
            after,
        };
        around(&context, 16, 220)
    }

    #[test]
    fn a_tone_is_predicted_from_its_past() {
        let samples = tones(0..2048);
        let ahead = extrapolate(&samples[..2000], &burg(&samples[..2000]), 16);
        for (guess, truth) in ahead.iter().zip(&samples[2000..]) {
            assert!((guess - truth).abs() < 0.02, "{guess} for {truth}");
        }
    }

    #[test]
    fn a_cut_is_hard_and_a_ramp_of_a_millisecond_is_not() {
        // One cut may lie near a zero of the low tone: the mean of many does not.
        let places: Vec<usize> = (4000..4400).step_by(20).collect();
        let (mut hard, mut soft) = (0.0, 0.0);
        for &at in &places {
            let cut = tones(at - 2048..at);
            let mut ramp = cut.clone();
            for (i, v) in ramp.iter_mut().rev().take(44).enumerate() {
                *v *= i as f64 / 44.0;
            }
            hard += between(&cut, &tones(5000..7048)).start_edge / places.len() as f64;
            soft += between(&ramp, &tones(5000..7048)).start_edge / places.len() as f64;
        }
        assert!(hard > 0.7 && soft < 0.45, "{hard} {soft}");
    }

    #[test]
    fn the_same_sound_is_near_and_another_is_far() {
        let other: Vec<f64> = tones(0..2048)
            .windows(3)
            .map(|w| w[1] - 0.9 * w[0])
            .collect();
        let same = between(&tones(0..2048), &tones(3000..5048));
        let changed = between(&tones(0..2048), &other);
        assert!(same.distance < 2.0, "{same:?}");
        assert!(changed.distance > same.distance + 0.5, "{changed:?}");
        assert!((same.decayed - 1.0).abs() < 0.2 && (same.attacked - 1.0).abs() < 0.2);
    }
}
