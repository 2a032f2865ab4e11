//! Where the samples came from: bits really used, bandwidth, an older sample rate, a lossy codec.
//!
//! In: samples of all channels, any cut into blocks. Out: [`ProvenanceFacts`]. One pass: samples
//! are taken in stages of 85 ms; every stage gives its bits and levels, the first
//! `DENSE_STAGES` and then one in `SPARSE` a spectrum; the codec search runs at the end on a
//! few segments that were kept. Knows no limits.

mod bandwidth;
mod bits;
mod celt;
mod hybrid;
mod image;
mod lossy;
mod offsets;
mod origin;
mod rate_label;
mod segments;
mod spectrum;
#[cfg(test)]
mod tests;
mod transform;
mod types;
mod undithered;

use bandwidth::LongTerm;
use bits::BitsMeter;
use image::Images;
pub use rate_label::{RateLabel, rate_label};
use segments::Segments;
use spectrum::{Spectra, Subsonic, Transform, pass, stage_len};
pub use types::*;
use undithered::{NoiseFloor, UnditheredMeter};

use super::{Spot, Spots};
use crate::units::Hertz;

/// Own choice: stages whose spectra are all taken, so that short files are seen well.
const DENSE_STAGES: u64 = 64;
/// After that, one stage in this many.
const SPARSE: u64 = 8;
/// And one in this many is asked whether it is worth a codec search.
const SPARSE_SEGMENTS: u64 = 4;
/// trade.md, H7.
const ULTRASONIC_LIMIT_DBFS: f64 = -60.0;

/// Own choice: lines on each side of a tone that it is held against (about 500 Hz).
const TONE_SURROUNDINGS: usize = 40;
/// Own choice: a tone stands this far out; music's own partials seldom do over 20 kHz.
const TONE_DB: f64 = 20.0;

/// The meter of one file.
pub struct ProvenanceMeter {
    rate: u32,
    stage_len: usize,
    stage: Vec<Vec<f64>>,
    stages: u64,
    transform: Transform,
    powers: Vec<f64>,
    noise_floor: NoiseFloor,
    segments: Segments,
    channels: Vec<ChannelMeter>,
    ultrasonic: Spots,
}

struct ChannelMeter {
    bits: BitsMeter,
    spectra: Spectra,
    subsonic: Subsonic,
    undithered: UnditheredMeter,
    images: Images,
    squares: f64,
    loudest_ultrasonic: f64,
}

impl ProvenanceMeter {
    /// `bits`: the header's depth for integers; `None` for floating point.
    pub fn new(rate: Hertz, channels: usize, bits: Option<u32>) -> Self {
        let rate = rate.value();
        let len = stage_len(rate);
        Self {
            rate,
            stage_len: len,
            stage: (0..channels).map(|_| Vec::with_capacity(len)).collect(),
            stages: 0,
            transform: Transform::new(len),
            powers: Vec::new(),
            noise_floor: NoiseFloor::new(),
            segments: Segments::default(),
            channels: (0..channels)
                .map(|_| ChannelMeter {
                    bits: BitsMeter::new(bits),
                    spectra: Spectra::new(len),
                    subsonic: Subsonic::new(rate),
                    undithered: UnditheredMeter::default(),
                    images: Images::default(),
                    squares: 0.0,
                    loudest_ultrasonic: 0.0,
                })
                .collect(),
            ultrasonic: Spots::default(),
        }
    }

    /// Takes the next samples, `[channel][frame]`, all channels equally long.
    pub fn feed(&mut self, planes: &[&[f64]]) {
        let total = planes.first().map_or(0, |plane| plane.len());
        let mut done = 0;
        while done < total && !self.stage.is_empty() {
            let waiting = self.stage[0].len();
            let take = (self.stage_len - waiting).min(total - done);
            if take == self.stage_len {
                let whole: Vec<&[f64]> = planes.iter().map(|p| &p[done..done + take]).collect();
                self.take_stage(&whole, self.is_looked_at(SPARSE));
            } else {
                for (held, plane) in self.stage.iter_mut().zip(planes) {
                    held.extend_from_slice(&plane[done..done + take]);
                }
                if waiting + take == self.stage_len {
                    self.close_stage(self.is_looked_at(SPARSE));
                }
            }
            done += take;
        }
    }

    /// Whether the next stage is one of the first, or one in `pace`.
    fn is_looked_at(&self, pace: u64) -> bool {
        self.stages < DENSE_STAGES || self.stages.is_multiple_of(pace)
    }

    /// Takes the samples that were gathered as a stage.
    fn close_stage(&mut self, look: bool) {
        let held = std::mem::take(&mut self.stage);
        let planes: Vec<&[f64]> = held.iter().map(Vec::as_slice).collect();
        self.take_stage(&planes, look);
        self.stage = held;
        self.stage.iter_mut().for_each(Vec::clear);
    }

    fn take_stage(&mut self, planes: &[&[f64]], look: bool) {
        let start = self.stages * self.stage_len as u64;
        for (index, (&samples, channel)) in planes.iter().zip(&mut self.channels).enumerate() {
            let pass = pass(samples);
            channel.subsonic.feed(&pass.groups);
            let mean_square = pass.squares / samples.len().max(1) as f64;
            let quiet = channel.undithered.wants(mean_square);
            if pass.squares == 0.0 {
                continue;
            }
            channel.squares += pass.squares;
            channel.bits.grid.add(pass.grid.0, pass.grid.1);
            let coarse = |bits: u32| bits <= undithered::BITS;
            if quiet && channel.bits.grid.used_bits().is_some_and(coarse) {
                channel
                    .undithered
                    .look(start, samples, &mut self.noise_floor);
            }
            if look {
                channel.bits.look(samples);
                self.transform.powers(samples, &mut self.powers);
                channel.spectra.add(&self.powers);
                let (spectrum, norm) = (self.transform.spectrum(), self.transform.norm());
                channel.images.look(spectrum, self.rate, norm);
                let first = line_over(20_000.0, self.rate, self.powers.len());
                let level: f64 = self.powers.get(first..).unwrap_or(&[]).iter().sum();
                channel.loudest_ultrasonic = channel.loudest_ultrasonic.max(level);
                if decibels(level) > ULTRASONIC_LIMIT_DBFS {
                    self.ultrasonic.push(Spot {
                        start,
                        end: start + samples.len() as u64,
                        channel: Some(index),
                        size: decibels(level),
                        // Music is loud there too, at 44.1 kHz cymbals above all.
                        confidence: 0.0,
                        inherited: false,
                        summarised: false,
                    });
                }
            }
        }
        let long = planes.iter().all(|plane| plane.len() >= segments::SEGMENT);
        // The last stage is shorter, and looked at only where there is no other.
        let whole = look || planes.iter().all(|plane| plane.len() == self.stage_len);
        if long && whole && self.is_looked_at(SPARSE_SEGMENTS) {
            self.segments.look(start, planes);
        }
        self.stages += 1;
    }

    pub fn finish(mut self) -> ProvenanceFacts {
        if self.stage.first().is_some_and(|held| !held.is_empty()) {
            // A piece of a stage has bits, but its cut end would show in a spectrum; only a file
            // that is shorter than a stage has no other.
            self.close_stage(self.stages == 0);
        }
        let rate = self.rate;
        let framings = if (32_000..=50_000).contains(&rate) {
            lossy::search(&self.segments.finish(), rate)
        } else {
            Vec::new()
        };
        let channels = self
            .channels
            .iter()
            .map(|channel| channel.finish(rate))
            .collect::<Vec<_>>();
        let mut undithered = Spots::default();
        for (index, (meter, found)) in self.channels.iter().zip(&channels).enumerate() {
            for spot in meter.undithered.finish(index, found.bits.used_bits) {
                undithered.push(spot);
            }
        }
        undithered.sort();
        let lossy = origin::lossy(&framings, &channels);
        ProvenanceFacts {
            summary: Provenance {
                upsampled: origin::upsampled(&lossy, &channels),
                lossy,
                channels,
            },
            ultrasonic: self.ultrasonic,
            undithered,
        }
    }
}

impl ChannelMeter {
    fn finish(&self, rate: u32) -> ChannelProvenance {
        let (bits, kept) = self.bits.finish();
        let lines = self.spectra.logs.len();
        let mean_db = self.spectra.mean_db();
        let peak_db: Vec<f64> = self.spectra.largest.iter().map(|&p| decibels(p)).collect();
        let long_term = LongTerm::new(rate, &mean_db, &peak_db);
        let floor_db = bits.used_bits.map(|used| {
            let step = (2f64).powi(1 - used as i32);
            decibels(step * step / 12.0 / lines as f64)
        });
        let silent = self.spectra.looks == 0;
        ChannelProvenance {
            bandwidth: if silent {
                Bandwidth {
                    edge_hz: None,
                    step_db: None,
                }
            } else {
                long_term.bandwidth()
            },
            upsampled: match kept {
                _ if silent => None,
                Some(kept) => Some(long_term.kept(rate / kept.factor, kept.bits)),
                None => {
                    let image = self.images.found().map(|image| long_term.imaged(image));
                    long_term.upsampled(floor_db).or(image)
                }
            },
            levels: self.outer_bands(rate),
            bits,
        }
    }

    fn outer_bands(&self, rate: u32) -> OuterBands {
        let sum = &self.spectra.sum;
        let lines = sum.len();
        let split = line_over(16_000.0, rate, lines).min(lines);
        let (below, above) = sum.split_at(split);
        let (below, above): (f64, f64) = (below.iter().sum(), above.iter().sum());
        let ratio =
            |part: f64, whole: f64| (part > 0.0 && whole > 0.0).then(|| decibels(part / whole));
        let tone = self.ultrasonic_tone(rate);
        OuterBands {
            ultrasonic_dbfs: (self.loudest_ultrasonic > 0.0)
                .then(|| decibels(self.loudest_ultrasonic)),
            ultrasonic_tone_hz: tone.map(|(hz, _)| hz),
            ultrasonic_tone_dbfs: tone.map(|(_, level)| level),
            subsonic_db: ratio(self.subsonic.energy(), self.squares),
            over_16_khz_db: ratio(above, below),
        }
    }

    /// The strongest line over 20 kHz and its level (a Hann window spreads a tone over three
    /// lines), where it stands out of the median of the lines around it.
    fn ultrasonic_tone(&self, rate: u32) -> Option<(f64, f64)> {
        let mean = &self.spectra.sum;
        let first = line_over(20_000.0, rate, mean.len()) + 2;
        // The last lines are no place for a tone: half the rate itself.
        let last = mean.len().saturating_sub(TONE_SURROUNDINGS + 2);
        let line = (first..last).max_by(|&a, &b| mean[a].total_cmp(&mean[b]))?;
        let mut around: Vec<f64> = mean
            [line.saturating_sub(TONE_SURROUNDINGS).max(first)..line + TONE_SURROUNDINGS]
            .to_vec();
        let half = around.len() / 2;
        let median = *around.select_nth_unstable_by(half, f64::total_cmp).1;
        let power = mean[line - 1..=line + 1].iter().sum::<f64>() / self.spectra.looks as f64;
        let hz = line as f64 * f64::from(rate) / 2.0 / (mean.len() - 1) as f64;
        (decibels(mean[line] / median.max(1e-30)) > TONE_DB).then(|| (hz, decibels(power)))
    }
}

/// The first line over a frequency.
fn line_over(hz: f64, rate: u32, lines: usize) -> usize {
    (hz / (f64::from(rate) / 2.0) * (lines - 1) as f64).floor() as usize + 1
}

fn decibels(power: f64) -> f64 {
    10.0 * power.max(1e-30).log10()
}
