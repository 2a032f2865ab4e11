//! Group T: what is left of the programme elsewhere. Information, never a fault.
//!
//! In: blocks of samples of a stereo file, a bed or a render, and the [`Fold`] that makes two
//! loudspeakers of them.
//! Out: [`TranslationFacts`]: stereo fold, mono, small bands and soundbar, each with loudness,
//! true peak and third-octave levels, and where mono loses much.
//!
//! Work is done in blocks at fixed places of the programme, so any cut gives the same bits. It is
//! done on middle and side: one K-filter serves stereo and mono (weighting is linear), one pair of
//! spectra serves both (so is the transform), and what needs no high frequencies runs at a lower
//! rate.

mod bands;
mod decimate;
mod fold;
mod losses;
mod peak;
mod table;
mod third_octaves;
mod types;
mod weighting;

#[cfg(test)]
mod tests;

pub use fold::Fold;
pub use types::*;

use bands::BandFilters;
use decimate::{CoarseDecimator, Decimator};
use fold::LFE_GAIN;
use losses::Losses;
use peak::PeakMeter;
use third_octaves::Welch;
use weighting::Weighting;

use crate::measure::hop::HopLoudness;
use crate::measure::stretches::{Stretches, is_black};
use crate::units::Hertz;

/// From the band rate to that of the bass spectra.
const BASS_FACTOR: usize = 8;
/// Frames of a bass spectrum: 1.4 s, so that the band at 20 Hz has six bins.
const BASS_FRAMES: usize = 4096;

/// The meter of one file, or of one render.
pub struct TranslationMeter {
    blocks: Stretches,
    desk: Desk,
}

/// Takes whole blocks.
struct Desk {
    rate: Hertz,
    fold: Fold,
    block: usize,
    factor: usize,
    /// The first frame of the block that comes next.
    at: u64,
    quiet_blocks: u32,
    stages: Stages,
}

/// Everything behind the fold.
struct Stages {
    weighting: Weighting,
    /// Mono and weighted mono, for the bands.
    decimators: [Decimator; 2],
    /// Middle, side, low-frequency channel.
    bass_decimators: Vec<CoarseDecimator>,
    bands: BandFilters,
    spectra: Welch,
    bass: BassSpectra,
    loudness: Vec<HopLoudness>,
    losses: Losses,
    hop: u64,
    energies: [f64; VIEWS],
    /// Of mono, the fold, and the fold with LFE.
    mono_peak: PeakMeter,
    fold_peaks: Vec<PeakMeter>,
    lfe_peaks: Vec<PeakMeter>,
}

/// Energies that are kept per 100 ms: stereo, mono, three bands, with LFE.
const VIEWS: usize = 6;
const WITH_LFE: usize = 5;

/// Overlapping spectra of the lowest band, and what they say of the bass.
struct BassSpectra {
    welch: Welch,
    held: Vec<Vec<f32>>,
    /// K-weighted energy from 30 to 100 Hz of all windows, and of those in which 100 to 400 Hz
    /// stands for it.
    bass: f64,
    carried: f64,
    k_gain: Vec<f64>,
}

impl TranslationMeter {
    pub fn new(rate: Hertz, fold: Fold) -> Self {
        let block = block_frames(rate);
        let factor = ((f64::from(rate.value()) / 24_000.0).round() as usize)
            .next_power_of_two()
            .min(block / (2 * BASS_FACTOR));
        Self {
            blocks: Stretches::new(block, fold.gains.len()),
            desk: Desk {
                stages: Stages::new(rate, block, factor, !fold.lfe.is_empty()),
                fold,
                rate,
                block,
                factor,
                at: 0,
                quiet_blocks: 0,
            },
        }
    }

    /// Takes the next samples, `[channel][frame]`, all channels equally long, as many channels as
    /// the fold has.
    pub fn feed(&mut self, planes: &[&[f64]]) {
        assert_eq!(
            planes.len(),
            self.desk.fold.gains.len(),
            "as many channels as the fold has"
        );
        self.blocks.feed(planes, |block| self.desk.take(block));
    }

    /// Ends the programme and reads the table.
    pub fn finish(self) -> TranslationFacts {
        let Self {
            mut blocks,
            mut desk,
        } = self;
        blocks.finish(|rest| desk.take_rest(rest));
        table::read(desk)
    }
}

impl Desk {
    fn take(&mut self, planes: &[&[f64]]) {
        self.read(planes, planes[0].len());
    }

    /// Silence follows; hops that do not end within the programme are not counted.
    fn take_rest(&mut self, rest: &[&[f64]]) {
        let longer = rest.iter().map(|plane| {
            let mut plane = plane.to_vec();
            plane.resize(self.block, 0.0);
            plane
        });
        let longer: Vec<Vec<f64>> = longer.collect();
        let planes: Vec<&[f64]> = longer.iter().map(Vec::as_slice).collect();
        self.read(&planes, rest[0].len());
    }

    /// Takes a block, of which `frames` are the programme's.
    fn read(&mut self, planes: &[&[f64]], frames: usize) {
        let quiet = planes.iter().all(|plane| is_black(plane));
        // One block of silence lets the filters ring out, after that there is nothing.
        self.quiet_blocks = if quiet { self.quiet_blocks + 1 } else { 0 };
        let ends = self.stages.ends(self.at, self.block, self.rate);
        if self.quiet_blocks > 1 {
            self.stages.silence(self.block, self.factor);
        } else {
            let lfe = self.low_frequency(planes);
            if self.fold.plain() {
                let (sides, peaks) = ([planes[0], planes[1]], self.fold.peaks);
                self.stages.block(sides, lfe.as_deref(), peaks, &ends);
            } else {
                let [left, right] = folded(planes, &self.fold.gains);
                let sides = [&left[..], &right[..]];
                self.stages.block(sides, lfe.as_deref(), true, &ends);
            }
        }
        let end = self.at + frames as u64;
        self.stages
            .hops(self.at, &ends, self.factor, self.rate, end);
        self.at += self.block as u64;
    }

    fn low_frequency(&self, planes: &[&[f64]]) -> Option<Vec<f64>> {
        let (&first, rest) = self.fold.lfe.split_first()?;
        let mut sum = planes[first].to_vec();
        for &index in rest {
            sum.iter_mut().zip(planes[index]).for_each(|(s, v)| *s += v);
        }
        Some(sum)
    }
}

/// The power of two of about 85 ms: 12 Hz to a bin.
fn block_frames(rate: Hertz) -> usize {
    (rate.value() as usize * 8 / 100)
        .next_power_of_two()
        .max(512)
}

fn folded(planes: &[&[f64]], gains: &[[f64; 2]]) -> [Vec<f64>; 2] {
    let mut sides = [0, 1].map(|_| vec![0.0; planes[0].len()]);
    for (plane, gains) in planes.iter().zip(gains) {
        for (side, gain) in sides.iter_mut().zip(gains) {
            if *gain != 0.0 {
                side.iter_mut()
                    .zip(*plane)
                    .for_each(|(s, v)| *s += gain * v);
            }
        }
    }
    sides
}

impl Stages {
    fn new(rate: Hertz, block: usize, factor: usize, lfe: bool) -> Self {
        let full = f64::from(rate.value());
        let small = full / factor as f64;
        let signals = if lfe { 3 } else { 2 };
        let sides = |rate: f64| vec![PeakMeter::new(rate), PeakMeter::new(rate)];
        Self {
            weighting: Weighting::new(full),
            decimators: [0, 1].map(|_| Decimator::new(factor, 16)),
            bass_decimators: (0..signals)
                .map(|_| CoarseDecimator::new(factor * BASS_FACTOR, 6))
                .collect(),
            bands: BandFilters::new(small),
            spectra: Welch::new(block, full, signals, LFE_GAIN),
            bass: BassSpectra::new(rate, small / BASS_FACTOR as f64, signals),
            loudness: (0..VIEWS).map(|_| HopLoudness::new(rate)).collect(),
            losses: Losses::new(rate),
            hop: 0,
            energies: [0.0; VIEWS],
            mono_peak: PeakMeter::new(full),
            fold_peaks: sides(full),
            lfe_peaks: if lfe { sides(full) } else { Vec::new() },
        }
    }

    /// Takes a block of the fold; `peaks`: whether its own true peak is wanted; `ends`: where
    /// hops of 100 ms end in it, and its own end.
    fn block(
        &mut self,
        [left, right]: [&[f64]; 2],
        lfe: Option<&[f64]>,
        peaks: bool,
        ends: &[usize],
    ) {
        self.weighting.run(left, right, lfe, ends);
        let Weighting {
            mid,
            side,
            weighted_mid,
            ..
        } = &self.weighting;
        let [mono, weighted_mono] = &mut self.decimators;
        mono.run(mid);
        weighted_mono.run(weighted_mid);
        self.bands.run(&mono.out, &weighted_mono.out);
        let lfe = lfe.map(narrow);
        let signals = [Some(mid), Some(side), lfe.as_ref()];
        let signals: Vec<&[f32]> = signals.into_iter().flatten().map(Vec::as_slice).collect();
        for (decimator, signal) in self.bass_decimators.iter_mut().zip(&signals) {
            decimator.run(signal);
        }
        self.spectra.block(&signals);
        let lows: Vec<&[f32]> = self.bass_decimators.iter().map(|d| &d.out[..]).collect();
        self.bass.take(&lows);
        self.mono_peak.feed(mid);
        if peaks {
            for (meter, side) in self.fold_peaks.iter_mut().zip([left, right]) {
                meter.feed(&narrow(side));
            }
        }
        if let Some(lfe) = &lfe {
            for (meter, side) in self.lfe_peaks.iter_mut().zip([left, right]) {
                let with = side
                    .iter()
                    .zip(lfe)
                    .map(|(s, l)| (s + LFE_GAIN * f64::from(*l)) as f32);
                meter.feed(&with.collect::<Vec<f32>>());
            }
        }
    }

    /// A block of silence after silence.
    fn silence(&mut self, block: usize, factor: usize) {
        self.weighting.clear();
        self.decimators.iter_mut().for_each(Decimator::clear);
        self.bass_decimators
            .iter_mut()
            .for_each(CoarseDecimator::clear);
        self.bands.clear();
        self.spectra.silence();
        let zeros = vec![0.0; block / factor / BASS_FACTOR];
        let lows: Vec<&[f32]> = self.bass_decimators.iter().map(|_| &zeros[..]).collect();
        self.bass.take(&lows);
    }

    /// Where hops end in a block that begins at frame `at`, and where the block does.
    fn ends(&self, at: u64, block: usize, rate: Hertz) -> Vec<usize> {
        let hops = (self.hop + 1..).map(|hop| HopLoudness::start(hop, rate) - at);
        let inside = hops.map_while(|end| usize::try_from(end).ok().filter(|&end| end < block));
        inside.chain([block]).collect()
    }

    /// Adds the block's energies to the hops that it touches; closes those that end in it and
    /// within the programme, which ends at `frames`.
    fn hops(&mut self, at: u64, ends: &[usize], factor: usize, rate: Hertz, frames: u64) {
        let mut from = 0usize;
        for (stretch, &to) in ends.iter().enumerate() {
            let squares = self.weighting.squares.get(stretch);
            let [mid, side, mid_with_lfe] = squares.copied().unwrap_or_default();
            // Left and right together have twice the energy of middle and side.
            self.energies[0] += 2.0 * (mid + side);
            self.energies[1] += 2.0 * mid;
            self.energies[WITH_LFE] += 2.0 * (mid_with_lfe + side);
            let bands = self
                .bands
                .energies(from.div_ceil(factor), to.div_ceil(factor));
            for (sum, energy) in self.energies[2..].iter_mut().zip(bands) {
                *sum += 2.0 * factor as f64 * energy;
            }
            from = to;
            let end = HopLoudness::start(self.hop + 1, rate);
            if at + to as u64 == end {
                let energies = std::mem::take(&mut self.energies);
                self.hop += 1;
                if end <= frames {
                    for (meter, energy) in self.loudness.iter_mut().zip(energies) {
                        meter.step(energy);
                    }
                    self.losses.step(energies[0], energies[1]);
                }
            }
        }
    }
}

impl BassSpectra {
    fn new(rate: Hertz, small: f64, signals: usize) -> Self {
        let welch = Welch::new(BASS_FRAMES, small, signals, LFE_GAIN);
        let width = small / BASS_FRAMES as f64;
        Self {
            k_gain: (0..=BASS_FRAMES / 2)
                .map(|bin| table::k_power_gain(bin as f64 * width, f64::from(rate.value())))
                .collect(),
            welch,
            held: vec![Vec::new(); signals],
            bass: 0.0,
            carried: 0.0,
        }
    }

    fn take(&mut self, lows: &[&[f32]]) {
        for (held, low) in self.held.iter_mut().zip(lows) {
            held.extend_from_slice(low);
        }
        if self.held[0].len() >= BASS_FRAMES {
            self.look();
            self.held.iter_mut().for_each(|held| {
                held.drain(..BASS_FRAMES / 2);
            });
        }
    }

    fn look(&mut self) {
        let signals: Vec<&[f32]> = self.held.iter().map(|held| &held[..BASS_FRAMES]).collect();
        if signals
            .iter()
            .all(|signal| signal.iter().all(|&v| v == 0.0))
        {
            return self.welch.silence();
        }
        self.welch.block(&signals);
        let width = self.welch.rate / BASS_FRAMES as f64;
        let gain = |hertz: f64| self.k_gain[(hertz / width).round() as usize];
        let bass = self.welch.last([30.0, 100.0], gain);
        let over = self.welch.last([100.0, 400.0], gain);
        self.bass += bass;
        self.carried += if over >= 0.1 * bass { bass } else { 0.0 };
    }

    /// A programme too short for one window is looked at with silence after it.
    fn finish(&mut self) {
        self.tail();
        self.welch.finish();
    }

    fn tail(&mut self) {
        if self.bass == 0.0 && !self.held[0].is_empty() {
            self.held
                .iter_mut()
                .for_each(|held| held.resize(BASS_FRAMES, 0.0));
            self.look();
        }
    }
}

fn narrow(samples: &[f64]) -> Vec<f32> {
    samples.iter().map(|&sample| sample as f32).collect()
}
