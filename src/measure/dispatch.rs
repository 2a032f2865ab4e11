//! The hot loops of the meters, as work that [`crate::vector`] compiles for the processor that
//! is there; a test holds both ways against each other.

#[cfg(test)]
use crate::vector::by_processor;
pub(super) use crate::vector::{Work, fast};

use super::true_peak::{SEARCH_TAPS, SIDE, TILE, WINDOW};

/// Points of the search on one phase: sample `i` of the tile and its neighbours.
pub(super) type Points = [f32; TILE + 2];

/// Largest magnitude.
pub(super) struct Largest<'a>(pub &'a [f64]);

impl Work for Largest<'_> {
    type Output = f64;

    #[inline(always)]
    fn work(self) -> f64 {
        let mut lanes = [0.0f64; 16];
        let mut rows = self.0.chunks_exact(16);
        for row in &mut rows {
            for (lane, value) in lanes.iter_mut().zip(row) {
                let magnitude = value.abs();
                *lane = if magnitude > *lane { magnitude } else { *lane };
            }
        }
        let rest = rows
            .remainder()
            .iter()
            .fold(0.0f64, |top, value| top.max(value.abs()));
        lanes.iter().fold(rest, |top, &lane| top.max(lane))
    }
}

/// The reading filter's output at one point: samples and taps one against one.
pub(super) struct Dot<'a>(pub &'a [f64], pub &'a [f64; 2 * SIDE]);

impl Work for Dot<'_> {
    type Output = f64;

    #[inline(always)]
    fn work(self) -> f64 {
        // Sixteen running sums in a fixed order: fast, and the same bits on every host.
        let mut lanes = [0.0; 16];
        for (x, h) in self.0.chunks_exact(16).zip(self.1.chunks_exact(16)) {
            for lane in 0..16 {
                lanes[lane] += x[lane] * h[lane];
            }
        }
        let mut width = 8;
        while width > 0 {
            for lane in 0..width {
                lanes[lane] += lanes[lane + width];
            }
            width /= 2;
        }
        lanes[0]
    }
}

/// A low-pass of which only every `by`th value is computed, as many as `out` holds. `taps`:
/// whole rows of 16. Products are summed in eight running sums that are stored before they are
/// added up: added up at once, they are not made into wide vector code.
pub(super) struct Thinned<'a> {
    pub line: &'a [f32],
    pub taps: &'a [f32],
    pub by: usize,
    pub out: &'a mut [f32],
}

impl Work for Thinned<'_> {
    type Output = ();

    #[inline(always)]
    fn work(self) {
        const TOGETHER: usize = 16;
        let (taps, _) = self.taps.as_chunks::<16>();
        let mut partial = [[0.0f32; 8]; TOGETHER];
        for (group, out) in self.out.chunks_mut(TOGETHER).enumerate() {
            for (index, partial) in partial[..out.len()].iter_mut().enumerate() {
                let from = (group * TOGETHER + index) * self.by;
                let (samples, _) = self.line[from..from + self.taps.len()].as_chunks::<16>();
                let mut sums = [0.0f32; 16];
                for (samples, taps) in samples.iter().zip(taps) {
                    for lane in 0..16 {
                        sums[lane] += samples[lane] * taps[lane];
                    }
                }
                for lane in 0..8 {
                    partial[lane] = sums[lane] + sums[lane + 8];
                }
            }
            for (out, [a, b, c, d, e, f, g, h]) in out.iter_mut().zip(&partial) {
                *out = ((a + b) + (c + d)) + ((e + f) + (g + h));
            }
        }
    }
}

/// What the search says of one tile.
pub(super) struct Found {
    /// `[phase][i]`: magnitude of the search filter's output, each phase levelled to 1 for a
    /// constant; `i` from 1 to `TILE` is the tile, 0 and `TILE + 1` are its neighbours.
    pub points: [Points; 4],
    /// `[i - 1]`: the largest of the phases' points at `i` and the sample after them.
    pub tops: [f32; TILE],
    /// Largest magnitude of the filter's own output, not levelled, within the tile.
    pub top: f32,
}

impl Found {
    pub(super) fn new() -> Self {
        Self {
            points: [[0.0; TILE + 2]; 4],
            tops: [0.0; TILE],
            top: 0.0,
        }
    }
}

/// The search filter over a tile. `window` holds [`WINDOW`] samples; point `i` of a phase uses
/// `window[i .. i + 12]`, and the sample after it is `window[i + 6]`.
pub(super) struct Search<'a> {
    pub window: &'a [f64],
    pub phases: &'a [[f32; SEARCH_TAPS]],
    pub level: &'a [f32],
    pub found: &'a mut Found,
}

impl Work for Search<'_> {
    type Output = ();

    #[inline(always)]
    fn work(self) {
        search(self.window, self.phases, self.level, self.found);
    }
}

#[inline(always)]
fn search(window: &[f64], phases: &[[f32; SEARCH_TAPS]], level: &[f32], found: &mut Found) {
    let window: &[f64; WINDOW] = window.try_into().expect("the caller cuts a whole window");
    let mut x = [0.0f32; WINDOW];
    for (to, from) in x.iter_mut().zip(window) {
        *to = *from as f32;
    }
    let larger = |top: &mut f32, magnitude: f32| {
        *top = if magnitude > *top { magnitude } else { *top };
    };
    for (top, sample) in found.tops.iter_mut().zip(&x[7..]) {
        *top = sample.abs();
    }
    let mut raw = [0.0f32; TILE];
    for ((taps, level), out) in phases.iter().zip(level).zip(found.points.iter_mut()) {
        let mut sums = [0.0f32; TILE];
        for (k, tap) in taps.iter().enumerate() {
            let x: &[f32; TILE] = x[k + 1..k + 1 + TILE]
                .try_into()
                .expect("inside the window");
            for (sum, sample) in sums.iter_mut().zip(x) {
                *sum += tap * sample;
            }
        }
        for i in 0..TILE {
            let magnitude = sums[i].abs();
            larger(&mut raw[i], magnitude);
            out[i + 1] = magnitude * level;
            larger(&mut found.tops[i], magnitude * level);
        }
        let single = |i: usize| -> f32 {
            taps.iter()
                .zip(&x[i..])
                .map(|(tap, sample)| tap * sample)
                .sum()
        };
        out[0] = single(0).abs() * level;
        out[TILE + 1] = single(TILE + 1).abs() * level;
    }
    found.top = raw
        .iter()
        .fold(0.0f32, |top, &value| if value > top { value } else { top });
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn both_compilations_give_the_same_bits() {
        let mut seed = 7u64;
        let mut next = || {
            seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1);
            (seed >> 33) as f64 / (1u64 << 30) as f64 - 1.0
        };
        let phases: Vec<[f32; SEARCH_TAPS]> = (0..4)
            .map(|_| std::array::from_fn(|_| next() as f32))
            .collect();
        for _ in 0..200 {
            let window: Vec<f64> = (0..WINDOW).map(|_| next()).collect();
            let level = [1.1, 0.9, 1.0, 1.2];
            let (mut plain, mut chosen) = (Found::new(), Found::new());
            search(&window, &phases, &level, &mut plain);
            by_processor(Search {
                window: &window,
                phases: &phases,
                level: &level,
                found: &mut chosen,
            });
            assert_eq!(plain.points, chosen.points);
            assert_eq!((plain.tops, plain.top), (chosen.tops, chosen.top));
            let taps: [f64; 2 * SIDE] = std::array::from_fn(|_| next());
            let samples: Vec<f64> = (0..2 * SIDE).map(|_| next()).collect();
            let dot = by_processor(Dot(&samples, &taps));
            assert_eq!(dot, Dot(&samples, &taps).work());
            let plain: f64 = samples.iter().zip(&taps).map(|(x, h)| x * h).sum();
            assert!((dot - plain).abs() < 1e-12);
            let line: Vec<f32> = samples.iter().map(|&x| x as f32).collect();
            let taps: Vec<f32> = taps.iter().take(48).map(|&h| h as f32).collect();
            let thinned = |thin: &dyn Fn(Thinned)| {
                let mut out = [0.0; 8];
                thin(Thinned {
                    line: &line,
                    taps: &taps,
                    by: 11,
                    out: &mut out,
                });
                out
            };
            let out = thinned(&|work| by_processor(work));
            assert_eq!(out, thinned(&|work| work.work()));
            for (at, out) in out.iter().enumerate() {
                let plain: f32 = taps.iter().zip(&line[at * 11..]).map(|(h, x)| h * x).sum();
                assert!((out - plain).abs() < 1e-5);
            }
            let far = window.iter().fold(0.0f64, |top, v| top.max(v.abs()));
            assert_eq!(by_processor(Largest(&window)), far);
        }
    }
}
