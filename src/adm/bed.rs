//! The layout of a bed, by the labels of its channels.
//!
//! In: loudspeaker channels of a model. Out: the name of the layout that they make, or their
//! labels. 7.1.2, the commonest bed of the trade, is no layout of ITU-R BS.2051 and has a name
//! here all the same.

use super::block::{Blocks, SpeakerPosition};
use super::labels::{bed_label, is_lfe_label};
use super::model::{AudioChannelFormat, Model};
use crate::layout::{self, Label};

/// How far a channel may lie from the place that its label would have: own choice.
const NEAR_DEG: f64 = 12.0;

/// The layout that these channels make, in any order: its name where it has one, otherwise the
/// labels joined by commas. `None` without any channel.
pub fn bed_layout(model: &Model, channels: impl Iterator<Item = usize>) -> Option<String> {
    let mut labels: Vec<Option<Label>> = channels
        .map(|channel| label_of(&model.channels[channel]))
        .collect();
    if labels.is_empty() {
        return None;
    }
    // "Ls" is the side pair of a bed with a rear pair, and the only pair of one without.
    let has = |label: &str, labels: &[Option<Label>]| {
        labels.iter().flatten().any(|known| known.as_str() == label)
    };
    if has("M+090", &labels) && !has("M+135", &labels) && !has("M+110", &labels) {
        for label in labels.iter_mut().flatten() {
            match label.as_str() {
                "M+090" => *label = "M+110".parse().expect("a label"),
                "M-090" => *label = "M-110".parse().expect("a label"),
                _ => {}
            }
        }
    }
    let known: Option<Vec<Label>> = labels.iter().cloned().collect();
    if let Some(name) = known.as_deref().and_then(layout::name_of) {
        return Some(name.to_owned());
    }
    let words: Vec<&str> = labels
        .iter()
        .map(|label| label.as_ref().map_or("?", Label::as_str))
        .collect();
    Some(words.join(","))
}

/// The BS.2051 label of a loudspeaker channel: by its labels, else by its place.
pub fn label_of(channel: &AudioChannelFormat) -> Option<Label> {
    let Blocks::DirectSpeakers(blocks) = &channel.blocks else {
        return None;
    };
    let block = blocks.first()?;
    if let Some(label) = block.labels.iter().find_map(|label| bed_label(label)) {
        return Some(label);
    }
    if block.labels.iter().any(|label| is_lfe_label(label)) || channel.frequency.low_pass.is_some()
    {
        return "LFE1".parse().ok();
    }
    let SpeakerPosition::Polar {
        azimuth, elevation, ..
    } = &block.position
    else {
        return None;
    };
    let names = layout::LAYOUTS.iter().flat_map(|layout| layout.labels());
    names
        .filter_map(|label| {
            let (at, up) = label.position_deg()?;
            let turn = (azimuth.value - at).rem_euclid(360.0);
            let apart = turn.min(360.0 - turn).max((elevation.value - up).abs());
            Some((apart, label))
        })
        .filter(|(apart, _)| *apart <= NEAR_DEG)
        .min_by(|a, b| a.0.total_cmp(&b.0))
        .map(|(_, label)| label)
}
