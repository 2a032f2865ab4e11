//! 16-bit samples that were rounded or cut from more bits without dither, seen in quiet passages
//! that hold less noise than dither would have left there.
//!
//! In: stages of one channel. Out: passages, with their noise against that of triangular dither.
//! Only quiet stages on a grid of 16 bits are looked at; all others cost nothing.
//!
//! Method: triangular dither makes the whole error of a rounding to steps of q a noise of power
//! q^2/4 that does not depend on the signal (S. P. Lipshitz, R. A. Wannamaker and J. Vanderkooy,
//! "Quantization and Dither: A Theoretical Survey", J. Audio Eng. Soc. 40(5), 1992, from memory).
//! The geometric mean of a power spectrum is the power of what cannot be predicted (Kolmogorov;
//! from memory): neither music on top nor a shaping of the noise (M. Gerzon and P. G. Craven,
//! "Optimal Noise Shaping and Dither of Digital Signals", AES 87, 1989, from memory) can bring it
//! under q^2/4 where there was such dither. Rounding alone leaves q^2/12 and less.

use super::spectrum::{Transform, log2};
use crate::measure::{Spot, Spots};
use crate::vector::{Work, fast};

/// Samples in a window: short enough for the last moments of a fade.
const WINDOW: usize = 512;
/// A block of this many equal samples is a gate's silence, of which nothing is said.
const BLOCK: usize = 128;
/// The grid that is looked for.
pub(super) const BITS: u32 = 16;
/// Power of the error of a rounding to 16 bits with triangular dither: a quarter of a squared
/// step, -96.3 dBFS (-93.3 against a full-scale sine).
const DITHER_POWER: f64 = 1.0 / (1u64 << (2 * (BITS - 1) + 2)) as f64;
/// Own choice: -48 dBFS; louder music hides the last bit.
const QUIET: f64 = 1.6e-5;
/// Own choice: quiet stages of a passage that are all looked at, and then one in [`PACE`].
const DENSE: u64 = 64;
const PACE: u64 = 8;
/// Own choice, measured: windows with triangular dither come down to -2.5 dB, with high-passed
/// dither to -3.3; rounding alone is at -4.8 where the music is busy, and less where it is not.
const LIMIT_DB: f64 = -4.0;
/// The mean logarithm of a noise's periodogram lies this far under its mean: 10 log10(e) times
/// Euler's constant.
const MEAN_OF_LOG_DB: f64 = 2.507;
/// Lines at either end that are left out: direct current and half the rate.
const ENDS: usize = 2;

/// The transform that all channels share.
pub(super) struct NoiseFloor {
    transform: Transform,
    powers: Vec<f64>,
}

impl NoiseFloor {
    pub(super) fn new() -> Self {
        Self {
            transform: Transform::new(WINDOW),
            powers: Vec::new(),
        }
    }

    /// What cannot be predicted in a window, dB over the noise of triangular dither.
    fn over_dither_db(&mut self, window: &[f64]) -> f64 {
        self.transform.powers(window, &mut self.powers);
        let lines = self.powers.len().saturating_sub(ENDS);
        let middle = self.powers.get(ENDS..lines).unwrap_or(&[]);
        let mean = fast(Logarithms(middle)) / middle.len().max(1) as f64;
        let one_line = DITHER_POWER / (WINDOW / 2) as f64;
        10.0 * std::f64::consts::LOG10_2 * (mean - one_line.log2()) + MEAN_OF_LOG_DB
    }
}

struct Logarithms<'a>(&'a [f64]);

impl Work for Logarithms<'_> {
    type Output = f64;

    #[inline(always)]
    fn work(self) -> f64 {
        let mut sums = [0.0; 8];
        let (eights, rest) = self.0.as_chunks::<8>();
        for eight in eights {
            for lane in 0..8 {
                sums[lane] += log2(eight[lane] + NOTHING);
            }
        }
        let rest: f64 = rest.iter().map(|&power| log2(power + NOTHING)).sum();
        sums.iter().sum::<f64>() + rest
    }
}

/// Keeps the logarithm of a pure tone's empty lines within bounds.
const NOTHING: f64 = 1e-22;

/// One channel.
#[derive(Default)]
pub(super) struct UnditheredMeter {
    quiet_stages: u64,
    open: Option<Passage>,
    passages: Vec<Passage>,
}

#[derive(Clone, Copy, Debug)]
struct Passage {
    start: u64,
    end: u64,
    windows: u64,
    lowest_db: f64,
}

impl UnditheredMeter {
    /// Whether a stage of this mean square is looked at; called for every stage in order.
    pub(super) fn wants(&mut self, mean_square: f64) -> bool {
        if mean_square > QUIET || mean_square == 0.0 {
            self.quiet_stages = 0;
            return false;
        }
        self.quiet_stages += 1;
        self.quiet_stages <= DENSE || self.quiet_stages.is_multiple_of(PACE)
    }

    /// Looks at a stage that begins at frame `start`.
    pub(super) fn look(&mut self, start: u64, samples: &[f64], floor: &mut NoiseFloor) {
        for (index, window) in samples.chunks_exact(WINDOW).enumerate() {
            let moves = |block: &[f64]| block.iter().any(|value| *value != block[0]);
            if !window.chunks_exact(BLOCK).all(moves) {
                continue;
            }
            let level = floor.over_dither_db(window);
            if level < LIMIT_DB {
                self.found(start + (index * WINDOW) as u64, level, samples.len() as u64);
            }
        }
    }

    fn found(&mut self, start: u64, level: f64, stage: u64) {
        let end = start + WINDOW as u64;
        match &mut self.open {
            Some(passage) if start <= passage.end + 2 * PACE * stage => {
                passage.end = end;
                passage.windows += 1;
                passage.lowest_db = passage.lowest_db.min(level);
            }
            open => {
                let next = Passage {
                    start,
                    end,
                    windows: 1,
                    lowest_db: level,
                };
                if let Some(ended) = open.replace(next)
                    && self.passages.len() < Spots::KEPT
                {
                    self.passages.push(ended);
                }
            }
        }
    }

    /// The passages of the channel; none where the file turns out to hold more or fewer bits.
    pub(super) fn finish(&self, channel: usize, used_bits: Option<u32>) -> Vec<Spot> {
        if used_bits != Some(BITS) {
            return Vec::new();
        }
        self.passages
            .iter()
            .chain(&self.open)
            .map(|passage| Spot {
                start: passage.start,
                end: passage.end,
                channel: Some(channel),
                size: passage.lowest_db,
                confidence: confidence(passage.windows),
                inherited: false,
                summarised: false,
            })
            .collect()
    }
}

/// Own choice: one window may be a chance or an edit, four are none.
fn confidence(windows: u64) -> f64 {
    match windows {
        0 | 1 => 0.4,
        2 | 3 => 0.7,
        _ => 0.95,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const STAGE: usize = 4096;
    const STEPS: f64 = 32_768.0;

    fn chances(seed: u32) -> impl FnMut() -> f64 {
        let mut state = seed;
        move || {
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            f64::from(state >> 8) / 16_777_216.0
        }
    }

    /// A chord that fades from -50 dBFS to nothing, through a way to 16 bits.
    fn faded(mut to_steps: impl FnMut(f64) -> f64) -> Vec<f64> {
        let frames = 20 * STAGE;
        (0..frames)
            .map(|n| {
                let tone = |turn: f64| (n as f64 * turn).sin();
                let left = 1.0 - n as f64 / frames as f64;
                let chord = tone(0.031) + 0.5 * tone(0.047) + 0.2 * tone(0.213);
                to_steps(0.003 * left * left * chord * STEPS) / STEPS
            })
            .collect()
    }

    fn found(samples: &[f64], used_bits: u32) -> Vec<Spot> {
        let (mut meter, mut floor) = (UnditheredMeter::default(), NoiseFloor::new());
        for (index, stage) in samples.chunks(STAGE).enumerate() {
            let squares: f64 = stage.iter().map(|v| v * v).sum();
            if meter.wants(squares / stage.len() as f64) {
                meter.look((index * STAGE) as u64, stage, &mut floor);
            }
        }
        meter.finish(1, Some(used_bits))
    }

    #[test]
    fn a_fade_that_was_rounded_or_cut_is_told_and_one_with_dither_is_not() {
        for rounding in [f64::round, f64::floor, f64::trunc] {
            let spots = found(&faded(rounding), 16);
            assert!(
                spots.iter().any(|spot| spot.confidence >= Spot::SURE),
                "{spots:?}"
            );
            assert!(spots.iter().all(|spot| spot.channel == Some(1)));
        }
        for seed in 1..=4 {
            let mut chance = chances(seed);
            let plain = faded(|v| (v + chance() - chance()).round());
            assert_eq!(found(&plain, 16), []);
            // One draw a sample, less the last one: high-passed.
            let (mut chance, mut last) = (chances(seed), 0.0);
            let high_passed = faded(|v| {
                let drawn = chance();
                let out = (v + drawn - last).round();
                last = drawn;
                out
            });
            assert_eq!(found(&high_passed, 16), []);
        }
    }

    #[test]
    fn dither_whose_error_was_shaped_is_dither() {
        // Second-order error feedback: 30 dB less noise in the low octaves, more on top.
        let (mut chance, mut errors) = (chances(9), [0.0f64; 2]);
        let shaped = faded(|v| {
            let wanted = v - 2.0 * errors[0] + errors[1];
            let out = (wanted + chance() - chance()).round();
            errors = [out - wanted, errors[0]];
            out
        });
        assert_eq!(found(&shaped, 16), []);
    }

    #[test]
    fn a_gate_on_dithered_samples_is_no_lack_of_dither() {
        let (mut chance, mut n) = (chances(3), 0);
        let gated = faded(|v| {
            n += 1;
            let open = n / 300 % 2 == 0;
            if open {
                (v + chance() - chance()).round()
            } else {
                0.0
            }
        });
        assert_eq!(found(&gated, 16), []);
    }

    #[test]
    fn nothing_is_said_of_other_depths_and_of_loud_music() {
        assert_eq!(found(&faded(f64::round), 24), []);
        let loud: Vec<f64> = (0..8 * STAGE)
            .map(|n| (STEPS * 0.3 * (n as f64 * 0.05).sin()).round() / STEPS)
            .collect();
        assert_eq!(found(&loud, 16), []);
    }
}
