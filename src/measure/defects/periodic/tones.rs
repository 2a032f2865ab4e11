//! Tones and bursts of noise that begin and end at once, and stay level in between.
//!
//! In: the sum of all channels. Out: for each band of a coarse spectrum its gated sounds, as
//! [`Event`]s, and the level of the whole. Own method.

use std::ops::Range;
use std::sync::Arc;

use realfft::num_complex::Complex;
use realfft::{RealFftPlanner, RealToComplex};

use super::rows::{Event, Levels};
use crate::vector::{Work, fast};

/// The sum is thinned by averages to about this rate: what folds back is the same at each return.
const THINNED_HZ: f64 = 12_000.0;

/// Samples of a spectrum after thinning, and between two of them.
const FRAME: usize = 512;
const HOP: usize = FRAME / 2;

/// Lowest bin that is looked at, and how much wider each band is than the one below.
const LOWEST: usize = 6;
const WIDER: f64 = 1.122;
const WIDE: [Range<usize>; 4] = [14..45, 45..120, 120..250, LOWEST..250];

/// How far a gated sound stands over what comes before and after it, in dB. Own choice.
const STEP_DB: f32 = 10.0;

/// Within which it stays level, in dB. Own choice.
const LEVEL_DB: f32 = 2.0;

/// Quieter than this it is none, in dB of full scale.
const QUIET_DB: f32 = -70.0;

/// Hops of a rise or a fall: a frame's length and one.
const EDGE: usize = 3;

/// Hops of the shortest and of the longest: 80 ms to 5 s.
const SHORTEST: u32 = 3;
const LONGEST: u32 = 240;

/// A band with more gated sounds has them as music.
const KEPT: usize = 256;

pub(super) struct Tones {
    thin: usize,
    sum: f64,
    summed: usize,
    /// The last two frames of the sum, and the energy of its second difference since the last
    /// spectrum: a burst of noise stands out there, where music is weak.
    last: [f64; 2],
    edge: f64,
    /// The last frame's second half, and what came since.
    kept: Vec<f32>,
    mono: Vec<f64>,
    fft: Arc<dyn RealToComplex<f32>>,
    window: Vec<f32>,
    input: Vec<f32>,
    lines: Vec<Complex<f32>>,
    scratch: Vec<Complex<f32>>,
    power: Vec<f32>,
    ranges: Vec<Range<usize>>,
    bands: Vec<Band>,
    edges: Band,
    hops: u32,
    pub levels: Levels,
}

#[derive(Default)]
struct Band {
    /// The last levels, oldest first.
    recent: [f32; EDGE + 3],
    open: Option<Open>,
    /// First hop, hops, level.
    gated: Vec<(u32, u32, f32)>,
    busy: bool,
}

/// A sound that has begun at once.
struct Open {
    start: u32,
    mean: f32,
    hops: u32,
    /// Hops since it left its level.
    falling: usize,
}

impl Tones {
    pub(super) fn new(rate: f64) -> Self {
        let fft = RealFftPlanner::<f32>::new().plan_fft_forward(FRAME);
        let turn = std::f64::consts::TAU / FRAME as f64;
        // Scaled so that the sum of a sine's lines is its mean square.
        let scale = (2.0 / 0.375f64).sqrt() / FRAME as f64;
        let window = (0..FRAME)
            .map(|n| (scale * (0.5 - 0.5 * (turn * n as f64).cos())) as f32)
            .collect();
        let mut ranges = WIDE.to_vec();
        let mut from = LOWEST;
        while from < 250 {
            let to = ((from as f64 * WIDER).round() as usize).max(from + 2);
            ranges.push(from..to.min(FRAME / 2));
            from = to;
        }
        Self {
            thin: ((rate / THINNED_HZ).round() as usize).max(1),
            sum: 0.0,
            summed: 0,
            last: [0.0; 2],
            edge: 0.0,
            kept: Vec::with_capacity(FRAME),
            mono: Vec::new(),
            window,
            input: vec![0.0; FRAME],
            lines: fft.make_output_vec(),
            scratch: fft.make_scratch_vec(),
            power: vec![0.0; FRAME / 2 + 1],
            fft,
            bands: ranges.iter().map(|_| Band::default()).collect(),
            edges: Band::default(),
            ranges,
            hops: 0,
            levels: Levels::default(),
        }
    }

    /// Frames between two spectra.
    pub(super) fn hop(&self) -> u64 {
        (HOP * self.thin) as u64
    }

    /// Takes the next frames of all channels.
    pub(super) fn feed<'a>(&mut self, frames: usize, planes: impl Iterator<Item = &'a [f64]>) {
        // Two frames of the past stand in front, for the second difference.
        let mut mono = std::mem::take(&mut self.mono);
        mono.clear();
        mono.extend_from_slice(&self.last);
        mono.resize(2 + frames, 0.0);
        for plane in planes {
            fast(Plus(plane, &mut mono[2..]));
        }
        let mut from = 0;
        while from < frames {
            // Up to the end of the frame of the next spectrum, or of one sample of it.
            let whole = FRAME - self.kept.len();
            let left = (whole * self.thin - self.summed).min(frames - from);
            let part = &mono[from..from + left + 2];
            self.edge += fast(Bends(part));
            self.thinned(&part[2..]);
            from += left;
            if self.kept.len() == FRAME {
                self.spectrum();
                self.kept.drain(..HOP);
            }
        }
        self.last.copy_from_slice(&mono[frames..]);
        self.mono = mono;
    }

    /// Adds means of `thin` frames to those of the next spectrum.
    fn thinned(&mut self, samples: &[f64]) {
        let scale = 1.0 / self.thin as f64;
        let head = ((self.thin - self.summed) % self.thin).min(samples.len());
        let (head, body) = samples.split_at(head);
        self.sum += head.iter().sum::<f64>();
        self.summed += head.len();
        if self.summed == self.thin {
            self.kept.push((self.sum * scale) as f32);
            (self.sum, self.summed) = (0.0, 0);
        }
        let parts = body.chunks_exact(self.thin);
        let rest = parts.remainder();
        self.kept
            .extend(parts.map(|part| (part.iter().sum::<f64>() * scale) as f32));
        self.sum += rest.iter().sum::<f64>();
        self.summed += rest.len();
    }

    fn spectrum(&mut self) {
        let silent = self.kept.iter().all(|v| *v == 0.0);
        if silent {
            self.power.fill(0.0);
        } else {
            for ((input, kept), window) in (self.input.iter_mut().zip(&self.kept)).zip(&self.window)
            {
                *input = kept * window;
            }
            self.fft
                .process_with_scratch(&mut self.input, &mut self.lines, &mut self.scratch)
                .expect("the buffers are as long as the plan says");
            for (power, line) in self.power.iter_mut().zip(&self.lines) {
                *power = line.norm_sqr();
            }
        }
        let decibels = |range: &Range<usize>| {
            let power: f32 = self.power[range.clone()].iter().sum();
            10.0 * power.max(1e-12).log10()
        };
        for (band, range) in self.bands.iter_mut().zip(&self.ranges) {
            band.step(self.hops, decibels(range));
        }
        let edge = (self.edge / self.hop() as f64) as f32;
        self.edge = 0.0;
        (self.edges).step(self.hops, 10.0 * edge.max(1e-12).log10());
        self.levels.push(decibels(&WIDE[3]));
        self.hops += 1;
    }

    /// The gated sounds of each band that is not full of them.
    pub(super) fn events(&self) -> impl Iterator<Item = Vec<Event>> {
        let hop = self.hop();
        let event = move |&(start, hops, level): &(u32, u32, f32)| Event {
            start: u64::from(start) * hop,
            end: u64::from(start + hops) * hop,
            level: f64::from(level),
        };
        let all = self.bands.iter().chain([&self.edges]);
        all.filter(|band| !band.busy)
            .map(move |band| band.gated.iter().map(event).collect())
    }
}

/// Adds a channel to the sum.
struct Plus<'a>(&'a [f64], &'a mut [f64]);

impl Work for Plus<'_> {
    type Output = ();

    #[inline(always)]
    fn work(self) {
        for (sum, sample) in self.1.iter_mut().zip(self.0) {
            *sum += sample;
        }
    }
}

/// Energy of the second difference; the first two samples are the past.
struct Bends<'a>(&'a [f64]);

impl Work for Bends<'_> {
    type Output = f64;

    #[inline(always)]
    fn work(self) -> f64 {
        let samples = self.0;
        let ends = samples.get(2..).unwrap_or_default();
        let bend = |first: f64, middle: f64, last: f64| {
            let second = last - 2.0 * middle + first;
            second * second
        };
        let mut lanes = [0.0f64; 8];
        let rows = ends.as_chunks::<8>().0;
        for (row, last) in rows.iter().enumerate() {
            let past = &samples[8 * row..8 * row + 9];
            for lane in 0..8 {
                lanes[lane] += bend(past[lane], past[lane + 1], last[lane]);
            }
        }
        let rest = &samples[8 * rows.len()..];
        let rest = rest.windows(3).map(|w| bend(w[0], w[1], w[2]));
        lanes.iter().sum::<f64>() + rest.sum::<f64>()
    }
}

impl Band {
    fn step(&mut self, hop: u32, level: f32) {
        self.recent.rotate_left(1);
        self.recent[EDGE + 2] = level;
        let begins = self.open.is_none() && self.has_risen(level);
        match &mut self.open {
            None => {
                self.open = begins.then_some(Open {
                    start: hop,
                    mean: level,
                    hops: 1,
                    falling: 0,
                });
            }
            Some(open) => {
                let away = level - open.mean;
                if open.falling == 0 && away.abs() <= LEVEL_DB {
                    open.hops += 1;
                    open.mean += away / open.hops as f32;
                    if open.hops > LONGEST {
                        self.open = None;
                    }
                } else if open.falling == 0 && away > 0.0 && hop - open.start < EDGE as u32 {
                    // The top is not reached yet.
                    (open.mean, open.hops) = (level, 1);
                } else if away <= -STEP_DB {
                    let gated = (open.start, hop - open.start, open.mean);
                    let is_long = open.hops >= SHORTEST;
                    self.open = None;
                    if is_long {
                        self.keep(gated);
                    }
                } else if away < -LEVEL_DB && open.falling < EDGE {
                    open.falling += 1;
                } else {
                    self.open = None;
                }
            }
        }
    }

    /// Whether the level is far over those from before a rise.
    fn has_risen(&self, level: f32) -> bool {
        let before = &self.recent[..EDGE];
        level > QUIET_DB && before.iter().all(|was| level - was >= STEP_DB)
    }

    fn keep(&mut self, gated: (u32, u32, f32)) {
        self.busy |= self.gated.len() == KEPT;
        if !self.busy {
            self.gated.push(gated);
        }
    }
}
