//! Loudness of a programme from its 10 ms energies: momentary, short-term, integrated, range.
//!
//! In: for each 10 ms in turn, the weighted sum of the channels' K-weighted squares and how
//! many frames it spans. Out: a [`Loudness`]. Memory does not grow: the windows are rings, and
//! the gates work on histograms that keep each bin's exact sum.
//!
//! 10 ms serve the maxima, because a 100 ms grid under-reads them by up to 0.46 LU (EBU Tech
//! 3341, Table 1, cases 13 and 14); gating blocks and loudness range are taken every 100 ms.

use super::types::Loudness;
use crate::units::{Frames, Hertz, Lu, Lufs, Seconds};

/// 400 ms and 3 s in steps of 10 ms (EBU Tech 3341, clause 2.1).
const MOMENTARY_STEPS: usize = 40;
const SHORT_TERM_STEPS: usize = 300;
/// Gating blocks overlap by 75 % (BS.1770-5, Annex 1); the range's values come at 10 Hz (EBU
/// Tech 3342, clause 3).
const HOP_STEPS: u64 = 10;
/// BS.1770-5, Annex 1, equation (2): makes 997 Hz at 0 dBFS in one front channel -3.01 LKFS.
const OFFSET: f64 = -0.691;
/// The ratio of powers that makes a rise sudden: 20 LU. Own choice.
const SUDDEN: f64 = 100.0;
const ABSOLUTE_GATE: f64 = -70.0;
/// Under this length the range has too few data points (EBU R 128, note 2).
const RANGE_STABLE_FROM_S: f64 = 60.0;

/// Where the n-th step of 10 ms begins, in frames; exact at rates that 100 does not divide.
pub(super) fn step_start(step: u64, rate: Hertz) -> u64 {
    let wide = u128::from(step) * u128::from(rate.value()) / 100;
    u64::try_from(wide).unwrap_or(u64::MAX)
}

pub(super) fn loudness_of(mean_square: f64) -> f64 {
    OFFSET + 10.0 * mean_square.log10()
}

/// The meter. Feed it whole 10 ms steps only; an incomplete last one is dropped, as BS.1770
/// drops incomplete gating blocks.
pub(super) struct LoudnessMeter {
    rate: Hertz,
    /// Energy and length of the last 300 steps, by step number modulo 300.
    energy: Vec<f64>,
    steps: u64,
    momentary_max: Maximum,
    short_term_max: Maximum,
    /// The loudest 400 ms among those 20 LU over the 400 ms before them.
    sudden_max: Maximum,
    gating: GateHistogram,
    range: GateHistogram,
}

#[derive(Clone, Copy)]
struct Maximum {
    mean_square: f64,
    first_step: u64,
}

impl LoudnessMeter {
    pub(super) fn new(rate: Hertz) -> Self {
        let none = Maximum {
            mean_square: 0.0,
            first_step: 0,
        };
        Self {
            rate,
            energy: vec![0.0; SHORT_TERM_STEPS],
            steps: 0,
            momentary_max: none,
            short_term_max: none,
            sudden_max: none,
            gating: GateHistogram::new(),
            range: GateHistogram::new(),
        }
    }

    /// Takes the weighted sum of squares of the next step.
    pub(super) fn step(&mut self, energy: f64) {
        self.energy[(self.steps % SHORT_TERM_STEPS as u64) as usize] = energy;
        self.steps += 1;
        if let Some(momentary) = self.window(MOMENTARY_STEPS) {
            raise(
                &mut self.momentary_max,
                momentary,
                self.steps - MOMENTARY_STEPS as u64,
            );
            self.look_for_a_rise(momentary);
            if self.steps.is_multiple_of(HOP_STEPS) {
                self.gating.add(momentary);
            }
        }
        if let Some(short_term) = self.window(SHORT_TERM_STEPS) {
            raise(
                &mut self.short_term_max,
                short_term,
                self.steps - SHORT_TERM_STEPS as u64,
            );
            if self.steps.is_multiple_of(HOP_STEPS) {
                self.range.add(short_term);
            }
        }
    }

    fn look_for_a_rise(&mut self, momentary: f64) {
        if momentary <= self.sudden_max.mean_square {
            return;
        }
        let first = self.steps - MOMENTARY_STEPS as u64;
        if let Some(before) = self.window_until(first, MOMENTARY_STEPS)
            && before * SUDDEN <= momentary
        {
            raise(&mut self.sudden_max, momentary, first);
        }
    }

    /// Mean square of the last `length` steps; `None` before there are as many.
    fn window(&self, length: usize) -> Option<f64> {
        self.window_until(self.steps, length)
    }

    /// Of the `length` steps before step `end`, which are kept still.
    fn window_until(&self, end: u64, length: usize) -> Option<f64> {
        let first = end.checked_sub(length as u64)?;
        let frames = step_start(end, self.rate) - step_start(first, self.rate);
        // Added anew each time rather than kept running: a running sum drifts after loud parts.
        let end = (end % SHORT_TERM_STEPS as u64) as usize;
        let sum: f64 = match end.checked_sub(length) {
            Some(start) => total(&self.energy[start..end]),
            None => {
                total(&self.energy[SHORT_TERM_STEPS - (length - end)..])
                    + total(&self.energy[..end])
            }
        };
        Some(sum / frames as f64)
    }

    pub(super) fn finish(&self, length: Frames) -> Loudness {
        let at = |m: Maximum| {
            (m.mean_square > 0.0).then(|| Frames(step_start(m.first_step, self.rate)).at(self.rate))
        };
        let (integrated, gated_blocks) = self.gating.integrated();
        Loudness {
            integrated_lufs: integrated,
            momentary_max_lufs: Lufs::new(loudness_of(self.momentary_max.mean_square)),
            momentary_max_at_s: at(self.momentary_max),
            short_term_max_lufs: Lufs::new(loudness_of(self.short_term_max.mean_square)),
            short_term_max_at_s: at(self.short_term_max),
            sudden_max_lufs: Lufs::new(loudness_of(self.sudden_max.mean_square)),
            sudden_max_at_s: at(self.sudden_max),
            range_lu: self.range.range(),
            range_stable: length.at(self.rate) >= Seconds(RANGE_STABLE_FROM_S),
            gated_blocks,
        }
    }
}

fn raise(maximum: &mut Maximum, mean_square: f64, first_step: u64) {
    if mean_square > maximum.mean_square && mean_square.is_finite() {
        *maximum = Maximum {
            mean_square,
            first_step,
        };
    }
}

/// Four running sums: additions need not wait for each other, the order stays fixed.
fn total(values: &[f64]) -> f64 {
    let mut lanes = [0.0; 4];
    let mut quads = values.chunks_exact(4);
    for quad in &mut quads {
        for (lane, value) in lanes.iter_mut().zip(quad) {
            *lane += value;
        }
    }
    let rest: f64 = quads.remainder().iter().sum();
    (lanes[0] + lanes[1]) + (lanes[2] + lanes[3]) + rest
}

/// Window powers above the absolute gate, in bins of 0.001 LU.
///
/// Each bin keeps its count and its exact sum of powers, so a mean over bins is a mean over the
/// windows; only a window within 0.001 LU of the relative gate can fall on the wrong side.
pub(super) struct GateHistogram {
    counts: Vec<u32>,
    sums: Vec<f64>,
}

const BINS_PER_LU: f64 = 1000.0;
/// -70 to +50 LUFS; what is louder (floats can be) is kept in the last bin.
const BINS: usize = 120_000;

impl GateHistogram {
    pub(super) fn new() -> Self {
        // Zeroed pages: only bins that occur take memory.
        Self {
            counts: vec![0; BINS],
            sums: vec![0.0; BINS],
        }
    }

    pub(super) fn add(&mut self, power: f64) {
        let above = loudness_of(power) - ABSOLUTE_GATE;
        if above > 0.0 {
            let bin = ((above * BINS_PER_LU) as usize).min(BINS - 1);
            self.counts[bin] = self.counts[bin].saturating_add(1);
            self.sums[bin] += power;
        }
    }

    /// (count, sum of powers) of the bins from `first` on.
    fn from(&self, first: usize) -> (u64, f64) {
        let count = self.counts[first..].iter().map(|&c| u64::from(c)).sum();
        (count, self.sums[first..].iter().sum())
    }

    /// The first bin whose mean lies above a gate that is `relative` LU under the mean of all.
    fn above_relative_gate(&self, relative: f64) -> Option<usize> {
        let (count, sum) = self.from(0);
        if count == 0 {
            return None;
        }
        let gate = sum / count as f64 * 10f64.powf(relative / 10.0);
        let near = (loudness_of(gate) - ABSOLUTE_GATE) * BINS_PER_LU;
        let mut bin = (near.max(0.0) as usize).min(BINS - 1);
        while bin < BINS
            && (self.counts[bin] == 0 || self.sums[bin] / f64::from(self.counts[bin]) <= gate)
        {
            bin += 1;
        }
        Some(bin)
    }

    /// BS.1770-5, Annex 1, equations (3) to (7): relative gate at -10 LU.
    pub(super) fn integrated(&self) -> (Option<Lufs>, u64) {
        let Some(first) = self.above_relative_gate(-10.0) else {
            return (None, 0);
        };
        let (count, sum) = self.from(first);
        (Lufs::new(loudness_of(sum / count as f64)), count)
    }

    /// EBU Tech 3342, clause 3: relative gate at -20 LU, 95th less 10th percentile, nearest rank.
    fn range(&self) -> Option<Lu> {
        let first = self.above_relative_gate(-20.0)?;
        let (count, _) = self.from(first);
        let at = |fraction: f64| {
            let rank = ((count.checked_sub(1)? as f64) * fraction + 1.0).round() as u64;
            let mut seen = 0;
            (first..BINS).find_map(|bin| {
                seen += u64::from(self.counts[bin]);
                let mean = self.sums[bin] / f64::from(self.counts[bin]);
                (seen >= rank).then(|| loudness_of(mean))
            })
        };
        Lu::new(at(0.95)? - at(0.10)?)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn power_of(loudness: f64) -> f64 {
        10f64.powf((loudness - OFFSET) / 10.0)
    }

    fn meter_of(levels: &[(f64, u64)]) -> Loudness {
        let rate = Hertz::new(48_000).unwrap();
        let mut meter = LoudnessMeter::new(rate);
        let mut steps = 0;
        for &(loudness, count) in levels {
            for _ in 0..count {
                meter.step(power_of(loudness) * 480.0);
            }
            steps += count;
        }
        meter.finish(Frames(steps * 480))
    }

    // ITU-R BS.1770-5, Annex 1: nothing at or below -70 LKFS counts.
    #[test]
    fn what_never_passes_the_absolute_gate_has_no_integrated_loudness() {
        let quiet = meter_of(&[(-70.2, 500)]);
        assert_eq!((quiet.integrated_lufs, quiet.gated_blocks), (None, 0));
        assert_eq!(quiet.range_lu, None);
        assert!(meter_of(&[(-69.9, 500)]).integrated_lufs.is_some());
    }

    #[test]
    fn silence_has_no_loudness_at_all() {
        let silence = meter_of(&[(f64::NEG_INFINITY, 1000)]);
        assert_eq!(silence.momentary_max_lufs, None);
        assert_eq!(silence.short_term_max_at_s, None);
    }

    #[test]
    fn the_loudest_window_is_told_with_its_start() {
        let programme = meter_of(&[(-40.0, 500), (-20.0, 300), (-40.0, 500)]);
        assert_eq!(programme.short_term_max_at_s, Some(Seconds(5.0)));
        assert!((programme.short_term_max_lufs.unwrap().value() + 20.0).abs() < 1e-9);
        assert!(!programme.range_stable);
    }

    #[test]
    fn a_rise_of_20_lu_within_400_ms_is_told_with_the_loudness_it_reaches() {
        let blast = meter_of(&[(-40.0, 500), (-12.0, 100), (-40.0, 500)]);
        assert_eq!(blast.sudden_max_at_s, Some(Seconds(5.0)));
        assert!((blast.sudden_max_lufs.unwrap().value() + 12.0).abs() < 1e-9);
        // 19 LU are no such rise, nor 28 LU in two steps.
        assert_eq!(
            meter_of(&[(-40.0, 500), (-21.0, 500)]).sudden_max_lufs,
            None
        );
        let steps = meter_of(&[(-40.0, 500), (-26.0, 60), (-12.0, 500)]);
        assert_eq!(steps.sudden_max_lufs, None);
    }

    #[test]
    fn steps_cover_every_frame_at_rates_that_100_does_not_divide() {
        let rate = Hertz::new(11_025).unwrap();
        assert_eq!(
            (
                step_start(1, rate),
                step_start(2, rate),
                step_start(100, rate)
            ),
            (110, 220, 11_025)
        );
    }

    // The histogram against the definition in full (equations (3) to (7) on a plain list).
    #[test]
    fn the_histogram_reads_what_the_list_of_blocks_reads() {
        let mut list = Vec::new();
        let mut histogram = GateHistogram::new();
        let mut seed = 1u64;
        for _ in 0..20_000 {
            seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1);
            let power = power_of(-75.0 + 70.0 * (seed >> 33) as f64 / (1u64 << 31) as f64);
            list.push(power);
            histogram.add(power);
        }
        let mean = |gate: f64| {
            let over: Vec<f64> = list.iter().copied().filter(|&p| p > gate).collect();
            over.iter().sum::<f64>() / over.len() as f64
        };
        let relative = mean(power_of(-70.0)) * 0.1;
        let wanted = loudness_of(mean(relative.max(power_of(-70.0))));
        let read = histogram.integrated().0.unwrap().value();
        assert!((read - wanted).abs() < 1e-4, "{read} against {wanted}");
    }
}
