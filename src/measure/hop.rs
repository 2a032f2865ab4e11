//! Loudness in steps of 100 ms: the integrated figure and the loudest 3 s of something that is
//! only one of many. Coarser than the programme's meter in the maximum alone, whose windows
//! begin every 100 ms (EBU Tech 3341, clause 2.2, asks for no finer).

use super::loudness::{GateHistogram, loudness_of, step_start};
use crate::units::{Hertz, Lufs};

const MOMENTARY_HOPS: usize = 4;
const SHORT_TERM_HOPS: usize = 30;

pub(super) struct HopLoudness {
    rate: Hertz,
    energy: [f64; SHORT_TERM_HOPS],
    hops: u64,
    gating: GateHistogram,
    loudest: f64,
    short_term: Option<f64>,
}

impl HopLoudness {
    pub(super) fn new(rate: Hertz) -> Self {
        Self {
            rate,
            energy: [0.0; SHORT_TERM_HOPS],
            hops: 0,
            gating: GateHistogram::new(),
            loudest: 0.0,
            short_term: None,
        }
    }

    /// The first frame of a hop.
    pub(super) fn start(hop: u64, rate: Hertz) -> u64 {
        step_start(hop * 10, rate)
    }

    /// Takes the weighted energy of the next 100 ms.
    pub(super) fn step(&mut self, energy: f64) {
        self.energy[(self.hops % SHORT_TERM_HOPS as u64) as usize] = energy;
        self.hops += 1;
        if let Some(power) = self.window(MOMENTARY_HOPS) {
            self.gating.add(power);
        }
        self.short_term = self.window(SHORT_TERM_HOPS);
        if let Some(power) = self.short_term.filter(|power| power.is_finite()) {
            self.loudest = self.loudest.max(power);
        }
    }

    fn window(&self, length: usize) -> Option<f64> {
        let first = self.hops.checked_sub(length as u64)?;
        let frames = Self::start(self.hops, self.rate) - Self::start(first, self.rate);
        let sum: f64 = (first..self.hops)
            .map(|hop| self.energy[(hop % SHORT_TERM_HOPS as u64) as usize])
            .sum();
        Some(sum / frames as f64)
    }

    /// Short-term loudness of the 3 s that end now; `None` before 3 s, or in silence.
    pub(super) fn short_term_now(&self) -> Option<Lufs> {
        Lufs::new(loudness_of(self.short_term?))
    }

    pub(super) fn integrated(&self) -> Option<Lufs> {
        self.gating.integrated().0
    }

    pub(super) fn short_term_max(&self) -> Option<Lufs> {
        Lufs::new(loudness_of(self.loudest))
    }
}
