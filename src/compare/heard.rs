//! Two paths of one object held against each other as curves over time.
//!
//! In: two [`Path`]s and how much later or earlier one of them may be. Out: calls of a
//! [`Listener`] at every 10 ms and at every border of a block, with what each path has there and
//! how far it lies from what the other has about that time. A place that the other path passes
//! within the allowed time is no difference: another block grid, and jumps instead of straight
//! lines, move a path by the travel of one block. Knows nothing of limits and of files.

use std::collections::VecDeque;

use super::path::{Path, Piece, State};
use super::spot::{Spot, angle_to_line, difference};

/// Seconds between two looks. Own choice: shorter than the blocks of exporters.
const STEP: f64 = 0.01;

/// How far two states are from each other.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Apart {
    pub(super) angle_deg: f64,
    pub(super) distance: f64,
    pub(super) gain: f64,
    /// The largest of width, height and depth.
    pub(super) size: f64,
    pub(super) diffuse: f64,
}

/// Looks of one piece at most: 30 s of 10 ms, so that no ramp of an hour fills the memory.
const MOST_STEPS: f64 = 3_000.0;

/// What is told of a comparison while it goes on.
pub(super) trait Listener {
    /// Both have a block at `at`: the blocks of mix and master, and what lies between them.
    fn both(&mut self, mix: &Piece, master: &Piece, at: f64, apart: &Apart);
    /// Only one of them has a block from `from` to `to`.
    fn one(&mut self, of_master: bool, block: usize, from: f64, to: f64);
    /// Whether what is `apart` would be told: only then it is looked for nearby.
    fn matters(&self, apart: &Apart) -> bool;
}

/// What both paths have at one time.
struct Look {
    at: f64,
    mix: Option<Piece>,
    master: Option<Piece>,
}

impl Look {
    fn state(&self, master: bool) -> Option<State> {
        let piece = if master { &self.master } else { &self.mix };
        piece.as_ref().map(|piece| piece.at(self.at))
    }
}

/// A path that is walked along.
struct Walker<'a> {
    path: Path<'a>,
    piece: Option<Piece>,
}

impl<'a> Walker<'a> {
    fn new(mut path: Path<'a>) -> Self {
        let piece = path.next();
        Self { path, piece }
    }

    /// Drops what lies before `now`.
    fn walk_to(&mut self, now: f64) {
        while self.piece.as_ref().is_some_and(|piece| piece.to <= now) {
            self.piece = self.path.next();
        }
    }

    fn at(&self, now: f64) -> Option<Piece> {
        self.piece.filter(|piece| piece.from <= now)
    }

    /// The next time after `now` at which something other than a straight line begins.
    fn border(&self, now: f64) -> f64 {
        let Some(piece) = &self.piece else {
            return f64::INFINITY;
        };
        if piece.from > now {
            piece.from
        } else {
            piece.to
        }
    }

    fn rests(&self, now: f64) -> bool {
        self.at(now).is_none_or(|piece| piece.start == piece.end)
    }
}

/// Walks along both up to `end` seconds; `allowed` seconds either way are no difference, and
/// stretches of `period` seconds and less are passed over.
pub(super) fn hear(
    (mix, master): (Path, Path),
    (end, allowed, period): (f64, f64, f64),
    listener: &mut impl Listener,
) {
    let mut walkers = (Walker::new(mix), Walker::new(master));
    let mut now = walkers.0.border(f64::NEG_INFINITY);
    now = now.min(walkers.1.border(f64::NEG_INFINITY));
    // Looks about the one that is compared, which is the one at `core`.
    let mut looks: VecDeque<Look> = VecDeque::new();
    let mut core = 0;
    let mut first = None;
    let mut over = false;
    while !over || core < looks.len() {
        if !over && now < end && now.is_finite() {
            walkers.0.walk_to(now);
            walkers.1.walk_to(now);
            let (mix, master) = (walkers.0.at(now), walkers.1.at(now));
            let border = walkers.0.border(now).min(walkers.1.border(now));
            let border = border.min(end);
            match (&mix, &master) {
                (Some(mix), None) if border - now > period => {
                    listener.one(false, mix.block, now, border);
                }
                (None, Some(master)) if border - now > period => {
                    listener.one(true, master.block, now, border);
                }
                _ => {}
            }
            // One alone is told up to the next border at once.
            let alone = mix.is_some() != master.is_some();
            let resting = alone || walkers.0.rests(now) && walkers.1.rests(now);
            if border - now > period {
                looks.push_back(Look {
                    at: now,
                    mix,
                    master,
                });
                // The end of a ramp is part of it.
                if !resting && border.is_finite() {
                    let steps = ((border - now) / STEP).ceil().clamp(1.0, MOST_STEPS) as usize;
                    for step in 1..steps {
                        looks.push_back(Look {
                            at: now + (border - now) * step as f64 / steps as f64,
                            mix,
                            master,
                        });
                    }
                    looks.push_back(Look {
                        at: border,
                        mix,
                        master,
                    });
                }
            }
            now = border;
        }
        over |= now >= end || !now.is_finite();
        first = first.or(looks.front().map(|look| look.at));
        let last = looks.back().filter(|_| over).map(|look| look.at);
        let known = if over { f64::INFINITY } else { now };
        while looks
            .get(core)
            .is_some_and(|look| look.at + allowed + STEP < known)
        {
            compare(&looks, core, (first, last), allowed, listener);
            core += 1;
            let from = looks.get(core).map_or(known, |look| look.at) - allowed;
            // The last look before the window holds in it.
            while core > 1 && looks[1].at <= from {
                looks.pop_front();
                core -= 1;
            }
        }
    }
}

/// `ends` are the first and the last look of all, as far as they are known.
fn compare(
    looks: &VecDeque<Look>,
    core: usize,
    ends: (Option<f64>, Option<f64>),
    allowed: f64,
    listener: &mut impl Listener,
) {
    let look = &looks[core];
    let (Some(mix), Some(master)) = (&look.mix, &look.master) else {
        return;
    };
    let times = |piece: &Piece| (piece.from, piece.to, piece.reached);
    if times(mix) == times(master) && (mix.start, mix.end) == (master.start, master.end) {
        listener.both(mix, master, look.at, &Apart::default());
        return;
    }
    let (one, other) = (mix.at(look.at), master.at(look.at));
    let mut apart = apart(&one, &other);
    if allowed > 0.0 && listener.matters(&apart) {
        let about = |master: bool| {
            let behind = looks.range(..core).rev();
            let before: Vec<&Look> = behind
                .scan(false, |done, look_before| {
                    if *done {
                        return None;
                    }
                    *done = look_before.at <= look.at - allowed;
                    Some(look_before)
                })
                .collect();
            // And one more, so that the line goes on to the end of the window.
            let count = looks
                .range(core..)
                .position(|ahead| ahead.at >= look.at + allowed);
            let ahead = looks
                .range(core..)
                .take(count.map_or(usize::MAX, |count| count + 1));
            let all = before.into_iter().rev().chain(ahead);
            all.filter_map(|look| look.state(master))
                .collect::<Vec<_>>()
        };
        let (of_mix, of_master) = (about(false), about(true));
        let mut found = largest(nearest(&one, &of_master), nearest(&other, &of_mix));
        let is_near = |end: Option<f64>| end.is_some_and(|end| (end - look.at).abs() < allowed);
        if is_near(ends.0) || is_near(ends.1) {
            // At the ends of both paths there is no later or earlier place to be compared with:
            // what one passed within the window may be where the other rests.
            let each_of = |states: &[State], line: &[State]| {
                let all = states.iter().map(|state| nearest(state, line));
                all.reduce(least).unwrap_or(found)
            };
            found = least(found, each_of(&of_mix, &of_master));
        }
        apart = least(apart, found);
    }
    listener.both(mix, master, look.at, &apart);
}

fn apart(one: &State, other: &State) -> Apart {
    let (angle_deg, distance) = difference(one.spot, other.spot);
    let sizes = one.size.iter().zip(&other.size);
    Apart {
        angle_deg,
        distance,
        gain: (one.gain - other.gain).abs(),
        size: sizes
            .map(|(one, other)| (one - other).abs())
            .fold(0.0, f64::max),
        diffuse: (one.diffuse - other.diffuse).abs(),
    }
}

/// From a state to the line through states, each property for itself.
fn nearest(from: &State, line: &[State]) -> Apart {
    let spots: Vec<Spot> = line.iter().map(|state| state.spot).collect();
    let outside = |value: f64, of: &dyn Fn(&State) -> f64| {
        let (low, high) = line
            .iter()
            .map(of)
            .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), value| {
                (low.min(value), high.max(value))
            });
        (value - high).max(low - value).max(0.0)
    };
    let distances = spots.iter().map(|spot| difference(from.spot, *spot).1);
    Apart {
        angle_deg: angle_to_line(from.spot, &spots),
        distance: distances.fold(f64::INFINITY, f64::min),
        gain: outside(from.gain, &|state| state.gain),
        size: (0..3)
            .map(|axis| outside(from.size[axis], &|state| state.size[axis]))
            .fold(0.0, f64::max),
        diffuse: outside(from.diffuse, &|state| state.diffuse),
    }
}

fn each(one: Apart, other: Apart, of: fn(f64, f64) -> f64) -> Apart {
    Apart {
        angle_deg: of(one.angle_deg, other.angle_deg),
        distance: of(one.distance, other.distance),
        gain: of(one.gain, other.gain),
        size: of(one.size, other.size),
        diffuse: of(one.diffuse, other.diffuse),
    }
}

fn least(one: Apart, other: Apart) -> Apart {
    each(one, other, f64::min)
}

fn largest(one: Apart, other: Apart) -> Apart {
    each(one, other, f64::max)
}
