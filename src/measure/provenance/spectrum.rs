//! Spectra of one channel over the file, and its levels outside of what is heard.
//!
//! In: stages of samples, all equally long. Out: mean logarithm, maximum and mean of the power in
//! each line, in mean square with a full-scale square wave = 1 (a full-scale sine: 0.5).

use std::sync::Arc;

use realfft::num_complex::Complex;
use realfft::{RealFftPlanner, RealToComplex};

use super::bits::Grid;
use crate::vector::{Work, fast};

/// Samples in a stage at rates up to 50 kHz; a stage is what is looked at together, and the
/// length of the transform.
const STAGE: usize = 4096;
/// Under this mean square of a line nothing is told apart: 24-bit rounding gives 6e-19.
const NOTHING: f64 = 1e-22;
/// Samples that are summed to one for the subsonic filter.
const GROUP: usize = 64;

/// Length of a stage: lines of 11 to 12 Hz at all rates.
pub(super) fn stage_len(rate: u32) -> usize {
    match rate {
        0..=50_000 => STAGE,
        50_001..=100_000 => 2 * STAGE,
        _ => 4 * STAGE,
    }
}

/// What a pass over all samples of a stage gives.
pub(super) struct Pass {
    pub(super) squares: f64,
    pub(super) grid: ([u64; 8], [f64; 8]),
    pub(super) groups: Vec<f64>,
}

/// One pass over samples: squares, the integer grid, sums of groups.
pub(super) fn pass(samples: &[f64]) -> Pass {
    fast(PassWork(samples))
}

struct PassWork<'a>(&'a [f64]);

impl Work for PassWork<'_> {
    type Output = Pass;

    #[inline(always)]
    fn work(self) -> Pass {
        let mut squares = [0.0; 8];
        let mut or = [0u64; 8];
        let mut residue = [0.0; 8];
        let mut groups = Vec::with_capacity(self.0.len() / GROUP + 1);
        for group in self.0.chunks(GROUP) {
            let mut sums = [0.0; 8];
            let (eights, rest) = group.as_chunks::<8>();
            for eight in eights {
                Grid::feed(&mut or, &mut residue, eight);
                for lane in 0..8 {
                    squares[lane] += eight[lane] * eight[lane];
                    sums[lane] += eight[lane];
                }
            }
            if !rest.is_empty() {
                let mut eight = [0.0; 8];
                eight[..rest.len()].copy_from_slice(rest);
                Grid::feed(&mut or, &mut residue, &eight);
                for lane in 0..8 {
                    squares[lane] += eight[lane] * eight[lane];
                    sums[lane] += eight[lane];
                }
            }
            groups.push(sums.iter().sum());
        }
        Pass {
            squares: squares.iter().sum(),
            grid: (or, residue),
            groups,
        }
    }
}

/// The transform that all channels share.
pub(super) struct Transform {
    plan: Arc<dyn RealToComplex<f64>>,
    window: Vec<f64>,
    input: Vec<f64>,
    output: Vec<Complex<f64>>,
    scratch: Vec<Complex<f64>>,
    norm: f64,
}

impl Transform {
    pub(super) fn new(len: usize) -> Self {
        let plan = RealFftPlanner::new().plan_fft_forward(len);
        let window: Vec<f64> = (0..len)
            .map(|n| {
                let angle = std::f64::consts::TAU * (n as f64 + 0.5) / len as f64;
                0.5 - 0.5 * angle.cos()
            })
            .collect();
        let energy: f64 = window.iter().map(|w| w * w).sum();
        Self {
            input: plan.make_input_vec(),
            output: plan.make_output_vec(),
            scratch: plan.make_scratch_vec(),
            norm: 2.0 / (len as f64 * energy),
            plan,
            window,
        }
    }

    /// The spectrum of the samples that were looked at last.
    pub(super) fn spectrum(&self) -> &[Complex<f64>] {
        &self.output
    }

    /// Makes mean squares of its squared magnitudes.
    pub(super) fn norm(&self) -> f64 {
        self.norm
    }

    /// Mean square in each line (Hann window; the sum over the lines is the mean square of noise).
    pub(super) fn powers(&mut self, samples: &[f64], out: &mut Vec<f64>) {
        for ((to, from), weight) in self.input.iter_mut().zip(samples).zip(&self.window) {
            *to = from * weight;
        }
        self.input[samples.len().min(self.window.len())..].fill(0.0);
        out.clear();
        let done =
            self.plan
                .process_with_scratch(&mut self.input, &mut self.output, &mut self.scratch);
        // Lengths come from the plan itself, so that the transform has no reason to refuse.
        if done.is_ok() {
            out.extend(self.output.iter().map(|c| c.norm_sqr() * self.norm));
        }
    }
}

/// Long-term spectra of one channel.
pub(super) struct Spectra {
    pub(super) looks: u64,
    /// Sum over looks of log2(power).
    pub(super) logs: Vec<f64>,
    pub(super) largest: Vec<f64>,
    pub(super) sum: Vec<f64>,
}

impl Spectra {
    pub(super) fn new(len: usize) -> Self {
        let lines = len / 2 + 1;
        Self {
            looks: 0,
            logs: vec![0.0; lines],
            largest: vec![0.0; lines],
            sum: vec![0.0; lines],
        }
    }

    pub(super) fn add(&mut self, powers: &[f64]) {
        self.looks += 1;
        fast(Add {
            spectra: self,
            powers,
        });
    }

    /// Mean level of each line in dB (mean of the logarithm).
    pub(super) fn mean_db(&self) -> Vec<f64> {
        let per_look = std::f64::consts::LOG10_2 * 10.0 / self.looks.max(1) as f64;
        self.logs.iter().map(|log| log * per_look).collect()
    }
}

struct Add<'a> {
    spectra: &'a mut Spectra,
    powers: &'a [f64],
}

impl Work for Add<'_> {
    type Output = ();

    #[inline(always)]
    fn work(self) {
        let Spectra {
            logs, largest, sum, ..
        } = self.spectra;
        let lines = logs.iter_mut().zip(largest).zip(sum).zip(self.powers);
        for (((log, largest), sum), &power) in lines {
            *log += log2(power + NOTHING);
            *largest = if power > *largest { power } else { *largest };
            *sum += power;
        }
    }
}

/// log2 of a positive, normal value, right to 0.01 (0.03 dB).
#[inline(always)]
pub(super) fn log2(value: f64) -> f64 {
    let bits = value.to_bits();
    let mantissa = f64::from_bits((bits & 0x000f_ffff_ffff_ffff) | 0x3ff0_0000_0000_0000);
    // The exponent as a double without a conversion of 64-bit integers, which AVX2 lacks:
    // 2^52 + exponent has the exponent in its low bits.
    let biased = f64::from_bits((bits >> 52) | 0x4330_0000_0000_0000);
    let exponent = biased - 4_503_599_627_370_496.0 - 1023.0;
    exponent + (mantissa * (2.024_66 - 0.344_845 * mantissa) - 1.674_87)
}

/// Energy from about 1 to 20 Hz: sums of [`GROUP`] samples, a first-order high-pass at 1 Hz and
/// a fourth-order Butterworth low-pass at 20 Hz (bilinear transform).
pub(super) struct Subsonic {
    blocker: f64,
    last: f64,
    blocked: f64,
    sections: [[f64; 5]; 2],
    memory: [[f64; 2]; 2],
    energy: f64,
    seconds_of_rest: f64,
    step: f64,
}

impl Subsonic {
    pub(super) fn new(rate: u32) -> Self {
        let slow = f64::from(rate) / GROUP as f64;
        let k = (std::f64::consts::PI * 20.0 / slow).tan();
        let section = |angle: f64| {
            let damping = 2.0 * angle.cos();
            let norm = 1.0 / (1.0 + damping * k + k * k);
            [
                k * k * norm,
                2.0 * k * k * norm,
                k * k * norm,
                2.0 * (k * k - 1.0) * norm,
                (1.0 - damping * k + k * k) * norm,
            ]
        };
        let eighth = std::f64::consts::PI / 8.0;
        Self {
            blocker: (-std::f64::consts::TAU / slow).exp(),
            last: 0.0,
            blocked: 0.0,
            sections: [section(eighth), section(3.0 * eighth)],
            memory: [[0.0; 2]; 2],
            energy: 0.0,
            seconds_of_rest: 1.0,
            step: 1.0 / slow,
        }
    }

    /// Takes sums of [`GROUP`] samples.
    pub(super) fn feed(&mut self, groups: &[f64]) {
        for &sum in groups {
            let value = sum / GROUP as f64;
            self.blocked = value - self.last + self.blocker * self.blocked;
            self.last = value;
            let mut value = self.blocked;
            for (section, memory) in self.sections.iter().zip(&mut self.memory) {
                let [b0, b1, b2, a1, a2] = *section;
                let out = b0 * value + memory[0];
                memory[0] = b1 * value - a1 * out + memory[1];
                memory[1] = b2 * value - a2 * out;
                value = out;
            }
            // The high-pass rings for a while after an offset at the start, which is none of the
            // music.
            if self.seconds_of_rest > 0.0 {
                self.seconds_of_rest -= self.step;
            } else {
                self.energy += value * value * GROUP as f64;
            }
        }
    }

    /// Sum of squares, in samples of the full rate.
    pub(super) fn energy(&self) -> f64 {
        self.energy
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_lines_of_a_sine_sum_to_its_mean_square() {
        let samples: Vec<f64> = (0..4096).map(|n| (f64::from(n) * 0.3).sin()).collect();
        let mut powers = Vec::new();
        Transform::new(4096).powers(&samples, &mut powers);
        let sum: f64 = powers.iter().sum();
        assert!((sum - 0.5).abs() < 0.005, "{sum}");
    }

    #[test]
    fn subsonic_energy_is_that_of_tones_under_20_hz() {
        let share = |hertz: f64| {
            let samples: Vec<f64> = (0..48_000 * 12)
                .map(|n| (std::f64::consts::TAU * hertz * f64::from(n) / 48_000.0).sin())
                .collect();
            let mut meter = Subsonic::new(48_000);
            for stage in samples.chunks(4096) {
                meter.feed(&pass(stage).groups);
            }
            10.0 * (meter.energy() / samples.iter().map(|v| v * v).sum::<f64>()).log10()
        };
        assert!(share(8.0) > -1.0, "{}", share(8.0));
        assert!(share(60.0) < -35.0, "{}", share(60.0));
        assert!(share(0.05) < -20.0, "{}", share(0.05));
    }

    #[test]
    fn the_logarithm_is_right_to_a_hundredth() {
        for value in [1e-22f64, 3.3e-9, 1.0, 1.5, 77.0] {
            assert!((log2(value) - value.log2()).abs() < 0.012);
        }
    }
}
