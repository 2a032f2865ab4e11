//! The channels of each bed, looked at by their speaker labels.
//!
//! In: the tracks in chunks. Out: a [`BedChannels`] for each bed, with the same evidence as for
//! a file of channels: low-frequency content on the wrong channel, inverted polarity, exchanged
//! sides. What one file cannot show: left and right of the whole bed exchanged, or two channels
//! that have nothing to do with the others; that takes the mix.

use super::ImmersiveOrder;
use super::content::{BedChannels, NoBeds, straight};
use crate::adm::label_of;
use crate::layout::Label;
use crate::measure::channels::ChannelMeter;
use crate::render::Kind;

/// Channels of beds that are looked at: own choice, three beds of 7.1.2. What costs is the
/// spectrum of each channel.
const MOST_CHANNELS: usize = 32;

pub(super) struct BedMeters {
    beds: Vec<BedMeter>,
    none: Option<NoBeds>,
}

struct BedMeter {
    object: Option<String>,
    labels: Vec<Label>,
    tracks: Vec<usize>,
    meter: ChannelMeter,
}

impl BedMeters {
    pub(super) fn new(order: &ImmersiveOrder) -> Self {
        if !order.bed_channels {
            return Self {
                beds: Vec::new(),
                none: Some(NoBeds::NotAskedFor),
            };
        }
        let mut grouped: Vec<(Option<usize>, Vec<usize>)> = Vec::new();
        for (index, item) in order.scene.items.iter().enumerate() {
            if !matches!(item.kind, Kind::Speaker { .. }) {
                continue;
            }
            let object = item.objects.last().copied();
            match grouped.iter_mut().find(|(of, _)| *of == object) {
                Some((_, items)) => items.push(index),
                None => grouped.push((object, vec![index])),
            }
        }
        let mut beds = Vec::new();
        let mut none = NoBeds::NoBed;
        let mut channels = 0;
        for (object, items) in grouped.into_iter().filter(|(_, items)| items.len() > 1) {
            channels += items.len();
            if channels > MOST_CHANNELS {
                none = NoBeds::TooManyChannels;
                break;
            }
            match bed(order, object, &items) {
                Ok(bed) => beds.push(bed),
                Err(why) => none = why,
            }
        }
        Self {
            none: beds.is_empty().then_some(none),
            beds,
        }
    }

    pub(super) fn feed(&mut self, tracks: &[&[f64]]) {
        for bed in &mut self.beds {
            let planes: Vec<&[f64]> = bed.tracks.iter().map(|&track| tracks[track]).collect();
            bed.meter.feed(&planes);
        }
    }

    pub(super) fn finish(self) -> (Vec<BedChannels>, Option<NoBeds>) {
        let beds = self.beds.into_iter().map(|bed| BedChannels {
            object: bed.object,
            labels: bed.labels,
            tracks: bed.tracks.iter().map(|track| track + 1).collect(),
            facts: bed.meter.finish(),
        });
        (beds.collect(), self.none)
    }
}

fn bed(order: &ImmersiveOrder, object: Option<usize>, items: &[usize]) -> Result<BedMeter, NoBeds> {
    let mut labels = Vec::new();
    let mut tracks = Vec::new();
    for &index in items {
        let item = &order.scene.items[index];
        let channel = item.speaker_channel().ok_or(NoBeds::NoBed)?;
        labels.push(label_of(&order.model.channels[channel]).ok_or(NoBeds::UnknownLabels)?);
        tracks.push(straight(item).ok_or(NoBeds::NotStraight)?);
    }
    let mut unique = labels.clone();
    unique.sort_unstable();
    unique.dedup();
    if unique.len() < labels.len() {
        return Err(NoBeds::UnknownLabels);
    }
    // A track beyond the file's is told by the renderer.
    if tracks.iter().any(|&track| track >= order.tracks) {
        return Err(NoBeds::NotStraight);
    }
    Ok(BedMeter {
        object: object.map(|object| order.model.objects[object].id.clone()),
        meter: ChannelMeter::new(order.sample_rate, labels.len(), Some(&labels)),
        labels,
        tracks,
    })
}
