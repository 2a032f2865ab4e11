//! From meters and model to the plain facts of items, low-frequency channels and the fold.

use super::items::ItemLoudness;
use super::lfe::LfeMeter;
use super::types::{Fold, ItemFacts, ItemKind, LfeFacts};
use crate::adm::Model;
use crate::adm::block::{Blocks, ObjectBlocks};
use crate::measure::Measurements;
use crate::render::geometry::{Vector, cart, cross, dot, length};
use crate::render::{Item, Kind};
use crate::units::{Dbfs, Frames};

fn channel_of(item: &Item) -> usize {
    match &item.kind {
        Kind::Object { channel } | Kind::Speaker { channel, .. } => *channel,
        Kind::Hoa(group) => group.channels[0],
    }
}

fn label_of(model: &Model, channel: usize) -> Option<String> {
    match &model.channels[channel].blocks {
        Blocks::DirectSpeakers(blocks) => blocks.first()?.labels.first().cloned(),
        _ => None,
    }
}

pub(super) fn item(
    model: &Model,
    item: &Item,
    loudness: &ItemLoudness,
    peaks: &[f64],
) -> ItemFacts {
    let channel = channel_of(item);
    let object = item.objects.last().map(|&index| &model.objects[index]);
    let format = &model.channels[channel];
    let mut tracks: Vec<usize> = item
        .feeds
        .iter()
        .flatten()
        .map(|tap| tap.track + 1)
        .collect();
    tracks.sort_unstable();
    tracks.dedup();
    let peak = tracks
        .iter()
        .map(|&track| peaks[track - 1])
        .fold(0.0, f64::max);
    let (positions, path_deg) = match &format.blocks {
        Blocks::Objects(blocks) => way(blocks),
        _ => (1, 0.0),
    };
    ItemFacts {
        kind: match item.kind {
            Kind::Object { .. } => ItemKind::Object,
            Kind::Speaker { .. } => ItemKind::Bed,
            Kind::Hoa(_) => ItemKind::Hoa,
        },
        object: object.map(|object| object.id.clone()),
        channel: format.id.clone(),
        name: object.map_or_else(|| format.name.clone(), |object| object.name.clone()),
        label: label_of(model, channel),
        tracks,
        integrated_lufs: loudness.integrated,
        short_term_max_lufs: loudness.short_term_max,
        sample_peak_dbfs: Dbfs::from_linear(peak),
        heard_frames: Frames(loudness.heard_frames),
        muted: item.muted || item.gain == 0.0 || without_gain(&format.blocks),
        blocks: format.blocks.len() as u64,
        positions,
        path_deg,
    }
}

/// Every block has a gain of 0.
fn without_gain(blocks: &Blocks) -> bool {
    match blocks {
        Blocks::Objects(objects) => {
            let blocks = &objects.blocks;
            !blocks.is_empty() && blocks.iter().all(|block| block.gain == 0.0)
        }
        Blocks::DirectSpeakers(blocks) => {
            !blocks.is_empty() && blocks.iter().all(|block| block.gain == 0.0)
        }
        _ => false,
    }
}

/// How many different positions the blocks have, and how far they lead.
fn way(blocks: &ObjectBlocks) -> (u64, f64) {
    let direction = |index: usize| {
        let block = &blocks.blocks[index];
        match blocks.traits_of(block).cartesian {
            true => block.position,
            false => {
                let [azimuth, elevation, _] = block.position;
                cart(azimuth, elevation, 1.0)
            }
        }
    };
    let mut seen = std::collections::HashSet::new();
    let mut path = 0.0;
    for (index, block) in blocks.blocks.iter().enumerate() {
        seen.insert(block.position.map(f64::to_bits));
        if index > 0 && blocks.blocks[index - 1].position != block.position {
            path += angle_deg(direction(index - 1), direction(index));
        }
    }
    (seen.len() as u64, path)
}

/// Angle between two directions; 0 where one has none.
pub(super) fn angle_deg(a: Vector, b: Vector) -> f64 {
    length(cross(a, b)).atan2(dot(a, b)).to_degrees()
}

pub(super) fn lfe(model: &Model, item: &Item, track: usize, meter: &LfeMeter) -> LfeFacts {
    let channel = channel_of(item);
    LfeFacts {
        channel: model.channels[channel].id.clone(),
        label: label_of(model, channel),
        track: track + 1,
        declared: model.channels[channel].frequency.low_pass.is_some(),
        rms_dbfs: meter.rms(),
        sample_peak_dbfs: meter.sample_peak(),
        high_less_low_db: meter.high_less_low_db(),
    }
}

/// The main render against the stereo one, where both were made.
pub(super) fn fold(renders: &[Measurements]) -> Option<Fold> {
    let layout = |m: &Measurements| m.measured_on.as_ref().map(|on| on.layout.clone());
    let main = renders.first()?;
    let stereo = renders
        .iter()
        .find(|m| layout(m).as_deref() == Some("0+2+0"))?;
    if layout(main) == layout(stereo) {
        return None;
    }
    let integrated = |m: &Measurements| m.loudness.get().and_then(|l| l.integrated_lufs);
    let peaks = stereo.peaks.true_peak_dbtp.zip(main.peaks.true_peak_dbtp);
    Some(Fold {
        from: layout(main)?,
        to: layout(stereo)?,
        headroom_lost_db: peaks.map(|(stereo, main)| stereo.value() - main.value()),
        true_peak_dbtp: stereo.peaks.true_peak_dbtp,
        loudness_change_lu: integrated(stereo).zip(integrated(main)).map(|(s, m)| s - m),
        at_s: stereo.peaks.true_peak_at_s,
    })
}
