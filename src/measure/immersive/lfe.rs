//! What a low-frequency channel carries: how much lies over 500 Hz against 20 to 120 Hz.
//!
//! Two plain filters of fourth order. The comparison tells a low-passed effect (-29 dB and less)
//! from a full-range signal (about 0 dB): common practice, no source.

use crate::units::Dbfs;

/// One biquad after the bilinear transform of a second-order Butterworth section.
#[derive(Clone, Copy)]
struct Section {
    b: [f64; 3],
    a: [f64; 2],
    memory: [f64; 2],
}

impl Section {
    fn step(&mut self, x: f64) -> f64 {
        let y = self.b[0] * x + self.memory[0];
        self.memory[0] = self.b[1] * x - self.a[0] * y + self.memory[1];
        self.memory[1] = self.b[2] * x - self.a[1] * y;
        y
    }
}

/// Q of the two sections of a fourth-order Butterworth filter: 1 / (2 cos(pi/8)) and
/// 1 / (2 cos(3 pi/8)).
const QUALITIES: [f64; 2] = [0.541_196_100_146_197, 1.306_562_964_876_377];

fn butterworth(frequency: f64, rate: f64, high: bool) -> [Section; 2] {
    QUALITIES.map(|quality| {
        let k = (std::f64::consts::PI * frequency / rate).tan();
        let norm = 1.0 / (1.0 + k / quality + k * k);
        let b = match high {
            true => [norm, -2.0 * norm, norm],
            false => [k * k * norm, 2.0 * k * k * norm, k * k * norm],
        };
        let a = [
            2.0 * (k * k - 1.0) * norm,
            (1.0 - k / quality + k * k) * norm,
        ];
        Section {
            b,
            a,
            memory: [0.0; 2],
        }
    })
}

/// The meter of one low-frequency channel.
pub(super) struct LfeMeter {
    over_500: [Section; 2],
    over_20: [Section; 2],
    under_120: [Section; 2],
    high: f64,
    low: f64,
    squares: f64,
    largest: f64,
    frames: u64,
}

/// Under this there is nothing to compare: own choice.
const QUIET_DBFS: f64 = -70.0;

impl LfeMeter {
    pub(super) fn new(rate: f64) -> Self {
        Self {
            over_500: butterworth(500.0, rate, true),
            over_20: butterworth(20.0, rate, true),
            under_120: butterworth(120.0, rate, false),
            high: 0.0,
            low: 0.0,
            squares: 0.0,
            largest: 0.0,
            frames: 0,
        }
    }

    pub(super) fn feed(&mut self, samples: &[f64]) {
        let through = |sections: &mut [Section; 2], x: f64| {
            sections.iter_mut().fold(x, |x, section| section.step(x))
        };
        for &x in samples {
            let high = through(&mut self.over_500, x);
            let band = through(&mut self.over_20, x);
            let low = through(&mut self.under_120, band);
            self.high += high * high;
            self.low += low * low;
            self.squares += x * x;
            self.largest = self.largest.max(x.abs());
        }
        self.frames += samples.len() as u64;
    }

    pub(super) fn rms(&self) -> Option<Dbfs> {
        Dbfs::from_linear((self.squares / self.frames.max(1) as f64).sqrt())
    }

    pub(super) fn sample_peak(&self) -> Option<Dbfs> {
        Dbfs::from_linear(self.largest)
    }

    /// Energy over 500 Hz less that from 20 to 120 Hz, dB; -200 to 200.
    pub(super) fn high_less_low_db(&self) -> Option<f64> {
        self.rms().filter(|rms| rms.value() >= QUIET_DBFS)?;
        let least = self.squares * 1e-20;
        Some(10.0 * (self.high.max(least) / self.low.max(least)).log10())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sine(frequency: f64) -> LfeMeter {
        let mut meter = LfeMeter::new(48_000.0);
        // Faded in: the edge of a tone that begins at once has high frequencies of its own.
        let samples: Vec<f64> = (0..192_000)
            .map(|n| f64::from(n) / 48_000.0)
            .map(|t| 0.5 * t.min(1.0) * (2.0 * std::f64::consts::PI * frequency * t).sin())
            .collect();
        meter.feed(&samples);
        meter
    }

    /// Butterworth of order n: 10 lg(1 + (f/fc)^(2n)) dB down (any handbook of filters).
    #[test]
    fn tones_fall_on_the_side_they_belong_to() {
        let low = sine(50.0).high_less_low_db().unwrap();
        let expected = -10.0 * (1.0 + 10f64.powi(8)).log10();
        assert!((low - expected).abs() < 1.0, "{low} against {expected}");
        assert!(sine(2000.0).high_less_low_db().unwrap() > 80.0);
    }

    #[test]
    fn silence_has_no_comparison() {
        let mut meter = LfeMeter::new(48_000.0);
        meter.feed(&[0.0; 4800]);
        assert_eq!(meter.high_less_low_db(), None);
        assert_eq!(meter.rms(), None);
    }
}
