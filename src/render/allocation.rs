//! Which track carries which channel of which pack (ITU-R BS.2127-1, clause 5.2.6).
//!
//! Every pack is a pattern: its channels, each with the packs through which a track may name it.
//! The tracks of an object (or of a file without objects) are laid over the patterns so that each
//! track has a channel and each channel a track; exactly one way of doing so must exist. Matrix
//! packs (BS.2076-2, clause 10) have up to three patterns, and are followed back to sums of tracks.
//!
//! The search is bounded: a file that would take longer is answered with an error.

use super::scene::{Feed, SceneError, Tap};
use crate::adm::block::Blocks;
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

pub(super) struct Pattern {
    root: usize,
    places: Vec<Place>,
    matrix: bool,
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

/// Steps of the search before it is given up: own choice, thousands of times what the
/// largest masters take.
const MAX_STEPS: u32 = 200_000;
/// Deeper packs are an attack: own choice.
const MAX_NESTING: usize = 32;
/// Terms that a chain of matrices may have: own choice.
const MAX_TAPS: usize = 4096;

/// Packs from the root to the one that names `channel`, both included; empty when none does.
pub(super) fn pack_path(model: &Model, root: usize, channel: usize) -> Vec<usize> {
    let mut found = Vec::new();
    let _ = each_pack(model, root, &mut Vec::new(), &mut |path| {
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

fn each_pack(
    model: &Model,
    pack: usize,
    path: &mut Vec<usize>,
    visit: &mut dyn FnMut(&[usize]),
) -> Result<(), SceneError> {
    if path.contains(&pack) || path.len() >= MAX_NESTING {
        return Err(fault(
            &model.packs[pack],
            "the audioPackFormat is nested in itself, or too deep",
        ));
    }
    path.push(pack);
    visit(path);
    for inner in model.packs[pack]
        .packs
        .iter()
        .filter_map(|inner| inner.index())
    {
        each_pack(model, inner, path, visit)?;
    }
    path.pop();
    Ok(())
}

fn fault(pack: &AudioPackFormat, says: &str) -> SceneError {
    SceneError::Element {
        element: pack.id.clone(),
        says: says.to_owned(),
    }
}

/// Places of a pack and of those within it; `called` replaces the packs by which tracks call them.
fn places(model: &Model, root: usize, called: Option<usize>) -> Result<Vec<Place>, SceneError> {
    let mut places = Vec::new();
    each_pack(model, root, &mut Vec::new(), &mut |path| {
        let last = *path.last().expect("a path holds its pack");
        for channel in model.packs[last].channels.iter().filter_map(|c| c.index()) {
            let packs = called.map_or_else(|| path.to_vec(), |pack| vec![pack]);
            places.push(Place { channel, packs });
        }
    })?;
    Ok(places)
}

/// The patterns of all packs of a model.
pub(super) fn patterns(model: &Model) -> Result<Vec<Pattern>, SceneError> {
    let mut patterns = Vec::new();
    for (root, pack) in model.packs.iter().enumerate() {
        if pack.type_definition != TypeDefinition::Matrix {
            patterns.push(Pattern {
                root,
                places: places(model, root, None)?,
                matrix: false,
            });
            continue;
        }
        let input = pack.input_pack.as_ref().map(|r| r.index());
        let output = pack.output_pack.as_ref().map(|r| r.index());
        let wrong = |says: &str| Err(fault(pack, says));
        let input = match (input, output) {
            (Some(Some(input)), Some(Some(_))) => (input, None),
            (None, Some(Some(_))) => {
                let [encode] = pack.encode_packs.as_slice() else {
                    return wrong(
                        "a decoding matrix names one encodePackFormat (BS.2076-2, clause 10)",
                    );
                };
                let Some(encode) = encode.index() else {
                    return wrong("the encodePackFormat is not in the file");
                };
                let encoded = model.packs[encode]
                    .input_pack
                    .as_ref()
                    .and_then(|r| r.index());
                (encode, Some((encode, encoded)))
            }
            // An encoding matrix is used through its decoding one only.
            (Some(Some(_)), None) => continue,
            _ => {
                return wrong(
                    "a matrix pack names an inputPackFormat or an outputPackFormat that the file has",
                );
            }
        };
        // Applied when heard: the tracks are the input's channels.
        patterns.push(Pattern {
            root,
            places: places(model, input.0, Some(root))?,
            matrix: true,
        });
        // Applied already: the tracks are the matrix's own channels.
        patterns.push(Pattern {
            root,
            places: places(model, root, None)?,
            matrix: true,
        });
        if let (_, Some((encode, Some(encoded)))) = input {
            // Encoded and decoded when heard.
            patterns.push(Pattern {
                root,
                places: places(model, encoded, Some(encode))?,
                matrix: true,
            });
        }
    }
    patterns.retain(|pattern| !pattern.places.is_empty());
    Ok(patterns)
}

/// Lays the tracks of `object`, or all of the file's, over the patterns.
pub(super) fn allocate(
    model: &Model,
    patterns: &[Pattern],
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

    let mut search = Search {
        patterns,
        found: Vec::new(),
        steps: 0,
    };
    let usable: Vec<usize> = (0..patterns.len()).collect();
    search.lay(&usable, &hands, wanted.as_deref(), &[]);
    if search.steps > MAX_STEPS {
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
    let places: usize = match wanted {
        Some(wanted) => wanted
            .iter()
            .filter_map(|&root| patterns.iter().find(|p| p.root == root))
            .map(|pattern| pattern.places.len())
            .sum(),
        None => 0,
    };
    format!("{} tracks for {places} channels", hands.len())
}

fn fits(hand: &Hand, place: &Place) -> bool {
    hand.is_none_or(|c| c.channel == place.channel && place.packs.contains(&c.pack))
}

struct Search<'a> {
    patterns: &'a [Pattern],
    /// At most two: two are one too many already.
    found: Vec<Vec<Laid>>,
    steps: u32,
}

impl Search<'_> {
    /// Places the first of `hands` in every possible way, and the others after it.
    fn lay(&mut self, usable: &[usize], hands: &[Hand], wanted: Option<&[usize]>, laid: &[Laid]) {
        self.steps += 1;
        if self.found.len() > 1 || self.steps > MAX_STEPS {
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
    if !pattern.matrix {
        return Ok(AllocatedPack {
            pack: pattern.root,
            channels: inputs,
        });
    }
    let pack = &model.packs[pattern.root];
    let Some(output) = pack.output_pack.as_ref().and_then(|output| output.index()) else {
        return Err(fault(pack, "the outputPackFormat is not in the file"));
    };
    let mut channels = Vec::new();
    for matrix in pack.channels.iter().filter_map(|channel| channel.index()) {
        let block = matrix_block(model, matrix)?;
        let Some(to) = block
            .output_channel
            .as_ref()
            .and_then(|channel| channel.index())
        else {
            return Err(SceneError::Element {
                element: model.channels[matrix].id.clone(),
                says: "a direct or decoding matrix channel names its outputChannelFormat (BS.2076-2, clause 10)".to_owned(),
            });
        };
        channels.push((to, follow(model, &inputs, matrix, sample_rate, 0)?));
    }
    Ok(AllocatedPack {
        pack: output,
        channels,
    })
}

fn matrix_block(
    model: &Model,
    channel: usize,
) -> Result<&crate::adm::block::MatrixBlock, SceneError> {
    match &model.channels[channel].blocks {
        Blocks::Matrix(blocks) if blocks.len() == 1 => Ok(&blocks[0]),
        _ => Err(SceneError::Element {
            element: model.channels[channel].id.clone(),
            says: "a matrix channel has exactly one block (BS.2127-1, clause 5.2.6)".to_owned(),
        }),
    }
}

/// The sum of tracks behind a channel: a track's own, or what a matrix makes of others.
fn follow(
    model: &Model,
    inputs: &[(usize, Feed)],
    channel: usize,
    sample_rate: u32,
    depth: usize,
) -> Result<Feed, SceneError> {
    if let Some((_, feed)) = inputs.iter().find(|(input, _)| *input == channel) {
        return Ok(feed.clone());
    }
    let element = |says: &str| SceneError::Element {
        element: model.channels[channel].id.clone(),
        says: says.to_owned(),
    };
    if depth >= MAX_NESTING {
        return Err(element("the matrix feeds itself"));
    }
    let block = matrix_block(model, channel)?;
    let mut sum = Feed::new();
    for coefficient in &block.coefficients {
        let unsupported = coefficient.phase.is_some()
            || coefficient.phase_var.is_some()
            || coefficient.gain_var.is_some()
            || coefficient.delay_var.is_some();
        if unsupported {
            return Err(element(
                "a matrix coefficient has a phase or a variable, which BS.2127-1 does not render",
            ));
        }
        let delay_ms = coefficient.delay_ms.unwrap_or(0.0);
        if !(0.0..=MAX_DELAY_MS).contains(&delay_ms) {
            return Err(element(
                "a matrix coefficient's delay is negative or over ten seconds",
            ));
        }
        // Halves go down, as in the reference renderer; each coefficient is rounded by itself.
        let delay_frames = (f64::from(sample_rate) * delay_ms / 1000.0 - 0.5)
            .ceil()
            .max(0.0) as u64;
        let Some(input) = coefficient.input_channel.index() else {
            return Err(element(
                "a matrix coefficient names a channel that the file does not have",
            ));
        };
        for tap in follow(model, inputs, input, sample_rate, depth + 1)? {
            sum.push(Tap {
                gain: tap.gain * coefficient.gain.unwrap_or(1.0) * block.gain,
                delay_frames: tap.delay_frames + delay_frames,
                ..tap
            });
        }
        if sum.len() > MAX_TAPS {
            return Err(element("the matrix is a sum of too many tracks"));
        }
    }
    Ok(sum)
}

/// A bound for memory: own choice.
const MAX_DELAY_MS: f64 = 10_000.0;
