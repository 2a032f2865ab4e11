//! Clipping: flat tops at full scale or at any level below it.
//!
//! In: samples and the step of their values. Out: passages per channel with size and confidence,
//! and how much of the programme is clipped. Does not say whether it is meant: clipping is also a
//! sound, so a programme that is clipped all over is given little confidence.

mod flat_tops;
mod passages;
mod verdict;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::spot::Spots;
use super::stretches::Stretches;
use crate::units::{Dbfs, Hertz};
use flat_tops::FlatTops;
use passages::Passages;

/// Looks for clipped passages.
///
/// Follows C. Laguna and A. Lerch, "An efficient algorithm for clipping detection and declipping
/// audio", AES 141st Convention, 2016, in its idea alone (its abstract was read, not its text): the
/// distribution of the largest values tells the clipping level, the shape of the wave there
/// whether it was cut. Here the level is the largest value within 40 ms, so that it may differ
/// from passage to passage, and the shape is held against what a wave with that slope would do.
pub struct ClippingMeter {
    stretches: Stretches,
    channels: Vec<Channel>,
}

struct Channel {
    flat_tops: FlatTops,
    passages: Passages,
}

/// What [`ClippingMeter`] found.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct ClippingFacts {
    /// Clipped passages: flat tops of one channel less than 100 ms apart. Size: the largest
    /// overshoot in dB, estimated from the slopes on both sides.
    pub passages: Spots,
    /// In file order.
    pub channels: Vec<ClippingFigures>,
}

/// How much of a channel is clipped.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ClippingFigures {
    /// Tops that were cut: at least 3 consecutive samples.
    pub flat_tops: u64,
    /// Samples in them.
    pub flat_samples: u64,
    /// Samples in the longest.
    pub longest_flat_top: u64,
    /// The level at which most tops were cut; `None` without any.
    pub level_dbfs: Option<Dbfs>,
    /// Largest estimated overshoot.
    pub largest_overshoot_db: f64,
    pub mean_overshoot_db: f64,
    /// Share of the quarter seconds with sound that hold flat tops: near 1 it is a way of
    /// mastering, near 0 an accident.
    pub share: f64,
}

impl ClippingMeter {
    /// `step`: the smallest step of the samples' values, linear: 2^(1 - bits); 2^-23 for floats.
    pub fn new(rate: Hertz, channels: usize, step: f64) -> Self {
        Self {
            stretches: Stretches::new(flat_tops::stretch_frames(rate), channels),
            channels: (0..channels)
                .map(|_| Channel {
                    flat_tops: FlatTops::new(rate, step),
                    passages: Passages::new(rate, step),
                })
                .collect(),
        }
    }

    /// Takes the next samples, `[channel][frame]`, all channels equally long.
    pub fn feed(&mut self, planes: &[&[f64]]) {
        let channels = &mut self.channels;
        self.stretches
            .feed(planes, |planes| stretch(channels, planes));
    }

    /// Ends the programme.
    pub fn finish(mut self) -> ClippingFacts {
        let channels = &mut self.channels;
        self.stretches.finish(|planes| stretch(channels, planes));
        let mut facts = ClippingFacts::default();
        for (index, channel) in self.channels.iter_mut().enumerate() {
            let passages = &mut channel.passages;
            channel.flat_tops.finish(|top| passages.add(top));
            passages.finish();
            facts.channels.push(passages.figures());
            for spot in passages.spots(index) {
                facts.passages.push(spot);
            }
            facts.passages.total += passages.left_out;
        }
        facts.passages.sort();
        facts
    }
}

fn stretch(channels: &mut [Channel], planes: &[&[f64]]) {
    for (channel, samples) in channels.iter_mut().zip(planes) {
        let passages = &mut channel.passages;
        let loudest = channel.flat_tops.stretch(samples, |top| passages.add(top));
        passages.sound(samples.len(), loudest);
    }
}

#[cfg(test)]
mod tests;
