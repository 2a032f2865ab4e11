//! True peak after ITU-R BS.1770-5, Annex 2: a coarse search with the standard's own
//! interpolator, and a long one at the places that matter.
//!
//! In: the samples of one channel in order. Out: the largest magnitude between the samples,
//! where it lies, every over of a ceiling as a place, and what the standard's short filter
//! alone would have read.
//!
//! * Search: the 48-tap example filter of Annex 2, four phases (two of them from 96 kHz up,
//!   where Annex 2 asks for less oversampling in proportion).
//! * Reading: at a local maximum of the search, a Kaiser-windowed sinc of 64 taps a side on a
//!   grid of 1/32 sample, and a parabola through the highest three points.
//! * Skipping: where the largest sample under the filter times the filter's largest sum of
//!   absolute taps can beat neither the search's own maximum so far nor come near the ceiling,
//!   the result is the same without looking. In a quiet passage nothing is interpolated.
//!
//! Work is done in tiles at fixed places of the programme, so any cut into blocks gives the
//! same bits.

use super::dispatch::{Dot, Found, Largest, Search, fast};

/// Frames in a tile of the search.
pub(super) const TILE: usize = 64;
/// Taps of one phase of the search filter.
pub(super) const SEARCH_TAPS: usize = 12;
/// Sample `n`'s search points use the samples from `n - SEARCH_BEFORE` on.
const SEARCH_BEFORE: usize = 6;
/// One tile, its neighbours on both sides, and the filter's reach.
pub(super) const WINDOW: usize = TILE + 2 + SEARCH_TAPS;

/// Taps of the reading filter on each side.
pub(super) const SIDE: usize = 64;
/// Grid of the reading filter within one sample.
const GRID: usize = 32;

/// The interpolator in words, for the record.
pub fn filter_description(sample_rate: u32) -> String {
    let times = if four_phases(sample_rate) { 4 } else { 2 };
    format!(
        "searched {times} x with the 48-tap filter of ITU-R BS.1770-5 Annex 2, read at local maxima \
         with a 128-tap Kaiser-windowed sinc on a 32 x grid and a parabola"
    )
}

fn four_phases(sample_rate: u32) -> bool {
    sample_rate < 88_200
}

/// Source: ITU-R BS.1770-5, Annex 2, table of the 48-tap filter's phases 0 and 1 (2 and 3 are
/// their reversals).
const PHASE_0: [f32; SEARCH_TAPS] = [
    0.001_708_984_4,
    0.010_986_328,
    -0.019_653_32,
    0.033_203_125,
    -0.059_448_242,
    0.137_329_1,
    0.972_167_97,
    -0.102_294_92,
    0.047_607_42,
    -0.026_611_328,
    0.014_892_578,
    -0.008_300_781,
];
const PHASE_1: [f32; SEARCH_TAPS] = [
    -0.029_174_805,
    0.029_296_875,
    -0.051_757_813,
    0.089_111_33,
    -0.166_503_9,
    0.465_087_9,
    0.779_785_16,
    -0.200_317_38,
    0.101_562_5,
    -0.058_227_54,
    0.033_081_055,
    -0.018_920_898,
];

/// Largest sum of absolute taps of a phase: 2.0229 (phases 1 and 2), rounded up.
const SEARCH_GAIN: f64 = 2.0231;

/// How far the reading may lie above the search, as a factor, until the material has shown
/// more. The search's grid alone hides up to 0.69 dB at half the sample rate when it is 4 x and
/// the short filter up to 0.78 dB more only where there is next to nothing.
const NEAR_4X: f64 = 1.15;
/// At 2 x the grid alone hides 1.6 dB at 0.37 of the sample rate, 35 kHz at 96 kHz.
const NEAR_2X: f64 = 1.2;
/// On hard-clipped bright material the short filter hides 2 dB and more, and not everywhere
/// alike: the search looks this much further than the widest gap between the two that was read.
const NEAR_BEYOND: f64 = 1.1;
/// No gap is taken to be wider: 3.5 dB, own choice, half as much again as clipped white noise
/// shows.
const NEAR_MOST: f64 = 1.5;

/// Beyond these the search's 32-bit floats lose the samples; then the samples are the reading.
/// No audio is: a file of 64-bit floats may hold it all the same.
const SEARCHED: std::ops::RangeInclusive<f64> = 1e-30..=1e30;

/// Overs of one channel closer than this belong to one place. Own choice: what lies within
/// 10 ms is one event to the ear.
const JOIN_S: f64 = 0.010;

/// Coefficients shared by all channels.
pub(super) struct Interpolator {
    /// Phases in time order.
    pub phases: Vec<[f32; SEARCH_TAPS]>,
    /// What makes each phase 1 for a constant: the standard's table has 0.973 and 1.002, a
    /// ripple that would show a maximum in every sample of a slow wave.
    level: Vec<f32>,
    /// How far a maximum may lie above the reading at the nearest point of the search's grid:
    /// 1/cos of half a step at 0.45 of the sample rate.
    climb: f64,
    /// `GRID + 1` rows of `2 * SIDE` taps.
    reading: Vec<[f64; 2 * SIDE]>,
}

impl Interpolator {
    pub(super) fn new(sample_rate: u32) -> Self {
        let reversed = |phase: [f32; SEARCH_TAPS]| {
            let mut back = phase;
            back.reverse();
            back
        };
        // `phases[p]` applied to x[n - 6 ..= n + 5] gives the point 1/8, 3/8, 5/8 or 7/8 of a
        // sample after n - 1.
        let all = [reversed(PHASE_0), reversed(PHASE_1), PHASE_1, PHASE_0];
        let phases = if four_phases(sample_rate) {
            all.to_vec()
        } else {
            vec![all[0], all[2]]
        };
        let level = phases
            .iter()
            .map(|taps| 1.0 / taps.iter().sum::<f32>())
            .collect();
        let half_step = std::f64::consts::PI * 0.45 / phases.len() as f64;
        Self {
            phases,
            level,
            climb: 1.0 / half_step.cos(),
            reading: reading_filter(),
        }
    }

    /// Where search point `phase` lies, in samples after the sample before it.
    fn offset(&self, phase: usize) -> f64 {
        let step = 1.0 / self.phases.len() as f64;
        0.125 + step * phase as f64
    }
}

/// Kaiser-windowed sinc with its cut-off at half the sample rate; every row adds up to 1.
fn reading_filter() -> Vec<[f64; 2 * SIDE]> {
    // Ripple under 0.02 dB with the narrowest transition that allows. Own choice.
    const BETA: f64 = 5.0;
    let bessel = |x: f64| {
        let (mut term, mut sum) = (1.0, 1.0);
        for k in 1..60 {
            term *= (x / 2.0 / f64::from(k)).powi(2);
            sum += term;
        }
        sum
    };
    (0..=GRID)
        .map(|row| {
            let fraction = row as f64 / GRID as f64;
            let mut taps: [f64; 2 * SIDE] = std::array::from_fn(|k| {
                // Tap k stands on the sample SIDE - 1 - k before the point's left neighbour.
                let distance = k as f64 - (SIDE - 1) as f64 - fraction;
                let inside = (1.0 - (distance / SIDE as f64).powi(2)).max(0.0);
                let x = std::f64::consts::PI * distance;
                let sinc = if distance == 0.0 { 1.0 } else { x.sin() / x };
                sinc * bessel(BETA * inside.sqrt()) / bessel(BETA)
            });
            let sum: f64 = taps.iter().sum();
            taps.iter_mut().for_each(|tap| *tap /= sum);
            taps
        })
        .collect()
}

/// One excursion over the ceiling, or several within 10 ms.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Over {
    /// In frames from the start of the programme, between samples.
    pub start: f64,
    pub end: f64,
    pub peak: f64,
}

/// The meter of one channel.
pub(super) struct TruePeakMeter {
    /// Samples from `first` on; programme frames before 0 are silence.
    held: Vec<f64>,
    /// Programme frame of `held[0]`, counted from `-LEAD`.
    first: u64,
    /// The next tile's first frame.
    next: u64,
    taken: u64,
    ceiling: f64,
    join: f64,
    /// Largest reading and where it lies.
    pub peak: f64,
    pub peak_at: f64,
    /// What the search filter alone read.
    pub search_peak: f64,
    pub overs: Vec<Over>,
    pub overs_total: u64,
    keep: usize,
    open: Option<Over>,
    /// How far the reading may lie above the search.
    near: f64,
}

/// Silence before the programme that the reading filter reaches into.
const LEAD: usize = SIDE + TILE;

impl TruePeakMeter {
    /// `ceiling`: linear, full scale = 1.0; `keep`: how many overs are listed.
    pub(super) fn new(sample_rate: u32, ceiling: f64, keep: usize) -> Self {
        let near = if four_phases(sample_rate) {
            NEAR_4X
        } else {
            NEAR_2X
        };
        Self {
            near,
            held: vec![0.0; LEAD],
            first: 0,
            next: 0,
            taken: 0,
            ceiling,
            join: JOIN_S * f64::from(sample_rate),
            peak: 0.0,
            peak_at: 0.0,
            search_peak: 0.0,
            overs: Vec::new(),
            overs_total: 0,
            keep,
            open: None,
        }
    }

    pub(super) fn feed(&mut self, samples: &[f64], interpolator: &Interpolator) {
        self.held.extend_from_slice(samples);
        self.taken += samples.len() as u64;
        self.advance(interpolator);
    }

    /// Ends the programme: silence follows.
    pub(super) fn finish(&mut self, interpolator: &Interpolator) {
        let missing = (TILE as u64 - self.taken % TILE as u64) as usize + SIDE + 2 * TILE;
        self.held.resize(self.held.len() + missing, 0.0);
        self.advance(interpolator);
        self.close();
    }

    /// Works off every tile whose surroundings are known, then lets go of what is behind.
    fn advance(&mut self, interpolator: &Interpolator) {
        let end = self.first + self.held.len() as u64;
        // In `held` numbering programme frame f stands at f + LEAD.
        while self.next + (LEAD + TILE + SIDE + 1) as u64 <= end {
            let at = (self.next + LEAD as u64 - self.first) as usize;
            self.tile(at, interpolator);
            self.next += TILE as u64;
        }
        let keep_from = (self.next + LEAD as u64 - self.first) as usize - LEAD;
        if keep_from > 0 {
            self.held.drain(..keep_from);
            self.first += keep_from as u64;
        }
    }

    /// Looks at the points between `held[at - 1]` and `held[at + TILE - 1]`.
    fn tile(&mut self, at: usize, interpolator: &Interpolator) {
        let from = at - 1 - SEARCH_BEFORE;
        let window = &self.held[from..from + WINDOW];
        let largest = fast(Largest(window));
        let bar = self.peak.min(self.ceiling) / self.near;
        if largest * SEARCH_GAIN <= bar.min(self.search_peak) {
            return;
        }
        if !SEARCHED.contains(&largest) {
            self.samples_alone(at);
            return;
        }
        let mut found = Found::new();
        fast(Search {
            window,
            phases: &interpolator.phases,
            level: &interpolator.level,
            found: &mut found,
        });
        self.search_peak = self.search_peak.max(f64::from(found.top));
        let bar = bar as f32;
        let phases = interpolator.phases.len();
        let points = &found.points;
        for i in 1..=TILE {
            if found.tops[i - 1] < bar {
                continue;
            }
            for phase in 0..phases {
                let here = points[phase][i];
                let before = match phase {
                    0 => points[phases - 1][i - 1],
                    _ => points[phase - 1][i],
                };
                let after = match phase + 1 {
                    next if next == phases => points[0][i + 1],
                    next => points[next][i],
                };
                if here > before && here >= after {
                    let left = at + i - 2;
                    if !self.goes_on(left, f64::from(here)) {
                        // The parabola through the search's points is a good first guess.
                        let bend = before - 2.0 * here + after;
                        let shift = if bend < 0.0 {
                            0.5 * (before - after) / bend
                        } else {
                            0.0
                        };
                        let step = 1.0 / phases as f64;
                        let offset = interpolator.offset(phase) + step * f64::from(shift);
                        self.read(left, offset, f64::from(here), interpolator);
                    }
                }
            }
        }
    }

    /// Takes the tile's samples for its peaks.
    fn samples_alone(&mut self, at: usize) {
        for index in at - 1..at - 1 + TILE {
            let sample = self.held[index].abs();
            let frame = (self.first + index as u64) as f64 - LEAD as f64;
            self.search_peak = self.search_peak.max(sample);
            self.note(sample, frame);
        }
    }

    /// Whether a maximum of the search only prolongs the over that is open: certainly over the
    /// ceiling, and certainly not the highest. In material that is over throughout nothing else
    /// would be needed of nearly all maxima.
    fn goes_on(&mut self, left: usize, here: f64) -> bool {
        let at = (self.first + left as u64) as f64 - LEAD as f64;
        match &mut self.open {
            Some(over)
                if at - over.end <= self.join
                    && here > self.ceiling * self.near
                    && here * self.near <= over.peak =>
            {
                over.end = over.end.max(at);
                true
            }
            _ => false,
        }
    }

    /// Reads the maximum near `held[left]` + `offset`, where the search found `found`, with the
    /// long filter.
    fn read(&mut self, left: usize, offset: f64, found: f64, interpolator: &Interpolator) {
        let value = |place: i64| -> f64 {
            let sample = left as i64 + place.div_euclid(GRID as i64);
            let row = &interpolator.reading[place.rem_euclid(GRID as i64) as usize];
            let start = (sample - (SIDE as i64 - 1)) as usize;
            fast(Dot(&self.held[start..start + 2 * SIDE], row))
        };
        let mut place = (offset * GRID as f64).round() as i64;
        let middle = value(place);
        let bar = self.peak.min(self.ceiling);
        if middle.abs() * interpolator.climb < bar {
            return;
        }
        let sign = middle.signum();
        let (mut here, mut before, mut after) = (
            sign * middle,
            sign * value(place - 1),
            sign * value(place + 1),
        );
        // Half a sample either way at most: the search would have offered another point.
        for _ in 0..GRID / 2 {
            if after > here {
                place += 1;
                (before, here, after) = (here, after, sign * value(place + 1));
            } else if before > here {
                place -= 1;
                (before, here, after) = (sign * value(place - 1), before, here);
            } else {
                break;
            }
        }
        let bend = before - 2.0 * here + after;
        let slope = after - before;
        let shift = if bend < 0.0 {
            (-0.5 * slope / bend).clamp(-0.5, 0.5)
        } else {
            0.0
        };
        let top = here + 0.25 * slope * shift;
        self.near = (top / found * NEAR_BEYOND).clamp(self.near, NEAR_MOST);
        // The whole frame first: adding the fraction to a place within `held` would round
        // differently for another cut into blocks.
        let frame = (self.first + left as u64) as f64 - LEAD as f64;
        self.note(top, frame + (place as f64 + shift) / GRID as f64);
    }

    fn note(&mut self, top: f64, at: f64) {
        if top > self.peak {
            self.peak = top;
            self.peak_at = at.max(0.0);
        }
        if top <= self.ceiling {
            return;
        }
        match &mut self.open {
            Some(over) if at - over.end <= self.join => {
                over.end = over.end.max(at);
                over.peak = over.peak.max(top);
            }
            _ => {
                self.close();
                self.open = Some(Over {
                    start: at,
                    end: at,
                    peak: top,
                });
            }
        }
    }

    fn close(&mut self) {
        if let Some(over) = self.open.take() {
            self.overs_total += 1;
            if self.overs.len() < self.keep {
                self.overs.push(over);
            }
        }
    }
}
