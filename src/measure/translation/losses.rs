//! How much of the loudness mono loses, over time.
//!
//! In: per 100 ms the K-weighted energies of stereo and of mono as dual mono. Out: the worst 3 s
//! window and the passages that lose more than 6 LU (6.02 LU is a correlation of -0.5).

use crate::measure::hop::HopLoudness;
use crate::measure::loudness::loudness_of;
use crate::measure::{Spot, Spots};
use crate::units::Hertz;

const WINDOW_HOPS: u64 = 30;
const MUCH_LU: f64 = 6.0;
/// A window under this is not looked at: own choice, 10 LU over the absolute gate.
const SOUNDING_LUFS: f64 = -60.0;

pub(super) struct Losses {
    rate: Hertz,
    ring: Vec<[f64; 2]>,
    hops: u64,
    /// Loss and first frame of the worst window.
    pub worst: Option<(f64, u64)>,
    open: Option<Spot>,
    pub places: Spots,
    /// Frames in those places.
    pub frames: u64,
}

impl Losses {
    pub(super) fn new(rate: Hertz) -> Self {
        Self {
            rate,
            ring: vec![[0.0; 2]; WINDOW_HOPS as usize],
            hops: 0,
            worst: None,
            open: None,
            places: Spots::default(),
            frames: 0,
        }
    }

    pub(super) fn step(&mut self, stereo: f64, mono: f64) {
        self.ring[(self.hops % WINDOW_HOPS) as usize] = [stereo, mono];
        self.hops += 1;
        let Some(first) = self.hops.checked_sub(WINDOW_HOPS) else {
            return;
        };
        let start = HopLoudness::start(first, self.rate);
        let end = HopLoudness::start(self.hops, self.rate);
        // In the ring's own order: the window's sum must not hang on where it began.
        let mut sums = [0.0; 2];
        for hop in first..self.hops {
            let energies = self.ring[(hop % WINDOW_HOPS) as usize];
            sums[0] += energies[0];
            sums[1] += energies[1];
        }
        if loudness_of(sums[0] / (end - start) as f64) < SOUNDING_LUFS {
            return;
        }
        // Opposite to the last bit leaves nothing: 100 LU stand for that.
        let loss = (10.0 * (sums[0] / sums[1]).log10()).min(100.0);
        if self.worst.is_none_or(|(worst, _)| loss > worst) {
            self.worst = Some((loss, start));
        }
        if loss <= MUCH_LU {
            return;
        }
        match &mut self.open {
            Some(open) if start <= open.end => {
                open.end = end;
                open.size = open.size.max(loss);
            }
            _ => {
                self.close();
                self.open = Some(Spot {
                    start,
                    end,
                    channel: None,
                    size: loss,
                    confidence: 0.4,
                    inherited: false,
                    summarised: false,
                });
            }
        }
    }

    pub(super) fn close(&mut self) {
        if let Some(open) = self.open.take() {
            self.frames += open.end - open.start;
            self.places.push(open);
        }
    }
}
