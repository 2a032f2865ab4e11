//! One channel's blocks as a path: pieces of time in which every value moves in a straight
//! line or rests.
//!
//! In: the blocks of an Objects channel (or the one position of a loudspeaker). Out: [`Piece`]s
//! in order of time, made while one walks. When a block reaches its values is as ITU-R
//! BS.2127-1 has it: over its whole length, or with jumpPosition over interpolationLength or at
//! once; the first block, and one after a gap, begins at its own values. There it is gains that
//! are interpolated; here it is positions. Broken times never go backwards.

use super::spot::{Spot, angle_deg};
use crate::adm::block::{Blocks, ObjectBlock, ObjectBlocks, ObjectTraits, SpeakerPosition};
use crate::adm::model::{AudioChannelFormat, AudioObject, PositionOffset};

/// Everything that moves with a block.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct State {
    pub(super) spot: Spot,
    pub(super) gain: f64,
    /// Width, height, depth.
    pub(super) size: [f64; 3],
    pub(super) diffuse: f64,
}

impl State {
    fn towards(&self, other: &Self, share: f64) -> Self {
        let between = |from: f64, to: f64| from + (to - from) * share;
        Self {
            spot: self.spot.towards(other.spot, share),
            gain: between(self.gain, other.gain),
            size: std::array::from_fn(|axis| between(self.size[axis], other.size[axis])),
            diffuse: between(self.diffuse, other.diffuse),
        }
    }
}

/// From `from` to `reached` seconds the state goes from `start` to `end`; the piece ends at
/// `to`, which is not later.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Piece {
    pub(super) from: f64,
    pub(super) to: f64,
    pub(super) reached: f64,
    pub(super) start: State,
    pub(super) end: State,
    /// Which block of the channel, and which traits.
    pub(super) block: usize,
    pub(super) traits: u32,
}

impl Piece {
    pub(super) fn at(&self, seconds: f64) -> State {
        if seconds <= self.from {
            return self.start;
        }
        if seconds >= self.reached || self.start == self.end {
            return self.end;
        }
        let share = (seconds - self.from) / (self.reached - self.from);
        self.start.towards(&self.end, share)
    }
}

/// Walks over the pieces of one channel.
pub(super) struct Path<'a> {
    blocks: &'a [ObjectBlock],
    traits: &'a [ObjectTraits],
    /// A loudspeaker, which has one piece.
    rest: Option<State>,
    offset: Option<PositionOffset>,
    gain: f64,
    /// The object's start and end.
    start: f64,
    end: f64,
    /// One sample period: gaps of that length are none.
    period: f64,
    next: usize,
    /// End of the last block and its values.
    before: Option<(f64, State)>,
    held: Option<Piece>,
}

impl<'a> Path<'a> {
    /// `shift` seconds are taken from every time.
    pub(super) fn new(
        object: &AudioObject,
        channel: &'a AudioChannelFormat,
        (shift, period): (f64, f64),
    ) -> Self {
        const NONE: &ObjectBlocks = &ObjectBlocks {
            blocks: Vec::new(),
            traits: Vec::new(),
        };
        let start = object.start.map_or(0.0, |start| start.seconds()) - shift;
        let length = object.duration.map_or(f64::INFINITY, |time| time.seconds());
        let objects = match &channel.blocks {
            Blocks::Objects(objects) => objects,
            _ => NONE,
        };
        Self {
            blocks: &objects.blocks,
            traits: &objects.traits,
            rest: resting(&channel.blocks),
            offset: object.position_offset,
            gain: finite(object.gain),
            start,
            end: start + length,
            period,
            next: 0,
            before: None,
            held: None,
        }
    }

    fn state(&self, block: &ObjectBlock, traits: &ObjectTraits) -> State {
        let mut position = block.position;
        match (self.offset, traits.cartesian) {
            (
                Some(PositionOffset::Polar {
                    azimuth,
                    elevation,
                    distance,
                }),
                false,
            ) => {
                position[0] += azimuth;
                position[1] += elevation;
                position[2] += distance;
            }
            (Some(PositionOffset::Cartesian { x, y, z }), true) => {
                position[0] += x;
                position[1] += y;
                position[2] += z;
            }
            _ => {}
        }
        State {
            spot: Spot::new(position, traits.cartesian),
            gain: finite(block.gain) * self.gain,
            size: [traits.width, traits.height, traits.depth].map(finite),
            diffuse: finite(traits.diffuse),
        }
    }

    /// Start and end of a block; no end where it has none and nothing follows.
    fn times(&self, index: usize) -> (f64, f64) {
        let of = |index: usize| {
            self.blocks
                .get(index)
                .map(|block| self.start + block.time.rtime.map_or(0.0, |time| time.seconds()))
        };
        let start = of(index).unwrap_or(self.start);
        let next = of(index + 1).filter(|&next| next >= start);
        let own = self.blocks[index].time.duration;
        let end = match (own, next) {
            (Some(duration), next) => {
                let end = start + duration.seconds();
                // An end less than a sample beside the next block's start is that start.
                match next {
                    Some(next) if end > next - self.period => next,
                    _ => end,
                }
            }
            (None, Some(next)) => next,
            (None, None) => f64::INFINITY,
        };
        (start, end)
    }
}

impl Iterator for Path<'_> {
    type Item = Piece;

    fn next(&mut self) -> Option<Piece> {
        if let Some(piece) = self.held.take() {
            return Some(piece);
        }
        if let Some(mut state) = self.rest.take() {
            state.gain *= self.gain;
            return Some(Piece {
                from: self.start,
                to: self.end.max(self.start),
                reached: self.start,
                start: state,
                end: state,
                block: 0,
                traits: 0,
            });
        }
        loop {
            let block = self.blocks.get(self.next)?;
            let index = self.next;
            self.next += 1;
            let traits = &self.traits[block.traits as usize];
            let own = self.state(block, traits);
            let (mut from, to) = self.times(index);
            let previous = self.before.filter(|(end, _)| from - end <= self.period);
            if let Some((end, _)) = previous {
                from = end;
            }
            let to = to.max(from);
            self.before = Some((to, own));
            if to <= from {
                continue;
            }
            if from >= self.end {
                return None;
            }
            let length = if !traits.jump_position {
                to - from
            } else {
                let length = traits.interpolation_length;
                length.map_or(0.0, |length| length.seconds())
            };
            let whole = Piece {
                from,
                to: to.min(self.end),
                reached: from,
                start: own,
                end: own,
                block: index,
                traits: block.traits,
            };
            let Some((_, previous)) = previous.filter(|_| length > 0.0) else {
                return Some(whole);
            };
            let reached = (from + length).min(to);
            if reached < whole.to {
                self.held = Some(Piece {
                    from: reached,
                    ..whole
                });
            }
            return Some(Piece {
                to: reached.min(self.end),
                reached,
                start: previous,
                ..whole
            });
        }
    }
}

/// The state of a loudspeaker channel: its first block's.
fn resting(blocks: &Blocks) -> Option<State> {
    let Blocks::DirectSpeakers(blocks) = blocks else {
        return None;
    };
    let block = blocks.first()?;
    let (position, cartesian) = speaker_position(&block.position);
    Some(State {
        spot: Spot::new(position, cartesian),
        gain: finite(block.gain),
        size: [0.0; 3],
        diffuse: 0.0,
    })
}

/// Azimuth, elevation and distance, or X, Y, Z and `true`.
pub(super) fn speaker_position(position: &SpeakerPosition) -> ([f64; 3], bool) {
    match position {
        SpeakerPosition::Polar {
            azimuth,
            elevation,
            distance,
        } => (
            [azimuth, elevation, distance].map(|bounded| finite(bounded.value)),
            false,
        ),
        SpeakerPosition::Cartesian { x, y, z } => {
            ([x, y, z].map(|bounded| finite(bounded.value)), true)
        }
    }
}

pub(super) fn finite(value: f64) -> f64 {
    if value.is_finite() { value } else { 0.0 }
}

/// The sum of the angles between the positions of blocks that follow each other.
pub(super) fn length_deg(channel: &AudioChannelFormat) -> f64 {
    let Blocks::Objects(objects) = &channel.blocks else {
        return 0.0;
    };
    let mut sum = 0.0;
    let mut before: Option<(&ObjectBlock, Spot)> = None;
    for block in &objects.blocks {
        let same = before.is_some_and(|(last, _)| {
            last.position == block.position && last.traits == block.traits
        });
        if same {
            continue;
        }
        let spot = Spot::new(block.position, objects.traits_of(block).cartesian);
        if let Some((_, last)) = before {
            sum += angle_deg(last, spot);
        }
        before = Some((block, spot));
    }
    sum
}
