//! Which tracks a renderer plays, and as what: the selection of rendering items
//! (ITU-R BS.2127-1, clause 5.2).
//!
//! In: a model and a choice (programme, complementary objects, importance). Out: a [`Scene`]:
//! one [`Item`] per object, loudspeaker or group of HOA channels, each with the tracks that feed
//! it. Matrices are followed back to the tracks here, so that the rest of the room knows of sums
//! of tracks only. Knows nothing of layouts.

use std::collections::BTreeSet;

use super::{allocation, items};
use crate::adm::block::{BlockNumber, Blocks};
use crate::adm::model::{Model, PositionOffset, Screen};
use crate::adm::time::AdmTime;
use serde::{Deserialize, Serialize};

/// What to render of a file that offers more than one thing.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Choice {
    /// audioProgrammeID; without it the one with the lowest id.
    pub programme: Option<String>,
    /// audioObjectIDs, one of a complementary group each; without one its first.
    pub complementary: Vec<String>,
    /// Leave out what is less important than this (0 to 10); BS.2127-1, clause 5.3.
    pub importance: Option<i64>,
}

/// Why nothing can be rendered.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum SceneError {
    #[error("there is no audioProgramme {0}; the file has {1}")]
    NoProgramme(String, String),
    #[error("audioObject {0} is not part of a complementary group")]
    NotComplementary(String),
    #[error("{0} are all chosen from the complementary group of {1}; one can be heard")]
    SeveralComplementary(String, String),
    #[error("{place}: the packs and tracks contradict each other: {says}")]
    Conflict { place: String, says: String },
    #[error("{place}: the packs and tracks can be read in more than one way")]
    Ambiguous { place: String },
    #[error("{element}: {says}")]
    Element { element: String, says: String },
    #[error("audioObjects are heard in {places} places and {channels} channels or more: too many")]
    Size { places: usize, channels: usize },
    #[error("the metadata play none of the tracks")]
    Nothing,
}

/// One term of the sum of tracks that feeds an item.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Tap {
    /// From 0.
    pub track: usize,
    /// Linear.
    pub gain: f64,
    pub delay_frames: u64,
}

/// The sum of tracks that feeds one channel. Empty: silence.
pub type Feed = Vec<Tap>;

/// What an item is, with indices into the model.
#[derive(Clone, Debug, PartialEq)]
pub enum Kind {
    Object { channel: usize },
    Speaker { channel: usize, pack: usize },
    Hoa(HoaGroup),
}

/// The channels of one HOA pack, heard together (BS.2127-1, clause 9).
#[derive(Clone, Debug, PartialEq)]
pub struct HoaGroup {
    pub channels: Vec<usize>,
    /// `(order, degree)` per channel.
    pub components: Vec<(i32, i32)>,
    pub normalization: String,
    /// Block gain times nothing else; 0 where the importance is under the choice's.
    pub gains: Vec<f64>,
    pub rtime: Option<AdmTime>,
    pub duration: Option<AdmTime>,
}

/// Something that is heard.
#[derive(Clone, Debug, PartialEq)]
pub struct Item {
    pub kind: Kind,
    /// One per channel of the item.
    pub feeds: Vec<Feed>,
    /// The audioObjects that lead here, outermost first; empty in a file without any.
    pub objects: Vec<usize>,
    /// Of the innermost object, after its alternativeValueSet; 0 when muted.
    pub gain: f64,
    pub muted: bool,
    pub position_offset: Option<PositionOffset>,
    pub start: Option<AdmTime>,
    pub duration: Option<AdmTime>,
    pub absolute_distance: Option<f64>,
}

impl Item {
    /// Part of the bed: a loudspeaker channel or an HOA group.
    pub fn is_bed(&self) -> bool {
        !matches!(self.kind, Kind::Object { .. })
    }

    /// The channel format of a loudspeaker channel.
    pub fn speaker_channel(&self) -> Option<usize> {
        match self.kind {
            Kind::Speaker { channel, .. } => Some(channel),
            _ => None,
        }
    }
}

/// What is heard of a file.
#[derive(Clone, Debug, PartialEq)]
pub struct Scene {
    /// Index into the model's programmes.
    pub programme: Option<usize>,
    pub reference_screen: Screen,
    pub items: Vec<Item>,
    /// Blocks under this importance are heard with gain 0.
    pub importance: Option<i64>,
    /// What was taken as one thing where it could have been another, in plain sentences.
    pub remarks: Vec<String>,
}

/// Chooses what is heard. `sample_rate` (Hz) is that of the tracks: delays of matrices are
/// whole samples.
pub fn select(model: &Model, choice: &Choice, sample_rate: u32) -> Result<Scene, SceneError> {
    let programme = choose_programme(model, choice)?;
    let ignored = unchosen_complementary(model, &choice.complementary)?;
    let mut remarks = Vec::new();
    if let Some(index) = programme
        && own(model).count() > 1
        && choice.programme.is_none()
    {
        remarks.push(format!(
            "of {} programmes the one with the lowest id is rendered: {}",
            own(model).count(),
            model.programmes[index].id
        ));
    }
    let mut scene = Scene {
        programme,
        reference_screen: programme
            .and_then(|index| model.programmes[index].reference_screen)
            .unwrap_or_default(),
        items: Vec::new(),
        importance: choice.importance,
        remarks,
    };
    let patterns = allocation::patterns(model);
    let has_objects = model.objects.iter().any(|object| !object.common);
    if programme.is_none() && !has_objects {
        let allocated = allocation::allocate(model, &patterns, None, sample_rate)?;
        for pack in &allocated {
            items::add(model, &mut scene, None, &[], pack)?;
        }
    } else {
        let mut places = 0;
        for (content, root) in roots(model, programme) {
            walk(model, root, &mut Vec::new(), &mut |path| {
                places += 1;
                if places > MAX_PLACES || scene.channels() > MAX_CHANNELS {
                    return Err(SceneError::Size {
                        places,
                        channels: scene.channels(),
                    });
                }
                if path.iter().any(|object| ignored.contains(object)) {
                    return Ok(());
                }
                let innermost = *path.last().expect("a path holds its object");
                let allocated =
                    allocation::allocate(model, &patterns, Some(innermost), sample_rate)?;
                for pack in &allocated {
                    items::add(model, &mut scene, content, path, pack)?;
                }
                Ok(())
            })?;
        }
    }
    if scene.items.is_empty() {
        return Err(SceneError::Nothing);
    }
    scene
        .remarks
        .extend(cut_remark(model, &scene.items, sample_rate));
    Ok(scene)
}

/// An object's last block that is shorter than its interpolationLength, which is cut to it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct CutInterpolation {
    /// Index into the model's channels.
    pub channel: usize,
    pub number: BlockNumber,
    pub interpolation_length: AdmTime,
    pub duration: AdmTime,
}

/// The channels of `items` whose last block is shorter than its interpolation by more than a
/// sample, each once. ITU-R BS.2076-3, clause 9.3, forbids it; in a block before the last it is
/// an error of the renderer.
pub fn cut_interpolations(
    model: &Model,
    items: &[Item],
    sample_rate: u32,
) -> Vec<CutInterpolation> {
    let mut seen = BTreeSet::new();
    items
        .iter()
        .filter_map(|item| {
            let Kind::Object { channel } = item.kind else {
                return None;
            };
            let Blocks::Objects(objects) = &model.channels[channel].blocks else {
                return None;
            };
            let block = objects.blocks.last()?;
            let traits = objects.traits_of(block);
            let length = traits
                .interpolation_length
                .filter(|_| traits.jump_position)?;
            let duration = block.time.duration?;
            let over =
                length.instant().samples(sample_rate) - duration.instant().samples(sample_rate);
            (over > 1.0 + 1e-9 && seen.insert(channel)).then_some(CutInterpolation {
                channel,
                number: block.number,
                interpolation_length: length,
                duration,
            })
        })
        .collect()
}

fn cut_remark(model: &Model, items: &[Item], sample_rate: u32) -> Option<String> {
    let cut = cut_interpolations(model, items, sample_rate);
    let first = cut.first()?;
    let more = match cut.len() - 1 {
        0 => String::new(),
        more => format!(", and of {more} more channels"),
    };
    Some(format!(
        "the interpolation of the last block of {}{more} is longer than the block ({} s in {} s) and is cut to the block's length",
        model.channels[first.channel].id,
        first.interpolation_length.seconds(),
        first.duration.seconds()
    ))
}

fn own(model: &Model) -> impl Iterator<Item = usize> + '_ {
    (0..model.programmes.len()).filter(|&index| !model.programmes[index].common)
}

fn choose_programme(model: &Model, choice: &Choice) -> Result<Option<usize>, SceneError> {
    match &choice.programme {
        None => Ok(own(model).min_by_key(|&index| model.programmes[index].id.to_ascii_lowercase())),
        Some(wanted) => own(model)
            .find(|&index| model.programmes[index].id.eq_ignore_ascii_case(wanted))
            .map(Some)
            .ok_or_else(|| {
                let known: Vec<&str> = own(model)
                    .map(|index| model.programmes[index].id.as_str())
                    .collect();
                let known = if known.is_empty() {
                    "none".to_owned()
                } else {
                    known.join(", ")
                };
                SceneError::NoProgramme(wanted.clone(), known)
            }),
    }
}

/// The objects of complementary groups that are not heard: of each group the first is, unless
/// another was chosen (BS.2127-1, clause 5.2.5).
fn unchosen_complementary(model: &Model, chosen: &[String]) -> Result<Vec<usize>, SceneError> {
    let groups: Vec<Vec<usize>> = model
        .objects
        .iter()
        .enumerate()
        .filter(|(_, object)| !object.complementary.is_empty())
        .map(|(root, object)| {
            let others = object
                .complementary
                .iter()
                .filter_map(|other| other.index());
            std::iter::once(root).chain(others).collect()
        })
        .collect();
    let is_chosen = |index: usize| {
        chosen
            .iter()
            .any(|id| model.objects[index].id.eq_ignore_ascii_case(id))
    };
    for id in chosen {
        let known = groups
            .iter()
            .flatten()
            .any(|&index| model.objects[index].id.eq_ignore_ascii_case(id));
        if !known {
            return Err(SceneError::NotComplementary(id.clone()));
        }
    }
    let heard: Vec<usize> = groups
        .iter()
        .flat_map(|group| match group.iter().any(|&index| is_chosen(index)) {
            true => group
                .iter()
                .copied()
                .filter(|&index| is_chosen(index))
                .collect(),
            false => vec![group[0]],
        })
        .collect();
    let mut ignored = Vec::new();
    for group in &groups {
        let (in_group, out): (Vec<usize>, Vec<usize>) =
            group.iter().partition(|&&index| heard.contains(&index));
        if in_group.len() > 1 {
            let ids: Vec<&str> = in_group
                .iter()
                .map(|&i| model.objects[i].id.as_str())
                .collect();
            let root = model.objects[group[0]].id.clone();
            return Err(SceneError::SeveralComplementary(ids.join(", "), root));
        }
        ignored.extend(out);
    }
    Ok(ignored)
}

/// `(content, object)` to start from: what the programme's contents name, or every object that
/// lies in no other.
fn roots(model: &Model, programme: Option<usize>) -> Vec<(Option<usize>, usize)> {
    if let Some(programme) = programme {
        let contents = model.programmes[programme]
            .contents
            .iter()
            .filter_map(|c| c.index());
        return contents
            .flat_map(|content| {
                let objects = model.contents[content].objects.iter();
                objects.filter_map(move |object| Some((Some(content), object.index()?)))
            })
            .collect();
    }
    let inner: Vec<usize> = model
        .objects
        .iter()
        .flat_map(|o| o.objects.iter().filter_map(|r| r.index()))
        .collect();
    (0..model.objects.len())
        .filter(|index| !inner.contains(index) && !model.objects[*index].common)
        .map(|index| (None, index))
        .collect()
}

/// Every path from `object` inwards, each object with its parents. A loop is an error.
fn walk(
    model: &Model,
    object: usize,
    path: &mut Vec<usize>,
    visit: &mut dyn FnMut(&[usize]) -> Result<(), SceneError>,
) -> Result<(), SceneError> {
    if path.contains(&object) || path.len() >= MAX_NESTING {
        return Err(SceneError::Element {
            element: model.objects[object].id.clone(),
            says: "the audioObject is nested in itself, or too deep".to_owned(),
        });
    }
    path.push(object);
    visit(path)?;
    for inner in model.objects[object]
        .objects
        .iter()
        .filter_map(|inner| inner.index())
    {
        walk(model, inner, path, visit)?;
    }
    path.pop();
    Ok(())
}

/// Deeper nesting is no master but an attack: own choice.
const MAX_NESTING: usize = 32;
/// Ways to audioObjects; objects within objects can double them at every step. Own choice.
const MAX_PLACES: usize = 1 << 14;
/// Channels of all items; the same. Own choice.
const MAX_CHANNELS: usize = 1 << 14;

impl Scene {
    fn channels(&self) -> usize {
        self.items.iter().map(|item| item.feeds.len()).sum()
    }
}
