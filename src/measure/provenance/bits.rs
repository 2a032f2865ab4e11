//! Bits really used, and bits that only look used: the low bits' entropy and the lattice of
//! samples that were padded and then changed in gain.
//!
//! In: stages of one channel's samples. Out: [`BitsUsed`]. Bounded: a histogram of 256 values and
//! a reservoir of quiet samples.

use realfft::RealFftPlanner;

use super::types::{BitsUsed, HiddenPadding, PaddingKind};

/// 1.5 * 2^52: added to a value it leaves the value's nearest integer in the low bits.
const MAGIC: f64 = 6_755_399_441_055_744.0;
const MAGIC_BITS: u64 = 0x4338_0000_0000_0000;
/// Samples are looked at as 32-bit integers, the finest that a header says.
const FINEST_BITS: u32 = 32;

/// Own choice: below this magnitude, in steps of the header's depth, a sample is quiet.
const QUIET: i64 = 1 << 15;
/// Own choice: enough for a lattice at 0.3 of a periodogram to stand far over chance (0.008).
const RESERVOIR: usize = 16_384;
/// Fewer quiet samples than this say nothing.
const FEWEST: usize = 2_000;
/// Own choice: a sample must be this many times larger than the bits that are looked at, or a very
/// quiet file would look padded.
const CLEAR_OF_LOW_BITS: i64 = 4;
/// the house's notes on the trade, H2: padded 16-bit with 24-bit dither 1.06 bits of 8, true 24-bit 8.00; the limit is
/// half of the bits.
const PADDED_SHARE: f64 = 0.5;
/// Own choice, between chance (0.008) and a lattice with dither of one step (0.6 to 1).
const LATTICE_PEAK: f64 = 0.3;
/// Own choice: the smallest lattice that is told; a normalised 16-bit file has up to 2 or so.
const LATTICE_SMALLEST: f64 = 12.0;
/// Own choice: the same in 16 bits, where synthesisers of chips lie on lattices of 14 steps.
const LATTICE_SMALLEST_16: f64 = 32.0;
/// Own choice: on fewer points than this lies a chip's square wave, not a recording.
const LATTICE_POINTS: usize = 128;

/// Own choice: so clear is the lattice in one phase of the samples, and so faint in the others,
/// where an old rate's own samples stand among those between.
const KEPT_PEAK: f64 = 0.5;
const BETWEEN_PEAK: f64 = 0.15;
/// Own choice: fewer samples of a phase than this say nothing.
const FEWEST_OF_PHASE: usize = 300;
/// Phases that are told apart; divides every stage.
const PHASES: usize = 8;

/// One sample in `factor` lies on a coarser grid than those between.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Kept {
    pub(super) factor: u32,
    pub(super) bits: f64,
}

/// OR of samples as integers, and whether any is finer than that.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Grid {
    or: u64,
    residue: f64,
}

impl Grid {
    /// Eight samples; all-inline so that it becomes vector code in the caller's loop.
    #[inline(always)]
    pub(super) fn feed(or: &mut [u64; 8], residue: &mut [f64; 8], samples: &[f64; 8]) {
        const SCALE: f64 = (1u64 << (FINEST_BITS - 1)) as f64;
        for lane in 0..8 {
            let scaled = samples[lane] * SCALE;
            let shifted = scaled + MAGIC;
            or[lane] |= shifted.to_bits() ^ MAGIC_BITS;
            residue[lane] = residue[lane].max(((shifted - MAGIC) - scaled).abs());
        }
    }

    pub(super) fn add(&mut self, or: [u64; 8], residue: [f64; 8]) {
        self.or = or.iter().fold(self.or, |a, b| a | b);
        self.residue = residue.iter().fold(self.residue, |a, b| a.max(*b));
    }

    pub(super) fn used_bits(self) -> Option<u32> {
        let zeros = self.or.trailing_zeros();
        (self.residue == 0.0 && self.or != 0).then(|| FINEST_BITS - zeros.min(FINEST_BITS - 1))
    }
}

/// The meter of one channel.
pub(super) struct BitsMeter {
    header_bits: Option<u32>,
    pub(super) grid: Grid,
    scale: f64,
    low: Vec<u32>,
    nibble_seen: u64,
    /// Value and phase.
    quiet: Vec<(i32, u8)>,
    every: u64,
    passed: u64,
}

impl BitsMeter {
    pub(super) fn new(header_bits: Option<u32>) -> Self {
        let depth = header_bits.unwrap_or(24).clamp(2, 24);
        Self {
            header_bits,
            grid: Grid::default(),
            scale: f64::from(1u32 << (depth - 1)),
            low: vec![0; 256],
            nibble_seen: 0,
            quiet: Vec::new(),
            every: 1,
            passed: 0,
        }
    }

    /// Looks at some of the samples; the grid is fed with all of them elsewhere.
    pub(super) fn look(&mut self, samples: &[f64]) {
        for (index, &sample) in samples.iter().enumerate() {
            let value = (sample * self.scale).round() as i64;
            if value.abs() >= CLEAR_OF_LOW_BITS * 256 {
                self.low[(value & 255) as usize] += 1;
                self.nibble_seen += 1;
            }
            if value.abs() < QUIET && value != 0 {
                self.keep((value as i32, (index % PHASES) as u8));
            }
        }
    }

    fn keep(&mut self, value: (i32, u8)) {
        self.passed += 1;
        if self.passed < self.every {
            return;
        }
        self.passed = 0;
        if self.quiet.len() == RESERVOIR {
            let mut index = 0;
            self.quiet.retain(|_| {
                index += 1;
                // Thirds, so that all phases stay.
                index % 3 == 1
            });
            self.every *= 3;
        }
        self.quiet.push(value);
    }

    pub(super) fn finish(&self) -> (BitsUsed, Option<Kept>) {
        let used_bits = self.grid.used_bits();
        let depth = self.header_bits.or(used_bits).unwrap_or(FINEST_BITS);
        // Floats are looked at in steps of 24 bits; a header of 32 bits likewise.
        let readable = match self.header_bits {
            Some(bits) => bits <= 24,
            None => used_bits.is_some_and(|bits| (17..=24).contains(&bits)),
        };
        let full = used_bits.is_some_and(|used| used + 2 >= depth.min(24));
        let depth = depth.min(24);
        let looked = readable && full;
        let dithered = looked.then(|| self.dithered(depth)).flatten();
        let gained = (looked && dithered.is_none())
            .then(|| self.gained(depth))
            .flatten();
        let kept = gained.as_ref().and_then(|gained| self.kept(depth, gained));
        let bits = BitsUsed {
            header_bits: self.header_bits,
            used_bits,
            // A grid in some of the samples only is no padding.
            hidden: dithered.or(gained).filter(|_| kept.is_none()),
        };
        (bits, kept)
    }

    /// Whether the lattice lies in one sample of two, four or eight only: a resampler to a multiple
    /// of the rate has let the old samples through.
    fn kept(&self, depth: u32, gained: &HiddenPadding) -> Option<Kept> {
        let step = (f64::from(depth) - gained.effective_bits).exp2();
        // How far the samples of a phase share the lattice: 0 to 1; `None` for too few.
        let shares: Vec<Option<f64>> = (0..PHASES as u8)
            .map(|phase| {
                let (mut re, mut im, mut count) = (0.0, 0.0, 0usize);
                for (value, _) in self.quiet.iter().filter(|(_, of)| *of == phase) {
                    let angle = std::f64::consts::TAU * f64::from(*value) / step;
                    re += angle.cos();
                    im += angle.sin();
                    count += 1;
                }
                let share = f64::hypot(re, im) / count.max(1) as f64;
                (count >= FEWEST_OF_PHASE).then_some(share)
            })
            .collect();
        let shares: Vec<f64> = shares.into_iter().collect::<Option<_>>()?;
        [2usize, 4, 8].into_iter().find_map(|factor| {
            let is_kept = |of: usize| {
                (0..PHASES).all(|phase| match phase % factor == of {
                    true => shares[phase] > KEPT_PEAK,
                    false => shares[phase] < BETWEEN_PEAK,
                })
            };
            (0..factor).any(is_kept).then_some(Kept {
                factor: factor as u32,
                bits: gained.effective_bits,
            })
        })
    }

    /// Padding with dither: the entropy of the low 8 and 4 bits (the house's notes on the trade, H2).
    fn dithered(&self, depth: u32) -> Option<HiddenPadding> {
        if self.nibble_seen < FEWEST as u64 {
            return None;
        }
        [8u32, 4].into_iter().find_map(|bits| {
            let mut counts = vec![0u32; 1 << bits];
            for (value, count) in self.low.iter().enumerate() {
                counts[value & ((1 << bits) - 1)] += count;
            }
            let entropy = entropy_bits(&counts);
            let share = entropy / f64::from(bits);
            (share < PADDED_SHARE && depth > bits).then(|| HiddenPadding {
                kind: PaddingKind::Dithered,
                effective_bits: f64::from(depth - bits),
                confidence: (1.0 - share).clamp(0.0, 1.0),
            })
        })
    }

    /// Padding with a gain after it: peaks of the characteristic function of quiet samples, that
    /// is of the periodogram of their histogram, at 1/step, 2/step and little between. Own method;
    /// the idea is that of the pitch of a comb.
    fn gained(&self, depth: u32) -> Option<HiddenPadding> {
        if self.quiet.len() < FEWEST {
            return None;
        }
        let size = 2 * QUIET as usize;
        let mut histogram = vec![0.0f32; size];
        for &(value, _) in &self.quiet {
            histogram[(i64::from(value) + QUIET) as usize] += 1.0;
        }
        let plan = RealFftPlanner::<f32>::new().plan_fft_forward(size);
        let mut spectrum = plan.make_output_vec();
        plan.process(&mut histogram, &mut spectrum).ok()?;
        let total = self.quiet.len() as f32;
        let at = |k: usize| f64::from(spectrum[k].norm() / total);
        let around = |k: usize| (k.saturating_sub(3)..=k + 3).map(at).fold(0.0, f64::max);
        let lowest = size / 4096;
        let smallest = if depth > 16 {
            LATTICE_SMALLEST
        } else {
            LATTICE_SMALLEST_16
        };
        let highest = (size as f64 / smallest) as usize;
        let k = (lowest..=highest).find(|&k| {
            let here = at(k);
            here > LATTICE_PEAK && here >= at(k - 1) && here >= at(k + 1) && {
                let below = (k / 4..=3 * k / 4).map(at).fold(0.0, f64::max);
                let between = (5 * k / 4..=7 * k / 4).map(at).fold(0.0, f64::max);
                let second = around(2 * k);
                below.max(between) < 0.5 * here && second > 0.4 * here
            }
        })?;
        let step = size as f64 / k as f64;
        let mut points: Vec<i64> = self
            .quiet
            .iter()
            .map(|&(value, _)| (f64::from(value) / step).round() as i64)
            .collect();
        points.sort_unstable();
        points.dedup();
        (points.len() >= LATTICE_POINTS.min(QUIET as usize / step as usize)).then(|| {
            HiddenPadding {
                kind: PaddingKind::Gained,
                effective_bits: f64::from(depth) - step.log2(),
                confidence: (0.4 + 0.6 * around(k)).min(0.95),
            }
        })
    }
}

fn entropy_bits(counts: &[u32]) -> f64 {
    let total: f64 = counts.iter().map(|&count| f64::from(count)).sum();
    counts
        .iter()
        .filter(|&&count| count > 0)
        .map(|&count| {
            let share = f64::from(count) / total;
            -share * share.log2()
        })
        .sum()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::measure::provenance::spectrum::pass;

    /// A slow sine of 0.2 and triangular dither, in steps of `bits`.
    fn coded(bits: u32, gain: f64) -> Vec<f64> {
        let steps = f64::from(1u32 << (bits - 1));
        let mut state = 99u32;
        let mut chance = || {
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            f64::from(state >> 8) / 16_777_216.0
        };
        (0..40_000)
            .map(|n| {
                let sine = 0.2 * (f64::from(n) * 0.0173).sin();
                (sine * gain * steps + chance() - chance()).round() / steps
            })
            .collect()
    }

    fn found(header: Option<u32>, samples: &[f64]) -> BitsUsed {
        let mut meter = BitsMeter::new(header);
        for stage in samples.chunks(4096) {
            let pass = pass(stage);
            meter.grid.add(pass.grid.0, pass.grid.1);
            meter.look(stage);
        }
        meter.finish().0
    }

    #[test]
    fn bits_that_are_all_used_are_told_as_such() {
        for bits in [16, 24] {
            let facts = found(Some(bits), &coded(bits, 1.0));
            assert_eq!((facts.used_bits, facts.hidden), (Some(bits), None));
        }
    }

    #[test]
    fn zero_bits_at_the_end_are_counted() {
        let facts = found(Some(24), &coded(20, 1.0));
        assert_eq!(facts.used_bits, Some(20));
    }

    #[test]
    fn floats_that_hold_integers_are_seen_and_finer_ones_have_no_count() {
        assert_eq!(found(None, &coded(16, 1.0)).used_bits, Some(16));
        let fine: Vec<f64> = (1..5000)
            .map(|n| f64::from((f64::from(n) * 0.37).sin() as f32))
            .collect();
        assert_eq!(found(None, &fine).used_bits, None);
    }

    #[test]
    fn silence_uses_no_bits() {
        assert_eq!(found(Some(24), &[0.0; 9000]).used_bits, None);
    }

    #[test]
    fn padding_under_dither_is_seen() {
        let step = f64::from(1u32 << 23);
        let noise = coded(24, 0.0);
        for bits in [16, 20] {
            let padded: Vec<f64> = coded(bits, 1.0)
                .iter()
                .zip(&noise)
                .map(|(a, b)| ((a + b) * step).round() / step)
                .collect();
            let hidden = found(Some(24), &padded).hidden.expect("padded");
            assert_eq!(hidden.kind, PaddingKind::Dithered);
            assert_eq!(hidden.effective_bits, f64::from(bits));
        }
    }

    #[test]
    fn padding_and_a_gain_leave_a_lattice() {
        let step = f64::from(1u32 << 23);
        for gain in [0.8414, 0.3117, 1.6971] {
            let samples: Vec<f64> = coded(16, 0.05)
                .iter()
                .map(|v| (v * gain * step).round() / step)
                .collect();
            let hidden = found(Some(24), &samples).hidden.expect("a lattice");
            assert_eq!(hidden.kind, PaddingKind::Gained);
            let wanted = 16.0 - gain.log2();
            assert!((hidden.effective_bits - wanted).abs() < 0.05, "{hidden:?}");
        }
    }
}
