//! Fewer samples for what needs no high frequencies: a linear-phase low-pass that computes only
//! what is kept.

use crate::vector::{Work, fast};

/// 60 dB of rejection: what folds back is out of sight of a band level. Own choice.
const BETA: f64 = 5.653;

pub(super) struct Decimator {
    factor: usize,
    /// `[phase][tap]`.
    taps: Vec<Vec<f32>>,
    /// `[phase]`: the last samples of each phase, then the block's.
    phases: Vec<Vec<f32>>,
    pub out: Vec<f32>,
}

impl Decimator {
    /// `per_phase`: taps of each of the `factor` phases. The cut-off lies at half the new rate.
    pub(super) fn new(factor: usize, per_phase: usize) -> Self {
        let count = factor * per_phase;
        let bessel = |x: f64| {
            let (mut term, mut sum) = (1.0, 1.0);
            for k in 1..40 {
                term *= (x / 2.0 / f64::from(k)).powi(2);
                sum += term;
            }
            sum
        };
        let middle = (count - 1) as f64 / 2.0;
        let mut whole: Vec<f64> = (0..count)
            .map(|n| {
                let at = n as f64 - middle;
                let x = std::f64::consts::PI * at / factor as f64;
                let sinc = if x == 0.0 { 1.0 } else { x.sin() / x };
                let inside = 1.0 - (at / (middle + 1.0)).powi(2);
                sinc * bessel(BETA * inside.max(0.0).sqrt())
            })
            .collect();
        let sum: f64 = whole.iter().sum();
        whole.iter_mut().for_each(|tap| *tap /= sum);
        if factor == 1 {
            whole = vec![1.0];
        }
        let taps: Vec<Vec<f32>> = (0..factor)
            .map(|phase| {
                let taps = whole.iter().skip(phase).step_by(factor);
                taps.map(|&tap| tap as f32).collect()
            })
            .collect();
        Self {
            phases: taps.iter().map(|t| vec![0.0; t.len() - 1]).collect(),
            taps,
            factor,
            out: Vec::new(),
        }
    }

    /// Frames by which the output lags, in input frames.
    #[cfg(test)]
    fn delay(&self) -> f64 {
        let count: usize = self.taps.iter().map(Vec::len).sum();
        (count - 1) as f64 / 2.0
    }

    /// Takes a block; its length must be a multiple of the factor.
    pub(super) fn run<T: Copy + Into<f64>>(&mut self, block: &[T]) {
        for (phase, held) in self.phases.iter_mut().enumerate() {
            // Phase p of the filter meets the samples that stand factor - 1 - p before the kept.
            let from = block.iter().skip(self.factor - 1 - phase);
            held.extend(from.step_by(self.factor).map(|&v| v.into() as f32));
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

/// Adds a convolution; sixteen outputs side by side.
struct Convolve<'a> {
    taps: &'a [f32],
    samples: &'a [f32],
    out: &'a mut [f32],
}

impl Work for Convolve<'_> {
    type Output = ();

    #[inline(always)]
    fn work(self) {
        const WIDE: usize = 16;
        let reach = self.taps.len() - 1;
        let whole = self.out.len() / WIDE * WIDE;
        for (at, out) in self.out.chunks_exact_mut(WIDE).enumerate() {
            let mut sums = [0.0f32; WIDE];
            for (k, &tap) in self.taps.iter().enumerate() {
                let from = at * WIDE + reach - k;
                let samples: &[f32; WIDE] = self.samples[from..from + WIDE]
                    .try_into()
                    .expect("as many as were cut");
                for i in 0..WIDE {
                    sums[i] += tap * samples[i];
                }
            }
            for i in 0..WIDE {
                out[i] += sums[i];
            }
        }
        for (i, out) in self.out.iter_mut().enumerate().skip(whole) {
            for (k, tap) in self.taps.iter().enumerate() {
                *out += tap * self.samples[i + reach - k];
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
            let tone: Vec<f64> = (0..48_000)
                .map(|n| (std::f64::consts::TAU * hertz * f64::from(n) / 48_000.0).sin())
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
        let mut click = vec![0.0f64; 4096];
        click[1000] = 1.0;
        decimator.run(&click);
        let top = (0..1024).max_by(|&a, &b| decimator.out[a].total_cmp(&decimator.out[b]));
        let wanted = (1000.0 + decimator.delay()) / 4.0;
        assert!((top.unwrap() as f64 - wanted).abs() <= 1.0);
    }
}
