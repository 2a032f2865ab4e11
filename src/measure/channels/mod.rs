//! Group G: what the channels of a file have to do with each other.
//!
//! In: blocks of samples, and the labels that say where each channel plays, if anybody says.
//! Out: [`ChannelFacts`]: correlation, identity, delay, balance and order, and the places where
//! something is wrong, each with a confidence. No limits, no opinion; without a reference
//! version, so that what only a comparison shows stays a hint.

mod balance;
mod content;
mod correlation;
mod delay;
mod order;
mod pairs;
mod sides;
mod spectra;
mod types;
mod verdict;

#[cfg(test)]
mod tests;
#[cfg(test)]
mod tests_without_labels;

pub(crate) use pairs::mirrored;
pub use types::*;

use balance::BalanceMeter;
use content::{ContentMeter, energy};
use correlation::{Alone, Lines, Products, Times, Windows};
use delay::{Back, DelayMeter};
use pairs::Pair;
use sides::SideMeter;
use spectra::{Spectra, Weighted};

use crate::layout::Label;
use crate::measure::stretches::Stretches;
use crate::units::Hertz;
use crate::vector::fast;

/// The low band: there recordings and mixes are nearly mono (20 to 250 Hz, own choice), and the
/// two over it.
const LOW: std::ops::Range<f64> = 20.0..250.0;
const MID: std::ops::Range<f64> = 250.0..2000.0;
const HIGH: std::ops::Range<f64> = 2000.0..8000.0;
/// A block whose channels are both over -60 dBFS sounds: common practice, no source.
const SOUNDING: f64 = 1e-6;

/// The meter of one file.
pub struct ChannelMeter {
    blocks: Stretches,
    desk: Desk,
}

/// Takes blocks of one length; only the last one of a file may be shorter.
struct Desk {
    rate: Hertz,
    labels: Option<Vec<Label>>,
    block: usize,
    frames: u64,
    spectra: Spectra,
    back: Back,
    channels: Vec<ContentMeter>,
    /// The block's own sums of squares and whether a channel is all zeros in it.
    squares: Vec<f64>,
    silent: Vec<bool>,
    pairs: Vec<PairMeter>,
    /// Indices of L, R, Ls, Rs.
    sides: Option<([usize; 4], SideMeter)>,
    coverage: ChannelCoverage,
}

/// All that is kept of one pair.
struct PairMeter {
    pair: Pair,
    all: Products,
    bands: [Products; 3],
    apart: f64,
    windows: Windows,
    delay: DelayMeter,
    balance: BalanceMeter,
}

impl ChannelMeter {
    /// `labels`: one a channel; `None` where nobody says where they play: then every two
    /// channels are held against each other.
    pub fn new(rate: Hertz, channels: usize, labels: Option<&[Label]>) -> Self {
        let labels = labels.filter(|labels| labels.len() == channels);
        let pairs = pairs::pairs(channels, labels);
        let sides = side_indices(&pairs, labels);
        let uncovered = |has: bool| match labels {
            None if channels > 2 => Some(Uncovered::NoLabels { channels }),
            _ if has => None,
            _ => Some(Uncovered::NoSuchChannels),
        };
        let coverage = ChannelCoverage {
            pairs: pairs::chosen_by(channels, labels),
            balance: uncovered(!pairs.is_empty()),
            order: uncovered(labels.is_some_and(|labels| labels.iter().any(Label::is_lfe))),
            sides: uncovered(sides.is_some()),
        };
        Self::of_pairs(rate, channels, labels, &pairs, coverage)
    }

    /// For the tracks of an object-based master: what each holds, and no pairs.
    pub fn of_objects(rate: Hertz, tracks: usize) -> Self {
        let uncovered = Some(Uncovered::Objects { tracks });
        let coverage = ChannelCoverage {
            pairs: PairsFrom::Objects { tracks },
            balance: uncovered,
            order: uncovered,
            sides: uncovered,
        };
        Self::of_pairs(rate, tracks, None, &[], coverage)
    }

    fn of_pairs(
        rate: Hertz,
        channels: usize,
        labels: Option<&[Label]>,
        found: &[Pair],
        coverage: ChannelCoverage,
    ) -> Self {
        let spectra = Spectra::new(rate, channels);
        let back = Back::new(f64::from(rate.value()), &spectra);
        let block = spectra.frames();
        let pairs = found.iter().map(|&pair| PairMeter {
            pair,
            all: Products::default(),
            bands: [Products::default(); 3],
            apart: 0.0,
            windows: Windows::new(f64::from(rate.value()), block, pair.front),
            delay: DelayMeter::new(&back),
            // 20 dB over what the delay meter takes for noise.
            balance: BalanceMeter::new(spectra.noise_power(4e-8)),
        });
        Self {
            blocks: Stretches::new(block, channels),
            desk: Desk {
                pairs: pairs.collect(),
                sides: side_indices(found, labels).map(|indices| {
                    let bins = spectra.bins(sides::EDGES[0]..sides::EDGES[sides::BANDS]);
                    (indices, SideMeter::new(bins))
                }),
                coverage,
                labels: labels.map(<[Label]>::to_vec),
                rate,
                block,
                frames: 0,
                back,
                spectra,
                channels: (0..channels).map(|_| ContentMeter::new()).collect(),
                squares: vec![0.0; channels],
                silent: vec![true; channels],
            },
        }
    }

    /// Takes the next samples, `[channel][frame]`, all channels equally long.
    pub fn feed(&mut self, planes: &[&[f64]]) {
        assert_eq!(
            planes.len(),
            self.desk.channels.len(),
            "as many channels as were ordered"
        );
        self.blocks.feed(planes, |block| self.desk.analyse(block));
    }

    /// Ends the file and says what was found.
    pub fn finish(self) -> ChannelFacts {
        let Self {
            mut blocks,
            mut desk,
        } = self;
        blocks.finish(|rest| desk.analyse(rest));
        verdict::facts(desk)
    }
}

impl Desk {
    fn analyse(&mut self, planes: &[&[f64]]) {
        let frames = planes[0].len();
        self.frames += frames as u64;
        // A block that ends too soon has an edge, and an edge has high frequencies of its own.
        let whole = frames == self.block;
        for (channel, samples) in planes.iter().enumerate() {
            let (squares, largest) = fast(Alone(samples));
            let content = &mut self.channels[channel];
            let silent = squares == 0.0;
            self.squares[channel] = squares;
            self.silent[channel] = silent;
            if !silent {
                content.squares += squares;
                content.largest = content.largest.max(largest);
            }
            self.spectra.take(channel, samples, silent || !whole);
            if self.spectra.sounding[channel] {
                content.spectrum(&self.spectra.power[channel]);
            }
        }
        self.analyse_pairs(planes);
        if let Some((indices, meter)) = &mut self.sides {
            let spectra = &self.spectra;
            if indices.iter().all(|&index| spectra.sounding[index]) {
                let energies = indices.map(|index| {
                    std::array::from_fn(|band| {
                        let hertz = sides::EDGES[band]..sides::EDGES[band + 1];
                        energy(&spectra.power[index], spectra.bins(hertz))
                    })
                });
                // -80 dBFS in a band.
                meter.block(energies, 1e-8 / spectra.to_mean_square());
                meter.lines(indices.map(|index| &spectra.lines[index][..]));
            }
        }
    }

    fn analyse_pairs(&mut self, planes: &[&[f64]]) {
        let frames = planes[0].len();
        let [low, mid, high] = [LOW, MID, HIGH].map(|hertz| self.spectra.bins(hertz));
        let common = self.spectra.bins(balance::BAND);
        let least = SOUNDING * frames as f64;
        for meter in &mut self.pairs {
            let (left, right) = (meter.pair.left, meter.pair.right);
            let both_silent = self.silent[left] && self.silent[right];
            let all = if both_silent {
                Products::default()
            } else {
                let (cross, apart) = fast(Times(planes[left], planes[right]));
                meter.apart = meter.apart.max(apart);
                Products {
                    left: self.squares[left],
                    right: self.squares[right],
                    cross,
                }
            };
            meter.all.add(all);
            let mut bands = [Products::default(); 3];
            if self.spectra.sounding[left] && self.spectra.sounding[right] {
                let lines = [
                    &self.spectra.lines[left][..],
                    &self.spectra.lines[right][..],
                ];
                let powers = [
                    &self.spectra.power[left][..],
                    &self.spectra.power[right][..],
                ];
                for (band, bins) in bands.iter_mut().zip([&low, &mid, &high]) {
                    *band = fast(Lines(&lines[0][bins.clone()], &lines[1][bins.clone()]));
                }
                if self.squares[left].min(self.squares[right]) > least {
                    meter
                        .delay
                        .block(lines[0], lines[1], powers, &mut self.back);
                    let [l, r] = lines.map(|lines| &lines[common.clone()]);
                    meter
                        .balance
                        .lines(l, r, powers.map(|p| &p[common.clone()]));
                }
                let [l, r] = powers.map(|power| fast(Weighted(power, &self.spectra.k_gain)));
                meter
                    .balance
                    .energies(l, r, SOUNDING / self.spectra.to_mean_square());
            }
            for (sum, band) in meter.bands.iter_mut().zip(bands) {
                sum.add(band);
            }
            if frames == self.block {
                meter.windows.block(all, bands[0]);
            }
        }
    }
}

/// L, R, Ls, Rs, where the front pair and a pair beside or behind at ear height are there.
fn side_indices(pairs: &[Pair], labels: Option<&[Label]>) -> Option<[usize; 4]> {
    let labels = labels?;
    let front = pairs.iter().find(|pair| pair.front)?;
    let side = pairs.iter().find(|pair| {
        let text = labels[pair.left].as_str();
        text == "M+110" || text == "M+090"
    })?;
    Some([front.left, front.right, side.left, side.right])
}
