//! Where a stretch of the mix lies in the master: whitened cross-correlation.
//!
//! In: a short stretch of one track of the mix and a longer one of the master. Out: the
//! correlation for every lag at which the short one lies wholly in the long one. Every
//! frequency between 40 Hz and 20 kHz has the same weight, so that equalisation, gain and
//! saturation leave the peak where it is; that is the PHAT weighting of Knapp and Carter, "The
//! Generalized Correlation Method for Estimation of Time Delay", IEEE Trans. ASSP 24 (1976),
//! table I.
//!
//! A second correlation, in which every octave has the same weight, tells at which other lags
//! the two are about as alike: a tone, a loop or a bass lies over itself at many. There the
//! offset is not measured. Knows nothing of what was found before.

use std::sync::Arc;

use realfft::num_complex::Complex;
use realfft::{ComplexToReal, RealFftPlanner, RealToComplex};

use super::buffer::Buffer;
use super::likeness::{Alike, Likeness, OCTAVES};

/// Lags of one window that are looked at closely.
const CANDIDATES: usize = 8;
/// Lags that belong to one peak.
const NEAR: usize = 8;
/// Mean correlation of the octaves from which two stretches are the same music.
///
/// Own measurement: masters that were equalised, compressed and driven have 0.9 and more where
/// they sound, other bars of the same music 0.65 and less.
const ALIKE: f64 = 0.7;
/// Closer than this, two stretches are as alike as each other: a loop repeats itself. Own choice.
const AS_ALIKE: f64 = 0.02;
/// An offset is ambiguous where another one, farther away than a filter moves an onset, is as
/// alike but for this. Own choice: a copy of a tone differs by less, other notes of the same
/// instrument by more.
const AMBIGUOUS: f64 = 0.03;
/// Share of the peak from which the octave correlation at another lag is looked at closely. Its
/// normalisation is that of the whole stretch, so that it may be off by a few decibels.
const RIVAL: f32 = 0.7;
/// Other lags that are looked at closely.
const RIVALS: usize = 4;
/// Likeness in any phase from which a stretch lies where it is expected, although its phase
/// turns with frequency. Own choice: other music has 0.5 and less.
const ALIKE_IN_ANY_PHASE: f64 = 0.9;
/// Windows without which a sum says nothing, and how often its median one window may count.
const ENOUGH_WINDOWS: u32 = 8;
const CLIP: f32 = 8.0;

/// Which stretch of which tracks is looked at.
#[derive(Clone, Copy, Debug)]
pub(super) struct Stretch {
    pub(super) mix_track: usize,
    pub(super) master_track: usize,
    /// First frame of the short stretch, in the mix.
    pub(super) from: i64,
    /// The offset in the middle of the range.
    pub(super) about: i64,
}

/// What a look found.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Found {
    /// One of the two is silent there.
    Silence,
    /// Both sound; nothing stands out that is alike.
    Nothing,
    /// They are as alike at several offsets.
    Repeats,
    Peak(Peak),
}

/// The largest correlation of a range.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Peak {
    pub(super) offset: i64,
    pub(super) inverted: bool,
    /// Peak over median.
    pub(super) confidence: f64,
    /// First frame of the mix that had a part in it.
    pub(super) from: i64,
    /// Found by several windows together, and by none alone.
    pub(super) together: bool,
}

/// Correlations added up while none of them stands out alone.
#[derive(Debug, Default)]
pub(super) struct Sum {
    values: Vec<f32>,
    from: i64,
    about: i64,
    windows: u32,
}

impl Sum {
    fn add(&mut self, correlation: &[f32], median: f32, stretch: Stretch) {
        if self.windows == 0 || self.about != stretch.about {
            self.windows = 0;
            self.from = stretch.from;
            self.about = stretch.about;
            self.values.clear();
            self.values.resize(correlation.len(), 0.0);
        }
        // No window may outvote the others: a click in each of two pieces stands out a hundred
        // times, but never twice at the same lag.
        let most = CLIP * median;
        for (sum, value) in self.values.iter_mut().zip(correlation) {
            *sum += (value / most).clamp(-1.0, 1.0);
        }
        self.windows += 1;
    }

    /// Gives its memory back, too.
    pub(super) fn forget(&mut self) {
        *self = Self::default();
    }
}

pub(super) struct Correlator {
    /// Frames of the short stretch.
    pub(super) short: usize,
    /// Lags either side of the middle.
    pub(super) reach: usize,
    forward: Arc<dyn RealToComplex<f32>>,
    inverse: Arc<dyn ComplexToReal<f32>>,
    short_taper: Vec<f32>,
    long_taper: Vec<f32>,
    /// Bins with weight.
    bins: std::ops::Range<usize>,
    time: Vec<f32>,
    short_spectrum: Vec<Complex<f32>>,
    long_spectrum: Vec<Complex<f32>>,
    scratch: Vec<Complex<f32>>,
    sorted: Vec<f32>,
    /// The cross spectrum with every octave of one weight, and its correlation.
    octave_spectrum: Vec<Complex<f32>>,
    octave_time: Vec<f32>,
    octaves: Vec<std::ops::Range<usize>>,
    likeness: Likeness,
    /// Offsets closer than this are one: what a filter does to an onset.
    near: usize,
    /// Mean square below which a stretch is silence.
    silence: f32,
}

impl Correlator {
    /// For lags of `reach` either way, by transforms of `size` frames: the short stretch is
    /// what is left of them.
    pub(super) fn new(sample_rate: u32, size: usize, reach: usize, silence: f64) -> Self {
        let short = size - 2 * reach;
        let mut planner = RealFftPlanner::new();
        let forward = planner.plan_fft_forward(size);
        let inverse = planner.plan_fft_inverse(size);
        let bin = f64::from(sample_rate) / size as f64;
        let low = (40.0 / bin).ceil() as usize;
        let high = (20_000_f64.min(0.45 * f64::from(sample_rate)) / bin) as usize;
        Self {
            short,
            reach,
            short_taper: raised_cosine(short, short / 4),
            // Cut edges would sound in both and correlate where they meet.
            long_taper: raised_cosine(size, reach.min(size / 16)),
            bins: low.max(1)..high.min(size / 2),
            time: forward.make_input_vec(),
            short_spectrum: forward.make_output_vec(),
            long_spectrum: forward.make_output_vec(),
            scratch: vec![
                Complex::default();
                forward.get_scratch_len().max(inverse.get_scratch_len())
            ],
            sorted: Vec::new(),
            octave_spectrum: forward.make_output_vec(),
            octave_time: forward.make_input_vec(),
            octaves: octaves(bin, size),
            near: filter_delay(sample_rate) as usize,
            likeness: Likeness::new(sample_rate, short),
            silence: silence as f32,
            forward,
            inverse,
        }
    }

    /// Looks for the stretch at `2 * reach + 1` lags.
    ///
    /// Of those that are as alike, the one closest to the `favourite` offset is taken, since music
    /// repeats itself. `sum` gathers what no window tells alone.
    pub(super) fn look(
        &mut self,
        (mix, master): (&Buffer, &Buffer),
        stretch: Stretch,
        favourite: i64,
        sum: Option<&mut Sum>,
        least_confidence: f64,
    ) -> Found {
        if self.correlate(mix, master, stretch).is_none() {
            return Found::Silence;
        }
        let correlation = &self.time[..2 * self.reach + 1];
        let median = median_of(correlation, &mut self.sorted);
        let first_lag = stretch.about - self.reach as i64;
        let lag_of = |offset: i64| {
            let lag = usize::try_from(offset - first_lag).ok()?;
            (lag < correlation.len()).then_some(lag)
        };
        let favourite = lag_of(favourite);
        let candidates = candidates(correlation, favourite, median, least_confidence as f32);
        let likeness = &mut self.likeness;
        let middle = stretch.from + ((self.short - likeness.length) / 2) as i64;
        likeness.first(mix, stretch.mix_track, middle);
        let mut best: Option<(usize, Alike)> = None;
        // Favoured without standing out: it need not be surpassed, only be alike.
        let stands_out_nearby = candidates
            .iter()
            .any(|&lag| favourite.is_some_and(|favourite| lag.abs_diff(favourite) <= NEAR));
        let candidates = favourite
            .filter(|favourite| !candidates.contains(favourite))
            .into_iter()
            .chain(candidates);
        let mut in_place = None;
        for lag in candidates {
            let offset = first_lag + lag as i64;
            let alike = likeness.with(master, stretch.master_track, middle + offset);
            if Some(lag) == favourite {
                in_place = Some((lag, alike.any_phase));
                if stands_out_nearby && correlation[lag].abs() < size_nearby(correlation, lag) {
                    continue;
                }
            }
            let before = best.map_or(ALIKE, |(_, before)| before.mean.abs() + AS_ALIKE);
            if alike.mean.abs() >= before {
                best = Some((lag, alike));
            }
        }
        let peak = |lag: usize, inverted: bool| Peak {
            offset: first_lag + lag as i64,
            inverted,
            confidence: f64::from(correlation[lag].abs() / median),
            from: stretch.from,
            together: false,
        };
        if let Some((lag, alike)) = best {
            let found = peak(lag, alike.inverted);
            if self.is_ambiguous(master, stretch, (lag, alike.mean.abs())) {
                return Found::Repeats;
            }
            // A phase that turns with frequency moves the peak and leaves every octave alike.
            return Found::Peak(match in_place {
                Some((expected, any_phase))
                    if expected.abs_diff(lag) > self.near
                        && any_phase >= alike.mean.abs() - self.doubt(expected, lag) =>
                {
                    Peak {
                        offset: first_lag + expected as i64,
                        inverted: false,
                        ..found
                    }
                }
                _ => found,
            });
        }
        // All-passes and steep filters turn the phase: nothing is alike sample by sample, and
        // no other place is better than the expected one.
        if let Some((lag, any_phase)) = in_place
            && any_phase >= ALIKE_IN_ANY_PHASE
        {
            return Found::Peak(peak(lag, false));
        }
        let Some(sum) = sum else {
            return Found::Nothing;
        };
        sum.add(correlation, median, stretch);
        let median = median_of(&sum.values, &mut self.sorted);
        let lag = largest_of(&sum.values, &[], NEAR);
        let size = sum.values[lag];
        let confidence = f64::from(size.abs() / median);
        if sum.windows < ENOUGH_WINDOWS || confidence < least_confidence {
            return Found::Nothing;
        }
        Found::Peak(Peak {
            offset: first_lag + lag as i64,
            inverted: size < 0.0,
            confidence,
            from: sum.from,
            together: true,
        })
    }

    /// By so much the place that was expected may be less alike, in any phase, than the one that
    /// was found. Own choice: all-passes and crossovers at 1 kHz delay what lies below by 20
    /// samples.
    fn doubt(&self, expected: usize, lag: usize) -> f64 {
        if expected.abs_diff(lag) <= 4 * self.near {
            0.05
        } else {
            0.0
        }
    }

    /// Whether the stretch lies about as well at a lag that is not near the one that was found.
    fn is_ambiguous(
        &mut self,
        master: &Buffer,
        stretch: Stretch,
        (lag, alike): (usize, f64),
    ) -> bool {
        let lags = 2 * self.reach + 1;
        let octave = &self.octave_time[..lags];
        let least = RIVAL * octave[lag].abs();
        let middle = stretch.from + ((self.short - self.likeness.length) / 2) as i64;
        let first_lag = stretch.about - self.reach as i64;
        // Low sounds have one broad peak: they are as alike right beside it.
        let beside = [lag.checked_sub(self.near + 1), Some(lag + self.near + 1)];
        let beside = beside.into_iter().flatten().filter(|&lag| lag < lags);
        let mut rivals: Vec<usize> = beside.collect();
        let mut seen = vec![lag];
        while seen.len() <= RIVALS {
            let rival = largest_of(octave, &seen, self.near);
            if octave[rival].abs() < least || seen.contains(&rival) {
                break;
            }
            seen.push(rival);
            rivals.push(rival);
        }
        rivals.retain(|&rival| octave[rival].abs() >= least);
        rivals.into_iter().any(|rival| {
            let from = middle + first_lag + rival as i64;
            let other = self.likeness.with(master, stretch.master_track, from);
            other.mean.abs() >= alike - AMBIGUOUS
        })
    }

    /// Whether the stretch lies as well at `other` as at `offset`.
    pub(super) fn as_alike(
        &mut self,
        (mix, master): (&Buffer, &Buffer),
        stretch: Stretch,
        (offset, other): (i64, i64),
    ) -> bool {
        let likeness = &mut self.likeness;
        let middle = stretch.from + ((self.short - likeness.length) / 2) as i64;
        likeness.first(mix, stretch.mix_track, middle);
        let mut at = |offset| {
            let alike = likeness.with(master, stretch.master_track, middle + offset);
            alike.mean.abs()
        };
        at(other) >= at(offset) - AS_ALIKE
    }

    /// Leaves the correlations in `time` and `octave_time`; `None` where one of the two is silent.
    fn correlate(&mut self, mix: &Buffer, master: &Buffer, stretch: Stretch) -> Option<()> {
        let (short, rest) = self.time.split_at_mut(self.short);
        mix.copy(stretch.mix_track, stretch.from, short);
        rest.fill(0.0);
        if is_silent(short, self.silence) {
            return None;
        }
        multiply(short, &self.short_taper);
        self.forward
            .process_with_scratch(&mut self.time, &mut self.short_spectrum, &mut self.scratch)
            .ok()?;
        let from = stretch.from + stretch.about - self.reach as i64;
        master.copy(stretch.master_track, from, &mut self.time);
        if is_silent(&self.time, self.silence) {
            return None;
        }
        multiply(&mut self.time, &self.long_taper);
        self.forward
            .process_with_scratch(&mut self.time, &mut self.long_spectrum, &mut self.scratch)
            .ok()?;
        self.whiten();
        self.inverse
            .process_with_scratch(
                &mut self.octave_spectrum,
                &mut self.octave_time,
                &mut self.scratch,
            )
            .ok()?;
        self.inverse
            .process_with_scratch(&mut self.long_spectrum, &mut self.time, &mut self.scratch)
            .ok()?;
        Some(())
    }

    /// Makes the cross spectrum, of equal size in every octave, and in every bin that holds
    /// something.
    fn whiten(&mut self) {
        let bins = self.bins.clone();
        let powers: Vec<[f64; 2]> = self
            .octaves
            .iter()
            .map(|octave| {
                [&self.short_spectrum, &self.long_spectrum].map(|spectrum| {
                    let bins = spectrum[octave.clone()].iter();
                    bins.map(|bin| f64::from(bin.norm_sqr())).sum()
                })
            })
            .collect();
        let loudest = powers.iter().map(|power| power[0]).fold(0.0, f64::max);
        self.octave_spectrum.fill(Complex::default());
        for (octave, [short, long]) in self.octaves.iter().zip(&powers) {
            let both = (short * long).sqrt();
            // As in `likeness`: what is 50 dB down has no voice.
            if *short <= 1e-5 * loudest || both <= 0.0 {
                continue;
            }
            let scale = (1.0 / both) as f32;
            for bin in octave.clone() {
                self.octave_spectrum[bin] =
                    self.long_spectrum[bin] * self.short_spectrum[bin].conj() * scale;
            }
        }
        let mut sum = 0.0_f64;
        let pairs = self.long_spectrum[bins.clone()]
            .iter_mut()
            .zip(&self.short_spectrum[bins.clone()]);
        for (long, short) in pairs {
            *long *= short.conj();
            sum += f64::from(long.norm_sqr());
        }
        // 200 dB below the loudest bins, which is 100 dB in either signal, lies what f32 rounds
        // and not what was played.
        let floor = ((sum / bins.len().max(1) as f64).sqrt() * 1e-10) as f32;
        let scale = 1.0 / (2.0 * bins.len().max(1) as f32);
        for cross in &mut self.long_spectrum[bins.clone()] {
            let size = cross.norm_sqr().sqrt() + floor;
            *cross = if size > f32::MIN_POSITIVE {
                *cross * (scale / size)
            } else {
                Complex::default()
            };
        }
        self.long_spectrum[..bins.start].fill(Complex::default());
        self.long_spectrum[bins.end..].fill(Complex::default());
    }
}

/// Frames by which a filter of minimum phase may move an onset: 8 at 48 kHz, as long at other
/// rates and never less. Own choice, from gentle low-passes and shelves on music.
pub(super) fn filter_delay(sample_rate: u32) -> i64 {
    (i64::from(sample_rate) * 8 / 48_000).max(8)
}

/// Bins of the octaves of [`likeness`](super::likeness).
fn octaves(bin: f64, size: usize) -> Vec<std::ops::Range<usize>> {
    let place = |hertz: f64| ((hertz / bin).ceil() as usize).clamp(1, size / 2);
    let octaves = OCTAVES.iter().map(|&low| place(low)..place(2.0 * low));
    octaves.filter(|octave| !octave.is_empty()).collect()
}

/// Lags worth a closer look, those closest to the favourite first.
fn candidates(
    correlation: &[f32],
    favourite: Option<usize>,
    median: f32,
    least_confidence: f32,
) -> Vec<usize> {
    let mut seen: Vec<usize> = Vec::new();
    while seen.len() < CANDIDATES {
        let lag = largest_of(correlation, &seen, NEAR);
        if correlation[lag].abs() < least_confidence * median {
            break;
        }
        seen.push(lag);
    }
    let Some(favourite) = favourite else {
        return seen;
    };
    // Where it was before it may be still, under the clicks.
    let about = favourite.saturating_sub(NEAR)..(favourite + NEAR + 1).min(correlation.len());
    let size = correlation[favourite].abs();
    let top = correlation[about].iter().all(|value| value.abs() <= size);
    if top && size >= 8.0 * median && !seen.contains(&favourite) {
        seen.push(favourite);
    }
    seen.sort_by_key(|lag| lag.abs_diff(favourite));
    seen
}

/// The lag of the largest correlation either way up that is not near those already `seen`.
fn largest_of(correlation: &[f32], seen: &[usize], near: usize) -> usize {
    const CHUNK: usize = 64;
    let mut lag = 0;
    let mut largest = -1.0;
    for (number, chunk) in correlation.chunks(CHUNK).enumerate() {
        // Most chunks are done with one look at their largest.
        let most = chunk
            .iter()
            .fold(0.0_f32, |most, value| most.max(value.abs()));
        if most <= largest {
            continue;
        }
        for (index, value) in chunk.iter().enumerate() {
            let index = number * CHUNK + index;
            if value.abs() > largest && seen.iter().all(|&seen| index.abs_diff(seen) > near) {
                largest = value.abs();
                lag = index;
            }
        }
    }
    lag
}

/// The median size, never 0. A few thousand lags tell it as well as a hundred thousand.
fn median_of(correlation: &[f32], sorted: &mut Vec<f32>) -> f32 {
    let step = (correlation.len() / 4096).max(1);
    sorted.clear();
    sorted.extend(correlation.iter().step_by(step).map(|value| value.abs()));
    let middle = sorted.len() / 2;
    let (_, median, _) = sorted.select_nth_unstable_by(middle, f32::total_cmp);
    median.max(1e-9)
}

/// The largest correlation about a lag.
fn size_nearby(correlation: &[f32], lag: usize) -> f32 {
    let about = lag.saturating_sub(NEAR)..(lag + NEAR + 1).min(correlation.len());
    let sizes = correlation[about].iter().map(|value| value.abs());
    sizes.fold(0.0, f32::max)
}

fn is_silent(samples: &[f32], silence: f32) -> bool {
    mean_square(samples) < silence
}

/// Sixteen sums side by side, so that the loop has no chain.
pub(super) fn mean_square(samples: &[f32]) -> f32 {
    let mut sums = [0.0_f32; 16];
    let chunks = samples.chunks_exact(16);
    let rest: f32 = chunks
        .remainder()
        .iter()
        .map(|sample| sample * sample)
        .sum();
    for chunk in chunks {
        for (sum, sample) in sums.iter_mut().zip(chunk) {
            *sum += sample * sample;
        }
    }
    (sums.iter().sum::<f32>() + rest) / samples.len().max(1) as f32
}

pub(super) fn multiply(samples: &mut [f32], factors: &[f32]) {
    for (sample, factor) in samples.iter_mut().zip(factors) {
        *sample *= factor;
    }
}

/// Ones, with `edge` frames of rise and of fall.
pub(super) fn raised_cosine(length: usize, edge: usize) -> Vec<f32> {
    (0..length)
        .map(|index| {
            let inside = index.min(length - 1 - index);
            if inside >= edge {
                return 1.0;
            }
            let phase = (inside as f64 + 0.5) / edge as f64;
            (0.5 - 0.5 * (std::f64::consts::PI * phase).cos()) as f32
        })
        .collect()
}
