//! What the tracks of a master are to each other: the same thing twice, a silent twin, a stereo
//! file in disguise.
//!
//! In: the likeness of all tracks, the items with their facts. Out: a [`Content`]. Facts without
//! an opinion: a pair may be spread on purpose, and two channels may be all that was recorded.

use super::facts::angle_deg;
use super::likeness::Likeness;
use super::types::{ItemFacts, ItemKind};
use crate::adm::Model;
use crate::adm::block::{Blocks, SpeakerPosition};
use crate::adm::label_of;
use crate::layout::Label;
use crate::measure::channels::{ChannelFacts, mirrored};
use crate::render::geometry::{Vector, cart};
use crate::render::{Item, Kind};

/// From here on two tracks are one sound: common practice, no source.
const SAME: f64 = 0.99;
/// From here on a bed channel is the front channel of its side: a platform's style guide asks
/// whether every pair of a bed follows the stereo master so closely; common practice, no source.
const SPREAD: f64 = 0.95;
/// A track that never passes this is silent: own choice, as for channels.
const SILENT_DBFS: f64 = -80.0;
/// Pairs that are kept; all are counted. Own choice.
const KEPT: usize = 200;

/// What was found of the tracks together.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Content {
    /// Pairs of items that carry one sound, at least one of them an object; the first
    /// 200 of `duplicates_total`.
    pub duplicates: Vec<Duplicate>,
    pub duplicates_total: u64,
    /// Objects that are not heard while another of nearly the same name is.
    pub silent_twins: Vec<SilentTwin>,
    pub disguise: Disguise,
    /// One for each bed whose channels were looked at.
    pub beds: Vec<BedChannels>,
    /// Why `beds` is empty.
    pub no_beds: Option<NoBeds>,
}

/// Two items that carry one sound.
#[derive(Clone, Debug, PartialEq)]
pub struct Duplicate {
    /// Indices into [`Immersive::items`](super::Immersive::items), in the scene's order.
    pub items: [usize; 2],
    /// Tracks from 1; equal where both items play one track.
    pub tracks: [usize; 2],
    /// Bit for bit over the whole file.
    pub identical: bool,
    /// -1 to 1: negative where one is the other with inverted polarity.
    pub correlation: f64,
    /// First less second, dB, before their gains.
    pub level_difference_db: f64,
    /// How far apart the two are at first, degrees: 0 plays one sound twice in one place, 60 may
    /// be a pair that was spread on purpose. `None` where one has no place.
    pub apart_deg: Option<f64>,
}

/// An object that is not heard, and the one that has its name but for the side.
#[derive(Clone, Debug, PartialEq)]
pub struct SilentTwin {
    /// Indices into [`Immersive::items`](super::Immersive::items).
    pub silent: usize,
    pub sounding: usize,
    pub why: Unheard,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Unheard {
    /// Its track never passes -80 dBFS.
    SilentTrack,
    /// It is muted, or its gain is 0 throughout.
    Muted,
}

/// Whether the master is a stereo file in an immersive one's clothes.
#[derive(Clone, Debug, Default, PartialEq)]
pub enum Disguise {
    /// Nothing that was heard, or too little of it: no answer.
    #[default]
    TooLittleSound,
    /// More than two channels that differ.
    No,
    /// One or two full-range tracks sound and nothing else does. Tracks from 1.
    FewTracks { tracks: Vec<usize> },
    /// No object sounds, and every other full-range bed channel is the front channel of its side
    /// (or a middle channel their sum). `least` is the smallest correlation among them.
    FrontPairSpread { tracks: Vec<usize>, least: f64 },
}

/// What stands between the channels of one bed, by its speaker labels.
#[derive(Clone, Debug, PartialEq)]
pub struct BedChannels {
    /// audioObjectID; `None` in a file without objects.
    pub object: Option<String>,
    /// One a channel; channel numbers in `facts` are places in these two.
    pub labels: Vec<Label>,
    /// Tracks of the file, from 1.
    pub tracks: Vec<usize>,
    pub facts: ChannelFacts,
}

/// Why no bed was looked at channel by channel.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum NoBeds {
    NotAskedFor,
    /// The scene has no loudspeaker channels, or one only.
    NoBed,
    /// A channel's label is none of BS.2051, or two channels have one.
    UnknownLabels,
    /// A channel is a sum of tracks (a matrix), or of a track that the file does not have.
    NotStraight,
    /// More than 32 channels in all.
    TooManyChannels,
}

pub(super) struct Sources<'a> {
    pub model: &'a Model,
    pub scene_items: &'a [Item],
    pub items: &'a [ItemFacts],
    pub likeness: &'a Likeness,
}

impl Sources<'_> {
    /// The one track behind an item, from 0.
    fn track(&self, item: usize) -> Option<usize> {
        straight(&self.scene_items[item])
    }

    fn sounds(&self, item: usize) -> bool {
        let facts = &self.items[item];
        let over = facts
            .sample_peak_dbfs
            .is_some_and(|peak| peak.value() >= SILENT_DBFS);
        over && !facts.muted
    }

    pub(super) fn content(&self) -> Content {
        let mut content = Content {
            silent_twins: self.silent_twins(),
            disguise: self.disguise(),
            ..Content::default()
        };
        self.duplicates(&mut content);
        content
    }

    fn duplicates(&self, content: &mut Content) {
        let heard: Vec<(usize, usize)> = (0..self.items.len())
            .filter(|&item| self.sounds(item))
            .filter_map(|item| Some((item, self.track(item)?)))
            .filter(|&(_, track)| self.likeness.tells(track))
            .collect();
        for (place, &(one, one_track)) in heard.iter().enumerate() {
            for &(other, other_track) in &heard[place + 1..] {
                let object = [one, other]
                    .iter()
                    .any(|&item| self.items[item].kind == ItemKind::Object);
                let correlation = match one_track == other_track {
                    true => Some(1.0),
                    false => self.likeness.correlation(one_track, other_track),
                };
                let Some(correlation) = correlation.filter(|r| object && r.abs() >= SAME) else {
                    continue;
                };
                content.duplicates_total += 1;
                if content.duplicates.len() < KEPT {
                    content.duplicates.push(Duplicate {
                        items: [one, other],
                        tracks: [one_track + 1, other_track + 1],
                        identical: self.likeness.identical(one_track, other_track),
                        correlation,
                        level_difference_db: self
                            .likeness
                            .level_difference_db(one_track, other_track),
                        apart_deg: self
                            .direction(one)
                            .zip(self.direction(other))
                            .map(|(one, other)| angle_deg(one, other)),
                    });
                }
            }
        }
    }

    /// Where an item is at first.
    fn direction(&self, item: usize) -> Option<Vector> {
        let channel = match self.scene_items[item].kind {
            Kind::Object { channel } | Kind::Speaker { channel, .. } => channel,
            Kind::Hoa(_) => return None,
        };
        match &self.model.channels[channel].blocks {
            Blocks::Objects(blocks) => {
                let block = blocks.blocks.first()?;
                let [a, b, _] = block.position;
                Some(match blocks.traits_of(block).cartesian {
                    true => block.position,
                    false => cart(a, b, 1.0),
                })
            }
            Blocks::DirectSpeakers(blocks) => Some(match &blocks.first()?.position {
                SpeakerPosition::Polar {
                    azimuth, elevation, ..
                } => cart(azimuth.value, elevation.value, 1.0),
                SpeakerPosition::Cartesian { x, y, z } => [x.value, y.value, z.value],
            }),
            _ => None,
        }
    }

    fn silent_twins(&self) -> Vec<SilentTwin> {
        let objects = || (0..self.items.len()).filter(|&i| self.items[i].kind == ItemKind::Object);
        let stems: Vec<Option<String>> = self.items.iter().map(|i| stem(&i.name)).collect();
        objects()
            .filter(|&item| !self.sounds(item))
            .filter_map(|silent| {
                let stem = stems[silent].as_ref()?;
                let mut others = objects().filter(|&item| self.sounds(item));
                let sounding = others.find(|&item| stems[item].as_ref() == Some(stem))?;
                Some(SilentTwin {
                    silent,
                    sounding,
                    why: match self.items[silent].muted {
                        true => Unheard::Muted,
                        false => Unheard::SilentTrack,
                    },
                })
            })
            .take(KEPT)
            .collect()
    }

    fn disguise(&self) -> Disguise {
        let full_range =
            |&item: &usize| !crate::render::is_lfe(self.model, &self.scene_items[item]);
        let heard: Vec<usize> = (0..self.items.len())
            .filter(|&item| self.sounds(item))
            .filter(full_range)
            .collect();
        let straight: Option<Vec<usize>> = heard.iter().map(|&item| self.track(item)).collect();
        // A matrix or a scene of HOA is no stereo file.
        let Some(mut tracks) = straight else {
            return Disguise::No;
        };
        let in_order = tracks.clone();
        tracks.sort_unstable();
        tracks.dedup();
        if tracks.is_empty() || !tracks.iter().any(|&track| self.likeness.tells(track)) {
            return Disguise::TooLittleSound;
        }
        let from_one = |tracks: &[usize]| tracks.iter().map(|track| track + 1).collect();
        if tracks.len() <= 2 {
            return Disguise::FewTracks {
                tracks: from_one(&tracks),
            };
        }
        match self.spread(&heard, &in_order) {
            Some(least) => Disguise::FrontPairSpread {
                tracks: from_one(&tracks),
                least,
            },
            None => Disguise::No,
        }
    }

    /// The least correlation of the other channels with the front pair, where all have it.
    fn spread(&self, heard: &[usize], tracks: &[usize]) -> Option<f64> {
        let labels: Vec<Label> = heard
            .iter()
            .map(|&item| {
                let channel = self.scene_items[item].speaker_channel()?;
                label_of(&self.model.channels[channel])
            })
            .collect::<Option<_>>()?;
        let at = |name: &str| labels.iter().position(|label| label.as_str() == name);
        let (left, right) = (at("M+030")?, at("M-030")?);
        let (left_track, right_track) = (tracks[left], tracks[right]);
        let mut least: f64 = 1.0;
        let mut paired = false;
        for (place, label) in labels.iter().enumerate() {
            if place == left || place == right {
                continue;
            }
            let text = label.as_str();
            let with = |others: &[usize]| {
                let correlation = self.likeness.correlation_with_sum(tracks[place], others);
                correlation.map_or(0.0, f64::abs)
            };
            let alike = if mirrored(label).is_some() {
                paired = true;
                with(&[left_track])
            } else if text.contains('-') {
                paired = true;
                with(&[right_track])
            } else {
                with(&[left_track, right_track])
                    .max(with(&[left_track]))
                    .max(with(&[right_track]))
            };
            least = least.min(alike);
        }
        (paired && least >= SPREAD).then_some(least)
    }
}

/// The one track that feeds an item as it is, from 0.
pub(super) fn straight(item: &Item) -> Option<usize> {
    match item.feeds.as_slice() {
        [feed] if feed.len() == 1 && feed[0].delay_frames == 0 => Some(feed[0].track),
        _ => None,
    }
}

/// A name without the mark of its side: `Vox L`, `vox_R` and `Vox Left` are `vox`. `None` where
/// there is no such mark.
fn stem(name: &str) -> Option<String> {
    let name = name.trim().to_lowercase();
    let (head, mark) = name.rsplit_once([' ', '_', '-', '.', '('])?;
    let mark = mark.trim_end_matches(')');
    let head = head.trim_end_matches([' ', '_', '-', '.', '(']);
    (matches!(mark, "l" | "r" | "left" | "right") && !head.is_empty()).then(|| head.to_owned())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_are_twins_but_for_the_side() {
        for name in ["Vox L", "vox_R", "Vox - Left", "VOX (right)"] {
            assert_eq!(stem(name).as_deref(), Some("vox"), "{name}");
        }
        for name in ["Vox", "L", "Vox 2", "Choral"] {
            assert_eq!(stem(name), None, "{name}");
        }
    }
}
