//! The last seconds of one track's remainder, in bands, and where it is too strong to be an honest
//! mastering.
//!
//! In: one [`Window`] every 21 ms. Out: [`Mark`]s, stretches of 20 ms to 6 s in which more
//! remains in one band than gain, equaliser, compression, limiting and saturation leave. What is
//! kept does not grow with the programme.

use std::collections::VecDeque;
use std::ops::Range;

use super::layout::{BANDS, FIRST_FINE};
use super::places::GAP;

/// One window of a track.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Window {
    /// Power that remains, in each band.
    pub(super) remains: [f32; BANDS],
    /// Power of the programme: of master or expected master, whichever is more.
    pub(super) programme: [f32; BANDS],
    /// Power of the equalised mix.
    pub(super) expected: [f32; BANDS],
    /// Gain of most knots.
    pub(super) gain: f32,
    /// Whether the place of the master is known.
    pub(super) aligned: bool,
}

/// Limit that is never reached: over so long a time the bass of honest masters remains as strongly
/// as any window may count for.
const NONE: f32 = f32::INFINITY;
/// Windows over which the remainder is averaged, and the level relative to the whole programme from
/// which it is told, in dB: 40 to 150, 150 to 350, 350 to 700, 700 to 1200 Hz and above. Own
/// measurement: in 360 honest masters of ten made songs with at most 7 dB of gain reduction the
/// worst lies 0.5 to 4 dB under each limit, but for one compressor of 7 dB at 700 to 1200 Hz. 192
/// honest masters of eight other songs, which set no limit, stay under all of them.
pub(super) const SCALES: [Scale; 7] = [
    Scale::new(1, [9.0, 1.0, -11.0, -14.0, -14.5]),
    Scale::new(2, [7.0, -1.0, -13.0, -16.0, -17.0]),
    Scale::new(4, [8.0, -3.0, -14.0, -18.0, -19.5]),
    Scale::new(8, [NONE, NONE, -16.0, -19.5, -21.0]),
    Scale::new(23, [NONE, NONE, -18.5, -22.0, -23.5]),
    Scale::new(70, [NONE, NONE, -21.5, -24.5, -25.5]),
    Scale::new(282, [NONE, NONE, -22.5, -26.0, -28.5]),
];
/// Bands with a limit of their own, from the lowest on; the last limit holds for the rest.
const LIMITS: usize = 5;

#[derive(Clone, Copy, Debug)]
pub(super) struct Scale {
    pub(super) windows: usize,
    limits_db: [f32; LIMITS],
}

impl Scale {
    const fn new(windows: usize, limits_db: [f32; LIMITS]) -> Self {
        Self { windows, limits_db }
    }

    fn limit_db(&self, band: usize) -> f32 {
        self.limits_db[band.min(LIMITS - 1)]
    }
}

/// Shortest stretch of programme that a remainder is held against: louder music masks what lies
/// within some 50 ms of it. Own choice.
const REFERENCE: usize = 5;
/// From so many windows on a stretch must remain throughout: no window counts for more than 12 dB
/// under the programme, so that a short event is not told over seconds.
const SUSTAINED: usize = 8;
const CAP: f64 = 0.063;
/// Windows either side in which the gain about a hole is looked for: 0.5 s.
const BESIDE: usize = 24;
/// Of the gain either side, under which a window is a hole: 8 dB. Compression of 3 dB does not
/// come near it.
const HOLE: f32 = 0.4;
/// Of a window's expected power, from which its neighbours tell a gain: 20 dB less.
const SOUNDS: f32 = 0.01;
/// Rank of the gain either side.
const RANK: usize = BESIDE * 3 / 4;
/// Of the programme's long mean power, under which nothing is told: 30 dB.
const QUIET: f64 = 1e-3;
/// Windows that count for that mean: 20 s.
const LONG: f64 = 950.0;
/// Under this mean power a window is silent: -90 dBFS in a bin.
const SILENT: f64 = 1e-6;
const KEEP: usize = SCALES[SCALES.len() - 1].windows;

/// A stretch in which too much remains.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Mark {
    pub(super) band: usize,
    /// Windows, from the first to before the last.
    pub(super) start: i64,
    pub(super) end: i64,
    /// Under the whole programme.
    pub(super) level_db: f32,
    /// Over the limit.
    pub(super) excess_db: f32,
}

/// Running sums up to a window.
#[derive(Clone, Copy, Debug, Default)]
struct Sums {
    remains: [f64; BANDS],
    /// The same, no window for more than a share of the programme.
    capped: [f64; BANDS],
    programme: f64,
}

#[derive(Debug, Default)]
pub(super) struct History {
    /// Windows whose neighbours are not all there.
    waiting: VecDeque<Window>,
    /// Running sums of the last windows, the newest last.
    sums: VecDeque<Sums>,
    /// Windows that went into `sums`.
    summed: i64,
    long_mean: f64,
    counted: f64,
    /// Sum over sounding windows of the share that is explained, and their number.
    pub(super) explained: f64,
    pub(super) sounding: f64,
    /// Sounding windows whose place in the master was not known.
    pub(super) unaligned: f64,
}

impl History {
    pub(super) fn push(&mut self, window: Window, marks: &mut Vec<Mark>) {
        self.waiting.push_back(window);
        if self.waiting.len() > 2 * BESIDE {
            self.settle(BESIDE, marks);
            self.waiting.pop_front();
        } else if self.waiting.len() > BESIDE {
            // At the head there are fewer before.
            self.settle(self.waiting.len() - 1 - BESIDE, marks);
        }
    }

    pub(super) fn finish(&mut self, marks: &mut Vec<Mark>) {
        let from = self.waiting.len().saturating_sub(BESIDE);
        for index in from..self.waiting.len() {
            self.settle(index, marks);
        }
        self.waiting.clear();
    }

    /// Sums up the window at `index` of those that wait.
    fn settle(&mut self, index: usize, marks: &mut Vec<Mark>) {
        let window = self.waiting[index];
        let mut remains = window.remains.map(f64::from);
        if let Some(beside) = self.gain_beside(index)
            && window.gain < HOLE * beside
        {
            let lost = f64::from(beside - window.gain.max(0.0)).powi(2);
            for (remains, expected) in remains.iter_mut().zip(window.expected) {
                *remains += lost * f64::from(expected);
            }
        }
        let programme: f64 = window.programme[1..].iter().map(|&p| f64::from(p)).sum();
        if programme > SILENT {
            self.counted = (self.counted + 1.0).min(LONG);
            self.long_mean += (programme - self.long_mean) / self.counted;
            if !window.aligned {
                self.unaligned += 1.0;
            }
            self.explain(&window, &remains, programme);
        }
        if !window.aligned {
            remains = [0.0; BANDS];
        }
        let mut sums = self.sums.back().copied().unwrap_or_default();
        for (sum, remains) in sums.remains.iter_mut().zip(remains) {
            *sum += remains;
        }
        let most = CAP * (programme + QUIET * self.long_mean);
        for (sum, remains) in sums.capped.iter_mut().zip(remains) {
            *sum += remains.min(most);
        }
        sums.programme += programme;
        if self.sums.is_empty() {
            self.sums.push_back(Sums::default());
        }
        self.sums.push_back(sums);
        if self.sums.len() > KEEP + 1 {
            self.sums.pop_front();
        }
        self.summed += 1;
        self.mark(marks);
    }

    /// The lower of the gains that are usual before and after.
    fn gain_beside(&self, index: usize) -> Option<f32> {
        let power = |window: &Window| window.expected.iter().sum::<f32>();
        // Where nothing sounds a gain is not known.
        let least = SOUNDS * power(&self.waiting[index]);
        let usual = |from: usize, to: usize| {
            let mut gains = [0.0; BESIDE];
            let sounding = self
                .waiting
                .range(from..to)
                .filter(|window| power(window) > least);
            let mut count = 0;
            for (gain, window) in gains.iter_mut().zip(sounding) {
                *gain = window.gain;
                count += 1;
            }
            let gains = &mut gains[..count];
            gains.sort_unstable_by(f32::total_cmp);
            gains.get(count * RANK / BESIDE).copied()
        };
        let before = index.saturating_sub(BESIDE);
        let after = (index + 1 + BESIDE).min(self.waiting.len());
        let here = self.waiting[index].gain;
        // Most windows are no hole: their neighbour tells as much.
        let near = self.waiting.range(before..after);
        let most = near.map(|window| window.gain).fold(0.0, f32::max);
        if here >= HOLE * most {
            return None;
        }
        Some(usual(before, index)?.min(usual(index + 1, after)?))
    }

    fn explain(&mut self, window: &Window, remains: &[f64; BANDS], programme: f64) {
        let bands = FIRST_FINE..BANDS;
        let heard = bands.filter(|&band| f64::from(window.programme[band]) > 1e-3 * programme);
        let (mut share, mut count) = (0.0, 0.0);
        for band in heard {
            share += (1.0 - remains[band] / f64::from(window.programme[band])).max(0.0);
            count += 1.0;
        }
        if count > 0.0 {
            self.explained += share / count;
            self.sounding += 1.0;
        }
    }

    /// Looks at the stretches that end at the newest window, or lie in the middle of a reference
    /// that does.
    fn mark(&mut self, marks: &mut Vec<Mark>) {
        let newest = self.sums.len() - 1;
        for scale in &SCALES {
            let reference = scale.windows.max(REFERENCE);
            let behind = (reference - scale.windows) / 2;
            let Some(start) = newest.checked_sub(reference) else {
                return;
            };
            let to = newest - behind;
            let from = to - scale.windows;
            let programme = self.sums[newest].programme - self.sums[start].programme;
            let programme = programme / reference as f64 + QUIET * self.long_mean;
            if programme <= SILENT {
                continue;
            }
            for band in 0..BANDS {
                let sum = |sums: &Sums| match scale.windows < SUSTAINED {
                    true => sums.remains[band],
                    false => sums.capped[band],
                };
                let remains = sum(&self.sums[to]) - sum(&self.sums[from]);
                let ratio = remains / (scale.windows as f64 * programme);
                if ratio < 1e-4 {
                    continue;
                }
                let level_db = 10.0 * ratio.log10() as f32;
                let limit_db = scale.limit_db(band);
                if level_db <= limit_db {
                    continue;
                }
                let least = programme * 10.0_f64.powf(f64::from(limit_db) / 10.0);
                let (from, to) = self.newest_run(band, from..to, least);
                let index = self.summed - newest as i64;
                marks.push(Mark {
                    band,
                    start: index + from as i64,
                    end: index + to as i64,
                    level_db,
                    excess_db: level_db - limit_db,
                });
            }
        }
    }

    /// The last windows of a stretch of `sums` in which more than `least` remains, as far back as
    /// there are no gaps that would part two places; all of it where no single window has as much.
    fn newest_run(&self, band: usize, within: Range<usize>, least: f64) -> (usize, usize) {
        let over =
            |&n: &usize| self.sums[n + 1].remains[band] - self.sums[n].remains[band] >= least;
        let Some(last) = within.clone().rev().find(over) else {
            return (within.start, within.end);
        };
        let mut first = last;
        for n in (within.start..last).rev().filter(over) {
            if (first - n) as i64 > GAP {
                break;
            }
            first = n;
        }
        (first, last + 1)
    }
}
