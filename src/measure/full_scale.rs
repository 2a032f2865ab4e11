//! Runs of consecutive samples at full scale, in one channel.

/// From how many samples on it is a run (common practice, no source: 3 to 4).
const SHORTEST: u64 = 3;

/// The meter of one channel. A run has one sign; its place is (first frame, length).
pub(super) struct FullScaleRuns {
    full_scale: f64,
    keep: usize,
    frames: u64,
    /// Length and sign of the run that may go on.
    open: u64,
    positive: bool,
    pub total: u64,
    pub longest: u64,
    pub listed: Vec<(u64, u64)>,
}

impl FullScaleRuns {
    /// `full_scale`: what counts as full, linear.
    pub(super) fn new(full_scale: f64, keep: usize) -> Self {
        Self {
            full_scale,
            keep,
            frames: 0,
            open: 0,
            positive: true,
            total: 0,
            longest: 0,
            listed: Vec::new(),
        }
    }

    /// `largest`: a magnitude that none of the samples passes, so that nearly always nothing
    /// need be looked at.
    pub(super) fn feed(&mut self, samples: &[f64], largest: f64) {
        if largest >= self.full_scale || self.open > 0 {
            self.look(samples);
        }
        self.frames += samples.len() as u64;
    }

    fn look(&mut self, samples: &[f64]) {
        for (index, &sample) in samples.iter().enumerate() {
            let at = self.frames + index as u64;
            let full = sample.abs() >= self.full_scale;
            let positive = sample > 0.0;
            if self.open > 0 && !(full && positive == self.positive) {
                self.close(at);
            }
            if full {
                self.open += 1;
                self.positive = positive;
            }
        }
    }

    fn close(&mut self, end: u64) {
        if self.open >= SHORTEST {
            self.total += 1;
            self.longest = self.longest.max(self.open);
            if self.listed.len() < self.keep {
                self.listed.push((end - self.open, self.open));
            }
        }
        self.open = 0;
    }

    pub(super) fn finish(&mut self) {
        self.close(self.frames);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn runs(samples: &[f64], cut: usize) -> (u64, u64, Vec<(u64, u64)>) {
        let mut meter = FullScaleRuns::new(1.0, 10);
        for part in [&samples[..cut], &samples[cut..]] {
            meter.feed(part, part.iter().fold(0.0, |top, v| top.max(v.abs())));
        }
        meter.finish();
        (meter.total, meter.longest, meter.listed)
    }

    #[test]
    fn a_run_is_at_least_three_samples_of_one_sign() {
        let mut samples = vec![0.1; 300];
        samples[10..12].fill(1.0);
        samples[70..73].fill(-1.0);
        samples[126..131].fill(1.0);
        samples[131..133].fill(-1.0);
        samples[297..300].fill(1.0);
        let wanted = (3, 5, vec![(70, 3), (126, 5), (297, 3)]);
        for cut in [0, 1, 71, 128, 129, 299, 300] {
            assert_eq!(runs(&samples, cut), wanted, "cut at {cut}");
        }
    }
}
