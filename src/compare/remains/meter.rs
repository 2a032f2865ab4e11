//! Takes both files second by second and gathers what remains of each track.
//!
//! In: the buffers of both, which tracks belong together and where the master lies. Out: a
//! [`Remains`]. Windows begin at fixed frames of the mix and every second is taken at a fixed
//! frame, so any cut into blocks gives the same bits.

use std::sync::Arc;

use realfft::num_complex::Complex32;
use realfft::{ComplexToReal, RealFftPlanner, RealToComplex};

use super::clicks::click;
use super::equaliser::Equaliser;
use super::gain::{Fit, Gains};
use super::history::{History, Mark, Window};
use super::layout::{BANDS, EDGES_HZ, FIRST_HIGH, KNOTS, Layout};
use super::places::{Place, Places};
use super::types::{NotHeard, Remainder, RemainderKind, Remains};
use crate::compare::buffer::Buffer;
use crate::units::{Hertz, Seconds};

/// Places that are listed. Own choice.
const LISTED: usize = 100;
/// Sounding seconds without which nothing is said of the whole. Own choice.
const ENOUGH_S: f64 = 3.0;
/// Over the mean of the remainder above 5 kHz from where a window is searched for clicks, and how
/// many windows count for that mean. Own choice: 2 seconds.
const HIGH: f32 = 2.0;
const HIGH_WINDOWS: f32 = 94.0;
/// Share that is explained from which two tracks are aligned, measured or not: of tones and loops
/// no offset is known. Own choice, and the windows that count for it: half a second.
const ALIKE: f32 = 0.95;
const ALIKE_WINDOWS: f32 = 23.0;
/// Power of a silent window: -90 dBFS.
const SILENCE: f32 = 1e-9;
/// Under this power of its highs a window's remainder is rounding.
const ROUNDING: f32 = 1e-9;

/// One track of both files.
#[derive(Clone, Copy, Debug)]
pub(in crate::compare) struct Source {
    pub(in crate::compare) mix: usize,
    pub(in crate::compare) master: usize,
    /// Frames by which the master is late.
    pub(in crate::compare) offset: i64,
    /// Whether that was measured.
    pub(in crate::compare) aligned: bool,
}

/// What is kept of one track.
#[derive(Debug)]
struct Target {
    equaliser: Equaliser,
    history: History,
    /// Mean power above 5 kHz of what remains.
    high: f32,
    /// Mean share of the master's power that the mix explains.
    alike: f32,
}

/// Measures what remains of a master against its mix.
pub(in crate::compare) struct Meter {
    layout: Layout,
    forward: Arc<dyn RealToComplex<f32>>,
    backward: Arc<dyn ComplexToReal<f32>>,
    /// Tracks that are looked at together: the two channels of a stereo file, else one.
    groups: Vec<Vec<usize>>,
    targets: Vec<Target>,
    places: Places,
    /// Windows that have been taken.
    taken: i64,
    scratch: Scratch,
}

#[derive(Default)]
struct Scratch {
    samples: Vec<f32>,
    wave: Vec<f32>,
    fft: Vec<Complex32>,
    /// Spectra of the second: mix and master of up to two tracks.
    mix: [Vec<Complex32>; 2],
    master: [Vec<Complex32>; 2],
    expected: Vec<Complex32>,
    remainder: Vec<Complex32>,
    fit: Fit,
    marks: Vec<Mark>,
}

impl Meter {
    /// `stereo`: the two tracks are the channels of one stereo file.
    pub(in crate::compare) fn new(sample_rate: u32, tracks: usize, stereo: bool) -> Self {
        let layout = Layout::new(sample_rate);
        let mut planner = RealFftPlanner::new();
        let stereo = stereo && tracks == 2;
        let groups = if stereo {
            vec![vec![0, 1]]
        } else {
            (0..tracks).map(|track| vec![track]).collect()
        };
        let targets = (0..tracks).map(|_| Target {
            equaliser: Equaliser::new(&layout, stereo),
            history: History::default(),
            high: 0.0,
            alike: 0.0,
        });
        Self {
            forward: planner.plan_fft_forward(layout.size),
            backward: planner.plan_fft_inverse(layout.size),
            groups,
            targets: targets.collect(),
            places: Places::new(tracks),
            taken: 0,
            scratch: Scratch::default(),
            layout,
        }
    }

    /// Takes all windows that end before the frame `end` of the mix.
    pub(in crate::compare) fn advance(
        &mut self,
        both: (&Buffer, &Buffer),
        sources: &[Source],
        end: i64,
    ) {
        let (size, hop) = (self.layout.size as i64, self.layout.hop as i64);
        let windows = (end - size).div_euclid(hop) + 1 - self.taken;
        let Ok(windows) = usize::try_from(windows) else {
            return;
        };
        if windows == 0 {
            return;
        }
        for group in 0..self.groups.len() {
            self.group(both, sources, group, windows);
        }
        self.taken += windows as i64;
    }

    fn group(
        &mut self,
        (mix, master): (&Buffer, &Buffer),
        sources: &[Source],
        group: usize,
        windows: usize,
    ) {
        let from = self.taken * self.layout.hop as i64;
        let tracks = self.groups[group].clone();
        let mut sounds = false;
        for (index, &track) in tracks.iter().enumerate() {
            let source = sources[track];
            sounds |= self.spectra((mix, source.mix, from), windows, (false, index));
            let at = (master, source.master, from + source.offset);
            sounds |= self.spectra(at, windows, (true, index));
        }
        for (index, &track) in tracks.iter().enumerate() {
            if sounds {
                let other = (tracks.len() == 2).then_some(1 - index);
                let scratch = &self.scratch;
                self.targets[track].equaliser.learn(
                    &self.layout,
                    &scratch.master[index],
                    &scratch.mix[index],
                    other.map(|other| scratch.mix[other].as_slice()),
                );
                for window in 0..windows {
                    let at = from + sources[track].offset + window as i64 * self.layout.hop as i64;
                    // Beyond the ends of the master nothing is held against the mix.
                    let within = at >= 0
                        && at + self.layout.size as i64
                            <= i64::try_from(master.fed).unwrap_or(i64::MAX);
                    let aligned = sources[track].aligned || self.targets[track].alike > ALIKE;
                    self.window((index, other), within && aligned, track, window);
                }
            } else {
                for _ in 0..windows {
                    self.record(track, Window::default());
                }
            }
        }
    }

    /// Spectra of `windows` windows; whether any sample is not silent.
    fn spectra(
        &mut self,
        (buffer, track, from): (&Buffer, usize, i64),
        windows: usize,
        (is_master, index): (bool, usize),
    ) -> bool {
        let Self {
            layout,
            scratch,
            forward,
            ..
        } = self;
        let (size, hop, bins) = (layout.size, layout.hop, layout.bins);
        scratch.samples.resize((windows - 1) * hop + size, 0.0);
        buffer.copy(track, from, &mut scratch.samples);
        let spectra = if is_master {
            &mut scratch.master[index]
        } else {
            &mut scratch.mix[index]
        };
        spectra.resize(windows * bins, Complex32::default());
        scratch.wave.resize(size, 0.0);
        scratch
            .fft
            .resize(forward.get_scratch_len(), Complex32::default());
        for (window, out) in spectra.chunks_exact_mut(bins).enumerate() {
            let samples = &scratch.samples[window * hop..][..size];
            for ((wave, sample), weight) in scratch.wave.iter_mut().zip(samples).zip(&layout.window)
            {
                *wave = sample * weight;
            }
            forward
                .process_with_scratch(&mut scratch.wave, out, &mut scratch.fft)
                .expect("the buffers have the lengths that the transform asks for");
        }
        scratch.samples.iter().any(|sample| *sample != 0.0)
    }

    fn window(
        &mut self,
        (index, other): (usize, Option<usize>),
        aligned: bool,
        track: usize,
        window: usize,
    ) {
        let Self {
            layout,
            scratch,
            targets,
            ..
        } = self;
        let bins = layout.bins;
        let target = &mut targets[track];
        let at = window * bins..(window + 1) * bins;
        let master = &scratch.master[index][at.clone()];
        scratch.expected.resize(bins, Complex32::default());
        target.equaliser.apply(
            &scratch.mix[index][at.clone()],
            other.map(|other| &scratch.mix[other][at]),
            &mut scratch.expected,
        );
        let gains = scratch.fit.gains(layout, &scratch.expected, master);
        scratch.remainder.clear();
        let mut record = Window {
            gain: usual(&gains),
            aligned,
            ..Window::default()
        };
        let bands = bins_and_gains(layout, &gains);
        let parts = scratch.expected.iter().zip(master);
        scratch
            .remainder
            .extend(parts.zip(bands).map(|((x, m), gain)| m - x * gain));
        for band in 0..BANDS {
            let range = layout.bands[band].clone();
            let power = |of: &[Complex32]| {
                of[range.clone()]
                    .iter()
                    .map(Complex32::norm_sqr)
                    .sum::<f32>()
            };
            let scale = 1.0 / (layout.size as f32).powi(2);
            let expected = power(&scratch.expected) * scale;
            record.remains[band] = power(&scratch.remainder) * scale;
            record.programme[band] = (power(master) * scale).max(expected);
            record.expected[band] = expected;
        }
        let high: f32 = record.remains[FIRST_HIGH..].iter().sum();
        if aligned && high > HIGH * target.high && high > ROUNDING {
            self.look_for_click(index, track, window);
        }
        let target = &mut self.targets[track];
        target.high += (high - target.high) / HIGH_WINDOWS;
        let sum = |powers: [f32; BANDS]| powers.iter().sum::<f32>();
        let (remains, programme) = (sum(record.remains), sum(record.programme));
        if programme > SILENCE {
            target.alike += (1.0 - remains / programme - target.alike) / ALIKE_WINDOWS;
        }
        self.record(track, record);
    }

    fn look_for_click(&mut self, index: usize, track: usize, window: usize) {
        let Self {
            layout,
            scratch,
            backward,
            ..
        } = self;
        let (size, bins) = (layout.size, layout.bins);
        let wave = |spectrum: &mut [Complex32]| {
            // A real wave has no phase at either end of its spectrum.
            spectrum[0].im = 0.0;
            spectrum[bins - 1].im = 0.0;
            let mut out = vec![0.0; size];
            let mut fft = vec![Complex32::default(); backward.get_scratch_len()];
            backward
                .process_with_scratch(spectrum, &mut out, &mut fft)
                .expect("the buffers have the lengths that the transform asks for");
            out.iter_mut().for_each(|sample| *sample /= size as f32);
            out
        };
        let remainder = wave(&mut scratch.remainder);
        scratch
            .expected
            .copy_from_slice(&scratch.master[index][window * bins..][..bins]);
        let mut master = wave(&mut scratch.expected);
        for (sample, weight) in master.iter_mut().zip(&layout.window) {
            *sample /= weight.max(0.25);
        }
        let Some(click) = click(&remainder, &layout.window, &master) else {
            return;
        };
        let window = self.taken + window as i64;
        self.places.add(Place {
            target: track,
            start: window,
            end: window + 1,
            bands: [true; BANDS],
            click: Some(window * layout.hop as i64 + click.at as i64),
            level_db: click.level_db,
            excess_db: 0.3 * click.stands_out_db,
        });
    }

    fn record(&mut self, track: usize, window: Window) {
        let marks = &mut self.scratch.marks;
        marks.clear();
        self.targets[track].history.push(window, marks);
        for mark in marks.iter() {
            self.places.mark(track, mark);
        }
    }

    /// Takes what is left up to the frame `end` and tells what was found.
    pub(in crate::compare) fn finish(
        mut self,
        both: (&Buffer, &Buffer),
        sources: &[Source],
        end: i64,
    ) -> Result<Remains, NotHeard> {
        self.advance(both, sources, end + self.layout.size as i64);
        for track in 0..self.targets.len() {
            let marks = &mut self.scratch.marks;
            marks.clear();
            self.targets[track].history.finish(marks);
            for mark in marks.iter() {
                self.places.mark(track, mark);
            }
            self.places.close(track);
        }
        let second = self.layout.seconds(self.layout.hop as i64);
        let sum =
            |of: fn(&History) -> f64| -> f64 { self.targets.iter().map(|t| of(&t.history)).sum() };
        let sounding = sum(|h| h.sounding);
        let longest = self
            .targets
            .iter()
            .map(|t| t.history.sounding)
            .fold(0.0, f64::max)
            * second;
        if longest < ENOUGH_S {
            return Err(NotHeard::TooShort { needs_s: ENOUGH_S });
        }
        self.places.sort();
        let layout = &self.layout;
        let remainders = self.places.closed.iter().take(LISTED);
        Ok(Remains {
            total: self.places.total,
            places: remainders
                .map(|place| remainder(layout, place, sources))
                .collect(),
            same_music: sum(|h| h.explained) / sounding,
            sounding_s: Seconds(longest),
            unaligned_s: Seconds(sum(|h| h.unaligned) * second),
            remaining_s: Seconds(self.places.windows as f64 * second),
            largest_db: self
                .places
                .closed
                .iter()
                .map(|p| f64::from(p.level_db))
                .reduce(f64::max),
        })
    }
}

/// The gain of a window as most of its knots have it.
fn usual(gains: &Gains) -> f32 {
    let mut sorted = *gains;
    sorted.sort_unstable_by(f32::total_cmp);
    sorted[KNOTS / 2]
}

/// The gain at every bin.
fn bins_and_gains<'a>(layout: &'a Layout, gains: &'a Gains) -> impl Iterator<Item = f32> + 'a {
    layout.between.iter().map(|between| {
        let (below, above) = (gains[between.knot], gains[between.knot + 1]);
        below + (above - below) * between.above
    })
}

fn remainder(layout: &Layout, place: &Place, sources: &[Source]) -> Remainder {
    let first = place.bands.iter().position(|&band| band).unwrap_or(0);
    let last = place
        .bands
        .iter()
        .rposition(|&band| band)
        .unwrap_or(BANDS - 1);
    let hertz = |hertz: f64| Hertz::new(hertz as u32).expect("no edge of a band is 0 Hz");
    let (hop, size) = (layout.hop as i64, layout.size as i64);
    let (start, end) = match place.click {
        Some(at) => (at, at + 1),
        // The weight of a window lies in its middle half.
        None => (
            place.start * hop + size / 4,
            (place.end - 1) * hop + size * 3 / 4,
        ),
    };
    Remainder {
        kind: if place.click.is_some() {
            RemainderKind::Click
        } else {
            RemainderKind::Passage
        },
        track: u32::try_from(sources[place.target].mix + 1).unwrap_or(u32::MAX),
        start_s: Seconds(layout.seconds(start)),
        end_s: Seconds(layout.seconds(end)),
        from_hz: hertz(EDGES_HZ[first]),
        to_hz: hertz(EDGES_HZ[last + 1].min(f64::from(layout.sample_rate) / 2.0)),
        level_db: f64::from(place.level_db),
        confidence: confidence(place.excess_db),
    }
}

/// At the limit one half, 6 dB over it three quarters. Own choice.
fn confidence(excess_db: f32) -> f64 {
    1.0 - 0.5 * 2_f64.powf(-f64::from(excess_db) / 6.0)
}
