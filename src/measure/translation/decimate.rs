//! Fewer samples for what needs no high frequencies: a linear-phase low-pass that computes only
//! what is kept.

use crate::measure::dispatch::{Thinned, Work, fast};

/// 60 dB of rejection: what folds back is out of sight of a band level. Own choice.
const BETA: f64 = 5.653;
/// Outputs side by side.
const WIDE: usize = 32;

/// The low-pass of a decimator; its cut-off lies at half the new rate.
fn low_pass(factor: usize, count: usize) -> Vec<f64> {
    let bessel = |x: f64| {
        let (mut term, mut sum) = (1.0, 1.0);
        for k in 1..40 {
            term *= (x / 2.0 / f64::from(k)).powi(2);
            sum += term;
        }
        sum
    };
    let middle = (count - 1) as f64 / 2.0;
    let mut taps: Vec<f64> = (0..count)
        .map(|n| {
            let at = n as f64 - middle;
            let x = std::f64::consts::PI * at / factor as f64;
            let sinc = if x == 0.0 { 1.0 } else { x.sin() / x };
            let inside = 1.0 - (at / (middle + 1.0)).powi(2);
            sinc * bessel(BETA * inside.max(0.0).sqrt())
        })
        .collect();
    let sum: f64 = taps.iter().sum();
    taps.iter_mut().for_each(|tap| *tap /= sum);
    taps
}

/// By a small factor, with many taps to each sample: phase by phase.
pub(super) struct Decimator {
    factor: usize,
    /// `[phase]`: place and value of the taps that are not 0; an odd number of taps in all, so
    /// that nearly half of those by 2 are.
    taps: Vec<Vec<(usize, f32)>>,
    /// `[phase]`: the last samples of each phase, then the block's.
    phases: Vec<Vec<f32>>,
    pub out: Vec<f32>,
}

/// By a large factor, with few taps to each sample: kept sample by kept sample.
pub(super) struct CoarseDecimator {
    factor: usize,
    taps: Vec<f32>,
    /// The last samples, then the block's.
    line: Vec<f32>,
    pub out: Vec<f32>,
}

impl CoarseDecimator {
    /// `per_phase`: taps for each of the `factor` samples of which one is kept.
    pub(super) fn new(factor: usize, per_phase: usize) -> Self {
        let count = (factor * per_phase).next_multiple_of(16);
        let taps = low_pass(factor, count);
        Self {
            line: vec![0.0; count - factor],
            taps: taps.iter().map(|&tap| tap as f32).collect(),
            factor,
            out: Vec::new(),
        }
    }

    /// Takes a block; its length must be a multiple of the factor.
    pub(super) fn run(&mut self, block: &[f32]) {
        self.line.extend_from_slice(block);
        self.out.resize(block.len() / self.factor, 0.0);
        fast(Thinned {
            taps: &self.taps,
            line: &self.line,
            by: self.factor,
            out: &mut self.out,
        });
        self.line.drain(..block.len());
    }

    /// Forgets what came before.
    pub(super) fn clear(&mut self) {
        self.line.fill(0.0);
        self.out.fill(0.0);
    }
}

impl Decimator {
    /// `per_phase`: taps of each of the `factor` phases.
    pub(super) fn new(factor: usize, per_phase: usize) -> Self {
        let whole = match factor {
            1 => vec![1.0],
            _ => low_pass(factor, factor * per_phase - 1),
        };
        let taps = (0..factor).map(|phase| {
            let taps = whole.iter().skip(phase).step_by(factor).enumerate();
            // The sinc's own zeros are left out; rounding leaves them just beside 0.
            taps.filter(|(_, tap)| tap.abs() > 1e-12)
                .map(|(at, &tap)| (at, tap as f32))
                .collect()
        });
        let lengths = (0..factor).map(|phase| whole.iter().skip(phase).step_by(factor).len());
        Self {
            phases: lengths.map(|length| vec![0.0; length - 1]).collect(),
            taps: taps.collect(),
            factor,
            out: Vec::new(),
        }
    }

    /// Frames by which the output lags, in input frames.
    #[cfg(test)]
    fn delay(&self) -> f64 {
        let held: usize = self.phases.iter().map(Vec::len).sum();
        (held + self.factor - 1) as f64 / 2.0
    }

    /// Takes a block; its length must be a multiple of the factor.
    pub(super) fn run(&mut self, block: &[f32]) {
        // Phase p of the filter meets the samples that stand factor - 1 - p before the kept.
        if let [even, odd] = &mut self.phases[..] {
            let (pairs, _) = block.as_chunks::<2>();
            even.extend(pairs.iter().map(|pair| pair[1]));
            odd.extend(pairs.iter().map(|pair| pair[0]));
        } else {
            for (phase, held) in self.phases.iter_mut().enumerate() {
                let from = block.iter().skip(self.factor - 1 - phase);
                held.extend(from.step_by(self.factor));
            }
        }
        let count = block.len() / self.factor;
        self.out.clear();
        self.out.resize(count, 0.0);
        for (taps, held) in self.taps.iter().zip(&mut self.phases) {
            fast(Convolve {
                taps,
                samples: held,
                out: &mut self.out,
            });
            held.drain(..count);
        }
    }

    /// Forgets what came before.
    pub(super) fn clear(&mut self) {
        self.phases.iter_mut().for_each(|held| held.fill(0.0));
        self.out.fill(0.0);
    }
}

/// Adds a convolution; many outputs side by side.
struct Convolve<'a> {
    taps: &'a [(usize, f32)],
    /// As many as the filter reaches back, then one for each output.
    samples: &'a [f32],
    out: &'a mut [f32],
}

impl Work for Convolve<'_> {
    type Output = ();

    #[inline(always)]
    fn work(self) {
        let reach = self.samples.len() - self.out.len();
        let (rows, rest) = self.out.as_chunks_mut::<WIDE>();
        let whole = rows.len() * WIDE;
        for (at, out) in rows.iter_mut().enumerate() {
            let mut sums = *out;
            for &(k, tap) in self.taps {
                let from = at * WIDE + reach - k;
                let samples = &self.samples[from..from + WIDE];
                for i in 0..WIDE {
                    sums[i] += tap * samples[i];
                }
            }
            *out = sums;
        }
        for (i, out) in rest.iter_mut().enumerate() {
            for &(k, tap) in self.taps {
                *out += tap * self.samples[whole + i + reach - k];
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_kept_keeps_its_level_and_what_folds_back_is_gone() {
        let level = |hertz: f64| {
            let mut decimator = Decimator::new(2, 16);
            let tone: Vec<f32> = (0..48_000)
                .map(|n| (std::f64::consts::TAU * hertz * f64::from(n) / 48_000.0).sin() as f32)
                .collect();
            decimator.run(&tone);
            let tail = &decimator.out[1000..];
            let squares: f64 = tail.iter().map(|&v| f64::from(v).powi(2)).sum();
            10.0 * (2.0 * squares / tail.len() as f64).log10()
        };
        for hertz in [30.0, 1000.0, 8000.0] {
            assert!(level(hertz).abs() < 0.05, "{hertz} Hz: {}", level(hertz));
        }
        // 24 kHz less 8 kHz: the lowest that folds into the bands.
        for hertz in [16_000.0, 20_000.0] {
            assert!(level(hertz) < -55.0, "{hertz} Hz: {}", level(hertz));
        }
    }

    #[test]
    fn a_click_comes_out_where_the_delay_says() {
        let mut decimator = Decimator::new(4, 16);
        let mut click = vec![0.0; 4096];
        click[1000] = 1.0;
        decimator.run(&click);
        let top = (0..1024).max_by(|&a, &b| decimator.out[a].total_cmp(&decimator.out[b]));
        let wanted = (1000.0 + decimator.delay()) / 4.0;
        assert!((top.unwrap() as f64 - wanted).abs() <= 1.0);
    }

    #[test]
    fn the_coarse_one_keeps_the_bass_and_loses_what_folds_into_it() {
        let level = |hertz: f64| {
            let mut decimator = CoarseDecimator::new(16, 6);
            let tone: Vec<f32> = (0..48_000)
                .map(|n| (std::f64::consts::TAU * hertz * f64::from(n) / 48_000.0).sin() as f32)
                .collect();
            decimator.run(&tone);
            let tail = &decimator.out[200..];
            let squares: f64 = tail.iter().map(|&v| f64::from(v).powi(2)).sum();
            10.0 * (2.0 * squares / tail.len() as f64).log10()
        };
        for hertz in [30.0, 100.0, 400.0] {
            assert!(level(hertz).abs() < 0.05, "{hertz} Hz: {}", level(hertz));
        }
        // 3 kHz less 400 Hz, and twice that.
        for hertz in [2600.0, 3400.0, 5600.0, 20_000.0] {
            assert!(level(hertz) < -55.0, "{hertz} Hz: {}", level(hertz));
        }
    }
}
