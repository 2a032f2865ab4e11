//! Mutes at a constant period of more than ten seconds, as processing leaves them that was never
//! paid for.
//!
//! In: blocks of samples. Out: [`PeriodicFacts`]. Knows no files. Tones are not looked for:
//! music that is looped has the same tone at the same period by intent.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::super::Spots;
use super::slabs::{Slab, Slabs};
use crate::units::Hertz;
use crate::vector::{Work, fast};

/// Frames that are looked at together.
const CHUNK: usize = 64;

/// A mute is under -60 dBFS in all channels for 50 ms to 5 s. Own choice.
const QUIET: f64 = 1e-3;
const SHORTEST_S: f64 = 0.05;
const LONGEST_S: f64 = 5.0;

/// From which period on, in seconds: shorter ones are rhythm. Own choice.
const PERIOD_S: f64 = 10.0;

/// Periods and lengths are equal within 10 ms. Own choice.
const EQUAL_S: f64 = 0.01;

/// Periods that must be equal.
const PERIODS: usize = 3;

/// Quiet stretches that are kept, of the newest hours. Own choice.
const KEPT: usize = 4096;

/// A row of equal mutes.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct PeriodicMutes {
    pub period_s: f64,
    pub length_s: f64,
    pub count: u64,
    /// Frames with which they begin.
    pub start_frames: Vec<u64>,
    /// 0 to 1.
    pub confidence: f64,
}

/// What was found. The size of a spot is the period in seconds.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct PeriodicFacts {
    pub mutes: Option<PeriodicMutes>,
    /// One for each mute.
    pub spots: Spots,
}

/// The meter: quiet stretches of all channels with equal lengths and equal distances, at least
/// `PERIODS` distances in a row. Own method.
pub struct PeriodicMeter {
    slabs: Slabs,
    scan: Scan,
}

struct Scan {
    rate: f64,
    tops: Vec<f64>,
    /// First frame of a quiet stretch that goes on; `None` in sound.
    open: Option<u64>,
    heard: bool,
    /// Quiet stretches: first frame, end.
    quiet: Vec<(u64, u64)>,
}

impl PeriodicMeter {
    pub fn new(rate: Hertz, channels: usize) -> Self {
        Self {
            slabs: Slabs::new(channels, CHUNK),
            scan: Scan {
                rate: f64::from(rate.value()),
                tops: Vec::new(),
                open: None,
                heard: false,
                quiet: Vec::new(),
            },
        }
    }

    /// Takes the next samples, `[channel][frame]`, all channels equally long.
    pub fn feed(&mut self, planes: &[&[f64]]) {
        let Self { slabs, scan } = self;
        slabs.feed(planes, |slab| scan.look(slab));
    }

    pub fn finish(self) -> PeriodicFacts {
        let Self { slabs, mut scan } = self;
        let slab = slabs.slab();
        scan.look(&slab);
        scan.verdict(slab.end())
    }
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

impl Scan {
    fn look(&mut self, slab: &Slab) {
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
            self.quiet.push((start, end));
        }
    }

    /// The longest row of equal mutes; `frames`: length of the file.
    fn verdict(self, frames: u64) -> PeriodicFacts {
        let equal = EQUAL_S * self.rate;
        let mut best: Vec<(u64, u64)> = Vec::new();
        for (index, &first) in self.quiet.iter().enumerate() {
            let same = |other: &&(u64, u64)| {
                (other.1 - other.0).abs_diff(first.1 - first.0) as f64 <= equal
            };
            // Twelve candidates for the second one: more would be rhythm.
            for second in self.quiet[index + 1..].iter().filter(same).take(12) {
                let period = second.0 - first.0;
                if (period as f64) < PERIOD_S * self.rate {
                    continue;
                }
                let mut row = vec![first];
                for mute in self.quiet[index + 1..].iter().filter(same) {
                    let due = row[row.len() - 1].0 + period;
                    if mute.0.abs_diff(due) as f64 <= equal {
                        row.push(*mute);
                    }
                }
                if row.len() > best.len() {
                    best = row;
                }
            }
        }
        if best.len() <= PERIODS {
            return PeriodicFacts::default();
        }
        self.facts(&best, frames)
    }

    fn facts(&self, row: &[(u64, u64)], frames: u64) -> PeriodicFacts {
        use super::super::Spot;
        let (first, last) = (row[0], row[row.len() - 1]);
        let period = (last.0 - first.0) as f64 / (row.len() - 1) as f64;
        let length = row.iter().map(|m| (m.1 - m.0) as f64).sum::<f64>() / row.len() as f64;
        // A demonstration mutes from the first period to the end of the file, and mutes alone;
        // a pause of the music comes among others, and ends with the part it belongs to.
        let before = first.0 as f64 / period;
        let after = (frames - last.0) as f64 / period;
        let throughout = if before < 1.1 && after < 1.1 {
            1.0
        } else {
            0.5
        };
        let others = (self.quiet.len() - row.len()) as f64 / row.len() as f64;
        let only = (1.0 - 0.5 * others).max(0.3);
        let enough = ((row.len() - 1) as f64 / (PERIODS + 1) as f64).min(1.0);
        let confidence = 0.8 * throughout * only * (0.5 + 0.5 * enough);
        let mut spots = Spots::default();
        for &(start, end) in row {
            spots.push(Spot {
                start,
                end,
                channel: None,
                size: period / self.rate,
                confidence,
                inherited: false,
            });
        }
        PeriodicFacts {
            mutes: Some(PeriodicMutes {
                period_s: period / self.rate,
                length_s: length / self.rate,
                count: row.len() as u64,
                start_frames: row.iter().map(|mute| mute.0).collect(),
                confidence,
            }),
            spots,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::testing::{cut, noise};
    use super::*;

    const RATE: u32 = 8000;

    fn mutes(starts: &[usize], lengths: &[usize], block: usize) -> PeriodicFacts {
        let mut samples = noise(50 * RATE as usize, 3);
        for (&start, &length) in starts.iter().zip(lengths) {
            samples[start..start + length].fill(0.0);
        }
        let mut meter = PeriodicMeter::new(Hertz::new(RATE).expect("not 0"), 2);
        cut(&[&samples, &samples], block, |planes| meter.feed(planes));
        meter.finish()
    }

    #[test]
    fn equal_mutes_at_equal_distances_are_told_together() {
        let starts = [40_000, 136_000, 232_000, 328_000];
        let whole = mutes(&starts, &[4000; 4], 400_000);
        let found = whole.mutes.clone().expect("a row");
        assert_eq!(found.start_frames, [40_000, 136_000, 232_000, 328_000]);
        assert_eq!((found.period_s, found.length_s), (12.0, 0.5));
        assert!(found.confidence > 0.5);
        assert_eq!(mutes(&starts, &[4000; 4], 777), whole);
    }

    #[test]
    fn other_lengths_other_distances_and_rhythms_are_no_row() {
        let starts = [40_000, 136_000, 232_000, 328_000];
        let late = [40_000, 136_000, 232_000, 328_200];
        let rhythm: Vec<usize> = (1..12).map(|i| i * 32_000).collect();
        assert_eq!(mutes(&starts, &[4000, 4000, 4400, 4000], 4096).mutes, None);
        assert_eq!(mutes(&late, &[4000; 4], 4096).mutes, None);
        let dense = mutes(&rhythm, &[4000; 11], 4096).mutes;
        assert!(dense.is_none_or(|row| row.confidence < 0.5));
    }
}
