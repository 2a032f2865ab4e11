//! Quiet stretches of all channels, between sounds.
//!
//! In: slabs. Out: [`Event`]s.

use super::super::slabs::Slab;
use super::rows::Event;
use crate::vector::{Work, fast};

/// Frames that are looked at together.
pub(super) const CHUNK: usize = 64;

/// A mute is under -60 dBFS in all channels for 50 ms to 5 s. Own choice.
const QUIET: f64 = 1e-3;
const SHORTEST_S: f64 = 0.05;
const LONGEST_S: f64 = 5.0;

/// Quiet stretches that are kept, of the newest hours. Own choice.
const KEPT: usize = 4096;

pub(super) struct Mutes {
    rate: f64,
    tops: Vec<f64>,
    /// First frame of a quiet stretch that goes on; `None` in sound.
    open: Option<u64>,
    heard: bool,
    pub quiet: Vec<Event>,
}

/// Largest magnitude of each chunk, of all channels so far.
struct Tops<'a>(&'a [f64], &'a mut [f64]);

impl Work for Tops<'_> {
    type Output = ();

    #[inline(always)]
    fn work(self) {
        let Self(samples, tops) = self;
        for (chunk, top) in samples.chunks(CHUNK).zip(tops) {
            let mut lanes = [0.0f64; 8];
            let mut rows = chunk.chunks_exact(8);
            for row in &mut rows {
                for lane in 0..8 {
                    let magnitude = row[lane].abs();
                    lanes[lane] = if magnitude > lanes[lane] {
                        magnitude
                    } else {
                        lanes[lane]
                    };
                }
            }
            for value in lanes.iter().chain(rows.remainder()) {
                *top = if value.abs() > *top {
                    value.abs()
                } else {
                    *top
                };
            }
        }
    }
}

impl Mutes {
    pub(super) fn new(rate: f64) -> Self {
        Self {
            rate,
            tops: Vec::new(),
            open: None,
            heard: false,
            quiet: Vec::new(),
        }
    }

    pub(super) fn look(&mut self, slab: &Slab) {
        self.tops.clear();
        self.tops.resize(slab.body.len().div_ceil(CHUNK), 0.0);
        let mut channel = 0;
        while let Some(samples) = slab.channel(channel) {
            fast(Tops(samples, &mut self.tops));
            channel += 1;
        }
        for chunk in 0..self.tops.len() {
            let quiet = self.tops[chunk] < QUIET;
            let from = slab.body.start + chunk * CHUNK;
            let to = (from + CHUNK).min(slab.body.end);
            let loud = |at: &usize| (0..channel).any(|c| slab.plane(c)[*at].abs() >= QUIET);
            match (self.open, quiet) {
                (None, true) if self.heard => {
                    let before = (from.saturating_sub(CHUNK)..from).rev().find(loud);
                    self.open = slab.frame(before.map_or(from, |at| at + 1));
                }
                (Some(start), false) => {
                    let end = slab.frame((from..to).find(loud).unwrap_or(from));
                    self.open = None;
                    self.keep(start, end.unwrap_or(start));
                }
                _ => {}
            }
            self.heard |= !quiet;
        }
    }

    fn keep(&mut self, start: u64, end: u64) {
        let length = (end - start) as f64 / self.rate;
        if (SHORTEST_S..=LONGEST_S).contains(&length) {
            if self.quiet.len() == KEPT {
                self.quiet.remove(0);
            }
            self.quiet.push(Event {
                start,
                end,
                level: 0.0,
            });
        }
    }
}
