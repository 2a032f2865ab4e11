//! The frame grid of Opus in its music mode (CELT), where nothing is coded over 20 kHz: at the
//! codec's own frame offset, and at no other, the coefficients just over 20 kHz are nothing.
//!
//! In: segments at 48 kHz. Out: the offset that stands out. RFC 6716, clauses 4.3 (frames of
//! 20 ms, bands up to 20 kHz), 4.3.7 (MDCT with low-overlap window) and 4.3.7.2 (de-emphasis).
//! Method: as in `lossy`, on the coefficients that the codec never writes; own transfer.

use std::f64::consts::PI;

use super::lossy::{SCALE, both};
use super::offsets::{Course, Dips};
use super::segments::Segment;
use super::transform::{LANES, Lanes, plus};
use super::types::CodecFamily;
use crate::vector::{Work, fast};

/// Coefficients of a 20 ms frame at 48 kHz; also the hop.
const FRAME: usize = 960;
/// Samples in which neighbouring frames overlap.
const OVERLAP: usize = 120;
/// The window is zero before this.
const LEAD: usize = (FRAME - OVERLAP) / 2;
/// From the first sample of the window that is not zero to the last.
const SPAN: usize = FRAME + OVERLAP;
/// The first coefficient over 20 kHz.
const FIRST: usize = 800;
/// Own choice: as far as the overlap's slopes spread what lies under 20 kHz.
const COUNT: usize = 24;
/// RFC 6716, 4.3.7.2.
const EMPHASIS: f32 = 0.850_006_1;
/// Offsets that are measured: a frame and the sides, in whole groups.
const OFFSETS: usize = FRAME + LANES;

/// The framing search.
pub(super) struct Search {
    table: Vec<[f32; COUNT]>,
    pub(super) dips: Dips,
}

impl Search {
    pub(super) fn new() -> Self {
        Self {
            table: table(),
            dips: Dips::new(CodecFamily::Opus, FRAME, vec![COUNT]),
        }
    }

    pub(super) fn take(&mut self, segment: &Segment) {
        let [left, ..] = segment.steady();
        if !left {
            return;
        }
        let samples: Vec<f32> = std::iter::once(0.0)
            .chain(
                segment
                    .left
                    .windows(2)
                    .map(|two| two[1] - EMPHASIS * two[0]),
            )
            .map(|v| v * SCALE)
            .collect();
        let mut course = Course::new(1, OFFSETS);
        for first in (0..OFFSETS).step_by(LANES) {
            let lanes = fast(Frame {
                samples: &samples[first + LEAD..],
                table: &self.table,
            });
            for (lane, &value) in lanes.iter().enumerate() {
                course.add(0, first + lane, value);
            }
        }
        self.dips.add(&course, segment.start);
    }
}

/// Windowed cosines, `[sample][coefficient]`.
fn table() -> Vec<[f32; COUNT]> {
    let size = FRAME as f64;
    (0..SPAN)
        .map(|n| {
            let edge = n.min(SPAN - 1 - n) as f64;
            let rise = (PI / 2.0 * (edge + 0.5) / OVERLAP as f64).sin();
            let window = if edge < OVERLAP as f64 {
                (PI / 2.0 * rise * rise).sin()
            } else {
                1.0
            };
            let time = (n + LEAD) as f64 + 0.5 + size / 2.0;
            let mut row = [0.0; COUNT];
            for (k, value) in row.iter_mut().enumerate() {
                let angle = PI / size * time * ((FIRST + k) as f64 + 0.5);
                *value = (window * angle.cos() * (2.0 / size).sqrt()) as f32;
            }
            row
        })
        .collect()
}

struct Frame<'a> {
    samples: &'a [f32],
    table: &'a [[f32; COUNT]],
}

impl Work for Frame<'_> {
    type Output = Lanes;

    #[inline(always)]
    fn work(self) -> Lanes {
        let mut sum = [0.0; LANES];
        // Eight coefficients at a time stay in registers.
        for part in (0..COUNT).step_by(8) {
            let mut lines = [[0.0f32; LANES]; 8];
            for (row, at) in self.table.iter().zip(self.samples.windows(LANES)) {
                for (line, &cosine) in lines.iter_mut().zip(&row[part..part + 8]) {
                    for lane in 0..LANES {
                        line[lane] += at[lane] * cosine;
                    }
                }
            }
            for two in lines.chunks(2) {
                sum = plus(sum, both(two[0], two[1]));
            }
        }
        sum
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::measure::provenance::segments::{SEGMENT, Segments};

    #[test]
    fn frames_that_stop_at_20_khz_are_found_where_they_began() {
        // Synthesis of RFC 6716 in small: noise in the coefficients around 19 kHz, none over
        // 20 kHz, window, overlap-add, de-emphasis; begun 123 samples before the file.
        let mut state = 5u32;
        let mut chance = || {
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            f64::from(state >> 8) / 8_388_608.0 - 1.0
        };
        let (frames, begun) = (14, 123);
        let mut wave = vec![0.0f64; (frames + 1) * FRAME];
        let size = FRAME as f64;
        for frame in 0..frames {
            let lines: Vec<f64> = (0..20).map(|_| 0.02 * chance()).collect();
            for n in 0..SPAN {
                let edge = n.min(SPAN - 1 - n) as f64;
                let rise = (PI / 2.0 * (edge + 0.5) / OVERLAP as f64).sin();
                let window = if edge < OVERLAP as f64 {
                    (PI / 2.0 * rise * rise).sin()
                } else {
                    1.0
                };
                let time = (n + LEAD) as f64 + 0.5 + size / 2.0;
                let value: f64 = lines
                    .iter()
                    .enumerate()
                    .map(|(k, line)| line * (PI / size * time * (780.5 + k as f64)).cos())
                    .sum();
                wave[frame * FRAME + n] += window * value;
            }
        }
        let mut last = 0.0;
        for value in &mut wave {
            last = *value + f64::from(EMPHASIS) * last;
            *value = last;
        }
        let mut segments = Segments::default();
        for (index, part) in wave[LEAD + begun..].chunks_exact(SEGMENT).enumerate() {
            segments.look((index * SEGMENT) as u64, &[part]);
        }
        let mut search = Search::new();
        for segment in segments.finish() {
            search.take(&segment);
        }
        let framing = search.dips.best().expect("a framing");
        assert!(framing.strength() > 3.0, "{framing:?}");
        // The wave begins LEAD samples into a frame, and the file LEAD + begun later.
        assert_eq!(
            framing.offset as usize,
            (2 * FRAME - 2 * LEAD - begun) % FRAME
        );
    }
}
