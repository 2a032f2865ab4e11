//! Which track carries which channel of which pack (ITU-R BS.2127-1, clause 5.2.7).
//!
//! Every pack is a pattern: its channels, each with the packs through which a track may name it.
//! The tracks of an object (or of a file without objects) are laid over the patterns so that each
//! track has a channel and each channel a track; exactly one way of doing so must exist. Matrix
//! packs have up to three patterns ([`matrix`]). A pack that contradicts itself stops nobody who
//! does not use it.
//!
//! The search is bounded: a file that would take longer is answered with an error.

use std::collections::{BTreeMap, BTreeSet};

use super::matrix;
use super::scene::{Feed, SceneError, Tap};
use crate::adm::model::{AudioPackFormat, Model, TypeDefinition};

/// A pack with a feed for each of its channels.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct AllocatedPack {
    pub pack: usize,
    pub channels: Vec<(usize, Feed)>,
}

/// A channel that wants a track, and the packs by which the track may call it.
struct Place {
    channel: usize,
    packs: Vec<usize>,
}

struct Pattern {
    root: usize,
    places: Vec<Place>,
    matrix: bool,
}

/// What the packs of a model offer.
pub(super) struct Patterns {
    patterns: Vec<Pattern>,
    /// Packs that contradict themselves; no harm until somebody uses one.
    faults: BTreeMap<usize, SceneError>,
}

#[derive(Clone, Copy)]
struct Candidate {
    channel: usize,
    pack: usize,
    /// From 0.
    track: usize,
}

/// A track that is being placed: `None` is a silent one.
type Hand = Option<Candidate>;

/// One pattern in the making: per place, nothing yet or a track.
#[derive(Clone)]
struct Laid {
    pattern: usize,
    places: Vec<Option<Hand>>,
}

/// Comparisons of tracks with patterns before the search is given up: own choice, hundreds of
/// times what the largest masters take.
const MAX_WORK: usize = 50_000_000;
/// Tracks of one place; the search nests as deep: own choice.
const MAX_TRACKS: usize = 1024;
/// Places of all patterns together: own choice, a bound for memory.
const MAX_PLACES: usize = 1 << 20;
/// Deeper packs are an attack: own choice.
const MAX_NESTING: usize = 32;

/// Packs from the root to the one that names `channel`, both included; empty when none does.
pub(super) fn pack_path(model: &Model, root: usize, channel: usize) -> Vec<usize> {
    let mut found = Vec::new();
    // A pack at fault has been refused before.
    let _ = each_pack(model, root, &mut |path| {
        let last = *path.last().expect("a path holds its pack");
        let here = model.packs[last]
            .channels
            .iter()
            .any(|c| c.index() == Some(channel));
        if here && found.is_empty() {
            found = path.to_vec();
        }
    });
    found
}

/// Every pack within `root` with those that lead to it. A pack is met once: a second way to the
/// same would make its channels ambiguous.
fn each_pack(
    model: &Model,
    root: usize,
    visit: &mut dyn FnMut(&[usize]),
) -> Result<(), SceneError> {
    let mut met = BTreeSet::new();
    go_down(model, root, &mut Vec::new(), &mut met, visit)
}

fn go_down(
    model: &Model,
    pack: usize,
    path: &mut Vec<usize>,
    met: &mut BTreeSet<usize>,
    visit: &mut dyn FnMut(&[usize]),
) -> Result<(), SceneError> {
    if path.contains(&pack) || path.len() >= MAX_NESTING {
        return Err(fault(
            &model.packs[pack],
            "the audioPackFormat is nested in itself, or too deep",
        ));
    }
    if !met.insert(pack) {
        return Err(fault(&model.packs[path[0]], &twice(&model.packs[pack].id)));
    }
    path.push(pack);
    visit(path);
    for inner in model.packs[pack]
        .packs
        .iter()
        .filter_map(|inner| inner.index())
    {
        go_down(model, inner, path, met, visit)?;
    }
    path.pop();
    Ok(())
}

fn twice(id: &str) -> String {
    format!("the audioPackFormat holds {id} twice")
}

pub(super) fn fault(pack: &AudioPackFormat, says: &str) -> SceneError {
    SceneError::Element {
        element: pack.id.clone(),
        says: says.to_owned(),
    }
}

/// Places of a pack and of those within it; `called` replaces the packs by which tracks call them.
fn places(model: &Model, root: usize, called: Option<usize>) -> Result<Vec<Place>, SceneError> {
    let mut places: Vec<Place> = Vec::new();
    let mut met = BTreeSet::new();
    let mut again = None;
    each_pack(model, root, &mut |path| {
        let last = *path.last().expect("a path holds its pack");
        for channel in model.packs[last].channels.iter().filter_map(|c| c.index()) {
            if !met.insert(channel) {
                again = Some(channel);
            }
            let packs = called.map_or_else(|| path.to_vec(), |pack| vec![pack]);
            places.push(Place { channel, packs });
        }
    })?;
    match again {
        Some(channel) => Err(fault(
            &model.packs[root],
            &twice(&model.channels[channel].id),
        )),
        None => Ok(places),
    }
}

/// The channels of a pack and of those within it.
pub(super) fn channels_within(model: &Model, root: usize) -> Result<Vec<usize>, SceneError> {
    Ok(places(model, root, None)?
        .into_iter()
        .map(|place| place.channel)
        .collect())
}

/// The patterns of all packs of a model.
pub(super) fn patterns(model: &Model) -> Patterns {
    let mut patterns = Patterns {
        patterns: Vec::new(),
        faults: BTreeMap::new(),
    };
    let mut room = MAX_PLACES;
    for root in 0..model.packs.len() {
        let of = match room {
            0 => Err(fault(
                &model.packs[root],
                "the file has too many packs within packs",
            )),
            _ => patterns_of(model, root),
        };
        match of {
            Ok(of) => {
                room = of
                    .iter()
                    .fold(room, |room, one| room.saturating_sub(one.places.len()));
                patterns.patterns.extend(of);
            }
            Err(fault) => {
                patterns.faults.insert(root, fault);
            }
        }
    }
    patterns
}

fn patterns_of(model: &Model, root: usize) -> Result<Vec<Pattern>, SceneError> {
    let matrix = model.packs[root].type_definition == TypeDefinition::Matrix;
    let usages = match matrix {
        true => matrix::usages(model, root)?,
        false => vec![matrix::Usage {
            channels_of: root,
            called: None,
        }],
    };
    let mut patterns = Vec::new();
    for usage in usages {
        let places = places(model, usage.channels_of, usage.called)?;
        if !places.is_empty() {
            patterns.push(Pattern {
                root,
                places,
                matrix,
            });
        }
    }
    Ok(patterns)
}

/// Lays the tracks of `object`, or all of the file's, over the patterns.
pub(super) fn allocate(
    model: &Model,
    patterns: &Patterns,
    object: Option<usize>,
    sample_rate: u32,
) -> Result<Vec<AllocatedPack>, SceneError> {
    let place = object.map_or("the chna chunk".to_owned(), |index| {
        format!("audioObject {}", model.objects[index].id)
    });
    let conflict = |says: String| SceneError::Conflict {
        place: place.clone(),
        says,
    };
    let (uids, silent, wanted): (Vec<usize>, usize, Option<Vec<usize>>) = match object {
        Some(index) => {
            let object = &model.objects[index];
            let mut uids = Vec::new();
            for uid in object.track_uids.iter().flatten() {
                uids.push(uid.index().ok_or_else(|| {
                    conflict(format!("audioTrackUID {} is not in the file", uid.id))
                })?);
            }
            let mut packs = Vec::new();
            for pack in &object.packs {
                packs.push(pack.index().ok_or_else(|| {
                    conflict(format!("audioPackFormat {} is not in the file", pack.id))
                })?);
            }
            let silent = object.track_uids.iter().filter(|uid| uid.is_none()).count();
            (uids, silent, Some(packs))
        }
        None => ((0..model.track_uids.len()).collect(), 0, None),
    };
    let mut hands: Vec<Hand> = Vec::new();
    for index in uids {
        let uid = &model.track_uids[index];
        let element = |says: &str| SceneError::Element {
            element: uid.id.clone(),
            says: says.to_owned(),
        };
        let track = uid
            .track_index
            .filter(|&index| index > 0)
            .ok_or_else(|| element("the chna chunk gives the audioTrackUID no track"))?;
        let channel = model
            .channel_of(uid)
            .ok_or_else(|| element("the audioTrackUID leads to no audioChannelFormat"))?;
        let pack = uid
            .pack
            .as_ref()
            .and_then(|pack| pack.index())
            .ok_or_else(|| element("the audioTrackUID names no audioPackFormat of the file"))?;
        hands.push(Some(Candidate {
            channel,
            pack,
            track: usize::from(track) - 1,
        }));
    }
    hands.extend(std::iter::repeat_n(None, silent));
    if hands.len() > MAX_TRACKS {
        return Err(conflict(format!(
            "{} tracks, {MAX_TRACKS} can be matched",
            hands.len()
        )));
    }
    let used = hands
        .iter()
        .flatten()
        .map(|hand| hand.pack)
        .chain(wanted.iter().flatten().copied());
    for pack in used {
        if let Some(fault) = patterns.faults.get(&pack) {
            return Err(fault.clone());
        }
    }

    let patterns = &patterns.patterns;
    let mut search = Search {
        patterns,
        found: Vec::new(),
        work: 0,
    };
    let usable: Vec<usize> = (0..patterns.len()).collect();
    search.lay(&usable, &hands, wanted.as_deref(), &[]);
    if search.work > MAX_WORK {
        return Err(conflict(
            "matching packs and tracks takes too long".to_owned(),
        ));
    }
    match search.found.as_slice() {
        [] => Err(conflict(describe(
            model,
            patterns,
            &hands,
            wanted.as_deref(),
        ))),
        [laid] => laid
            .iter()
            .map(|laid| output(model, &patterns[laid.pattern], laid, sample_rate))
            .collect(),
        _ => Err(SceneError::Ambiguous { place }),
    }
}

/// What is wrong, as far as it can be told: a track of no wanted pack, or counts that differ.
fn describe(
    model: &Model,
    patterns: &[Pattern],
    hands: &[Hand],
    wanted: Option<&[usize]>,
) -> String {
    let fits = |pattern: &Pattern, hand: &Hand| pattern.places.iter().any(|p| fits(hand, p));
    let asked = |pattern: &&Pattern| wanted.is_none_or(|w| w.contains(&pattern.root));
    for hand in hands.iter().flatten() {
        if !patterns
            .iter()
            .filter(asked)
            .any(|pattern| fits(pattern, &Some(*hand)))
        {
            return format!(
                "track {} carries channel {} of pack {}, which no pack in use holds",
                hand.track + 1,
                model.channels[hand.channel].id,
                model.packs[hand.pack].id
            );
        }
    }
    let Some(wanted) = wanted else {
        return format!("the {} tracks do not make up whole packs", hands.len());
    };
    let places: usize = wanted
        .iter()
        .filter_map(|&root| patterns.iter().find(|pattern| pattern.root == root))
        .map(|pattern| pattern.places.len())
        .sum();
    format!("{} tracks for {places} channels", hands.len())
}

fn fits(hand: &Hand, place: &Place) -> bool {
    hand.is_none_or(|c| c.channel == place.channel && place.packs.contains(&c.pack))
}

struct Search<'a> {
    patterns: &'a [Pattern],
    /// At most two: two are one too many already.
    found: Vec<Vec<Laid>>,
    work: usize,
}

impl Search<'_> {
    /// Places the first of `hands` in every possible way, and the others after it.
    fn lay(&mut self, usable: &[usize], hands: &[Hand], wanted: Option<&[usize]>, laid: &[Laid]) {
        self.work += (usable.len() + laid.len() + 1) * (hands.len() + 1);
        if self.found.len() > 1 || self.work > MAX_WORK {
            return;
        }
        let empty: usize = laid
            .iter()
            .map(|l| l.places.iter().filter(|p| p.is_none()).count())
            .sum();
        let Some((&hand, rest)) = hands.split_first() else {
            if wanted.is_none_or(<[usize]>::is_empty) && empty == 0 {
                self.found.push(laid.to_vec());
            }
            return;
        };
        if hands.len() < empty {
            return;
        }
        // What can never be laid from here on is dropped for the whole branch.
        let usable: Vec<usize> = usable
            .iter()
            .copied()
            .filter(|&index| {
                let pattern = &self.patterns[index];
                pattern.places.len() <= hands.len() - empty
                    && wanted.is_none_or(|wanted| wanted.contains(&pattern.root))
                    && pattern
                        .places
                        .iter()
                        .all(|place| hands.iter().any(|hand| fits(hand, place)))
            })
            .collect();
        for index in 0..laid.len() {
            if let Some(place) = self.free_place(&laid[index], &hand) {
                let mut next = laid.to_vec();
                next[index].places[place] = Some(hand);
                self.settle(&usable, rest, wanted, next);
                if hand.is_none() {
                    // A silent track is like any other: one way stands for all.
                    return;
                }
            }
        }
        for (nth, &index) in usable.iter().enumerate() {
            let blank = Laid {
                pattern: index,
                places: vec![None; self.patterns[index].places.len()],
            };
            let Some(place) = self.free_place(&blank, &hand) else {
                continue;
            };
            let still_wanted = wanted.map(|wanted| {
                let mut left = wanted.to_vec();
                let root = self.patterns[index].root;
                left.remove(
                    left.iter()
                        .position(|&w| w == root)
                        .expect("filtered above"),
                );
                left
            });
            let mut next = laid.to_vec();
            next.push(blank);
            next.last_mut().expect("just pushed").places[place] = Some(hand);
            // Packs of silent tracks only are laid in order, so that no way counts twice.
            let onward = if hand.is_none() {
                &usable[nth..]
            } else {
                &usable[..]
            };
            self.settle(onward, rest, still_wanted.as_deref(), next);
        }
    }

    fn free_place(&self, laid: &Laid, hand: &Hand) -> Option<usize> {
        let pattern = &self.patterns[laid.pattern];
        (0..laid.places.len())
            .find(|&index| laid.places[index].is_none() && fits(hand, &pattern.places[index]))
    }

    /// Fills places for which there is one track only, and gives up where there is none.
    fn settle(
        &mut self,
        usable: &[usize],
        rest: &[Hand],
        wanted: Option<&[usize]>,
        mut laid: Vec<Laid>,
    ) {
        let mut rest = rest.to_vec();
        for one in &mut laid {
            let pattern = &self.patterns[one.pattern];
            for (slot, place) in one.places.iter_mut().zip(&pattern.places) {
                if slot.is_some() {
                    continue;
                }
                let mut fitting = (0..rest.len()).filter(|&index| fits(&rest[index], place));
                let Some(first) = fitting.next() else { return };
                // Silent tracks stand last and are all alike.
                if rest[first].is_none() || fitting.next().is_none() {
                    *slot = Some(rest.remove(first));
                }
            }
        }
        self.lay(usable, &rest, wanted, &laid);
    }
}

fn output(
    model: &Model,
    pattern: &Pattern,
    laid: &Laid,
    sample_rate: u32,
) -> Result<AllocatedPack, SceneError> {
    let inputs: Vec<(usize, Feed)> = pattern
        .places
        .iter()
        .zip(&laid.places)
        .map(|(place, hand)| {
            let feed = match hand.flatten() {
                Some(candidate) => vec![Tap {
                    track: candidate.track,
                    gain: 1.0,
                    delay_frames: 0,
                }],
                None => Vec::new(),
            };
            (place.channel, feed)
        })
        .collect();
    let (pack, channels) = match pattern.matrix {
        true => matrix::output(model, pattern.root, &inputs, sample_rate)?,
        false => (pattern.root, inputs),
    };
    Ok(AllocatedPack { pack, channels })
}
