//! The blocks of two models held against each other over the whole time, in one walk.
//!
//! In: paired channels. Out: a [`Movement`]. At every border of a piece of either path both are
//! evaluated, just after it and just before the next; between borders both move in straight
//! lines, so nothing larger lies there. Stretches of one sample and less are passed over:
//! exporters round times. Knows nothing of samples.

use super::pairing::Pair;
use super::path::{Path, Piece, length_deg};
use super::side::Limits;
use super::spot::difference;
use super::types::{Changed, Listed, Movement, ObjectChange, PartKind};
use crate::adm::Model;
use crate::adm::block::{Blocks, ObjectTraits};
use crate::adm::time::AdmTime;
use crate::units::Seconds;

/// Both models and the pairs of channels in them.
pub(super) struct Models<'a> {
    pub(super) mix: &'a Model,
    pub(super) master: &'a Model,
    pub(super) pairs: &'a [Pair],
    pub(super) sample_rate: u32,
    /// Where the longer file ends, in seconds.
    pub(super) end: f64,
}

/// With the master's times as they are, and, where that shows differences, moved back by the
/// offset of its samples: what differs less is told.
pub(super) fn movement(models: &Models, offset: Option<i64>, limits: &Limits) -> Movement {
    let as_written = at_offset(models, 0, limits);
    let Some(offset) = offset.filter(|&offset| offset != 0) else {
        return as_written;
    };
    if as_written.blocks_that_differ == 0 {
        return as_written;
    }
    let aligned = at_offset(models, offset, limits);
    if aligned.blocks_that_differ < as_written.blocks_that_differ {
        aligned
    } else {
        as_written
    }
}

fn at_offset(models: &Models, offset: i64, limits: &Limits) -> Movement {
    let mut movement = Movement {
        objects: 0,
        objects_that_differ: 0,
        blocks: Changed { mix: 0, master: 0 },
        blocks_that_differ: 0,
        largest_angle_deg: 0.0,
        largest_angle_at_s: None,
        largest_angle_object: None,
        aligned_by_frames: offset,
        changed: Listed::default(),
        beds_changed: Listed::default(),
    };
    let mut changes = Vec::new();
    for pair in models.pairs {
        let (mix, master) = (&pair.mix, &pair.master);
        if mix.kind != PartKind::Object && master.kind != PartKind::Object {
            continue;
        }
        let Some((change, differs)) = compare(models, pair, offset, limits) else {
            continue;
        };
        movement.objects += 1;
        movement.blocks.mix += change.blocks.mix;
        movement.blocks.master += change.blocks.master;
        movement.blocks_that_differ += change.blocks_that_differ;
        if change.largest_angle_deg > movement.largest_angle_deg {
            movement.largest_angle_deg = change.largest_angle_deg;
            movement.largest_angle_at_s = change.largest_angle_at_s;
            movement.largest_angle_object = Some(change.part.name.clone());
        }
        if differs {
            changes.push(change);
        }
    }
    movement.objects_that_differ = changes.len() as u64;
    changes.sort_by(|one, other| {
        let blocks = other.blocks_that_differ.cmp(&one.blocks_that_differ);
        let angle = other.largest_angle_deg.total_cmp(&one.largest_angle_deg);
        angle.then(blocks)
    });
    movement.changed = Listed::new(changes, limits.listed);
    movement
}

/// One pair; the second says whether anything differs by more than the limits.
fn compare(
    models: &Models,
    pair: &Pair,
    offset: i64,
    limits: &Limits,
) -> Option<(ObjectChange, bool)> {
    let (mix, master) = (&pair.mix, &pair.master);
    let mix_channel = models.mix.channels.get(mix.channel?)?;
    let master_channel = models.master.channels.get(master.channel?)?;
    let mix_object = models.mix.objects.get(mix.object?)?;
    let master_object = models.master.objects.get(master.object?)?;
    let period = 1.0 / f64::from(models.sample_rate);
    let shift = offset as f64 * period;
    let path_deg = Changed {
        mix: length_deg(mix_channel),
        master: length_deg(master_channel),
    };
    let mut walk = Walk {
        limits,
        period,
        mix_traits: traits_of(&mix_channel.blocks),
        master_traits: traits_of(&master_channel.blocks),
        traits: None,
        counted: Counted::default(),
        change: ObjectChange {
            part: mix.part.clone(),
            blocks: Changed {
                mix: mix_channel.blocks.len() as u64,
                master: master_channel.blocks.len() as u64,
            },
            blocks_that_differ: 0,
            largest_angle_deg: 0.0,
            largest_angle_at_s: None,
            largest_distance_difference: 0.0,
            largest_gain_difference: 0.0,
            largest_gain_difference_at_s: None,
            largest_size_difference: 0.0,
            largest_diffuse_difference: 0.0,
            first_difference_at_s: None,
            only_in_mix_s: Seconds(0.0),
            only_in_master_s: Seconds(0.0),
            blocks_with_other_interpolation: 0,
            blocks_with_other_properties: 0,
            // J4 of the trade's table: 30 degrees, a tenth; own choice.
            movement_lost: path_deg.mix > 30.0 && path_deg.master < 0.1 * path_deg.mix,
            path_deg,
            kind: Changed::of(mix.kind, master.kind),
            start_s: times(mix_object.start, master_object.start, shift, period),
            duration_s: times(mix_object.duration, master_object.duration, 0.0, period),
            mute: Changed::of(mix_object.mute, master_object.mute),
        },
    };
    let mix_path = Path::new(mix_object, mix_channel, (0.0, period));
    let master_path = Path::new(master_object, master_channel, (shift, period));
    walk.walk(mix_path, master_path, models.end - shift.max(0.0));
    let change = walk.change;
    let differs = change.blocks_that_differ > 0
        || change.blocks_with_other_interpolation > 0
        || change.blocks_with_other_properties > 0
        || change.movement_lost
        || change.kind.is_some()
        || change.start_s.is_some()
        || change.duration_s.is_some()
        || change.mute.is_some();
    Some((change, differs))
}

fn traits_of(blocks: &Blocks) -> &[ObjectTraits] {
    match blocks {
        Blocks::Objects(objects) => &objects.traits,
        _ => &[],
    }
}

/// A start or a duration that is another by more than a sample.
fn times(
    mix: Option<AdmTime>,
    master: Option<AdmTime>,
    shift: f64,
    period: f64,
) -> Option<Changed<Option<Seconds>>> {
    let (mix, master) = (mix.map(AdmTime::seconds), master.map(AdmTime::seconds));
    let apart = match (mix, master) {
        (Some(mix), Some(master)) => (mix - (master - shift)).abs() > 1.01 * period,
        // No start is a start at zero.
        (Some(time), None) | (None, Some(time)) => time > 1.01 * period,
        (None, None) => false,
    };
    apart.then(|| Changed {
        mix: mix.map(Seconds),
        master: master.map(Seconds),
    })
}

/// Which block was counted last for each sum, so that none is counted twice.
#[derive(Default)]
struct Counted {
    differing: Option<(bool, usize)>,
    interpolation: Option<usize>,
    properties: Option<usize>,
}

struct Walk<'a> {
    limits: &'a Limits,
    period: f64,
    mix_traits: &'a [ObjectTraits],
    master_traits: &'a [ObjectTraits],
    /// The last pair of traits, and whether interpolation and other properties are the same.
    traits: Option<((u32, u32), (bool, bool))>,
    counted: Counted,
    change: ObjectChange,
}

impl Walk<'_> {
    /// Up to `end` seconds.
    fn walk(&mut self, mut mix: Path, mut master: Path, end: f64) {
        let (mut in_mix, mut in_master) = (mix.next(), master.next());
        let mut now = f64::NEG_INFINITY;
        loop {
            let starts = [&in_mix, &in_master].map(|piece| piece.as_ref().map(|p| p.from));
            let ends = [&in_mix, &in_master].map(|piece| piece.as_ref().map(|p| p.to));
            let borders = starts.into_iter().chain(ends).flatten();
            let Some(next) = borders.filter(|&border| border > now).reduce(f64::min) else {
                return;
            };
            let next = next.min(end);
            if next <= now {
                return;
            }
            if next - now > 1.01 * self.period && now.is_finite() {
                let covers = |piece: &Option<Piece>| piece.filter(|piece| piece.from <= now);
                match (covers(&in_mix), covers(&in_master)) {
                    (Some(mix), Some(master)) => self.both(&mix, &master, now, next),
                    (Some(mix), None) => self.one((false, mix.block), now, next),
                    (None, Some(master)) => self.one((true, master.block), now, next),
                    (None, None) => {}
                }
            }
            now = next;
            while in_mix.as_ref().is_some_and(|piece| piece.to <= now) {
                in_mix = mix.next();
            }
            while in_master.as_ref().is_some_and(|piece| piece.to <= now) {
                in_master = master.next();
            }
        }
    }

    /// Only one of the two has a block from `from` to `to`.
    fn one(&mut self, which: (bool, usize), from: f64, to: f64) {
        let length = if to.is_finite() { to - from } else { 0.0 };
        if which.0 {
            self.change.only_in_master_s.0 += length;
        } else {
            self.change.only_in_mix_s.0 += length;
        }
        self.differs(which, from);
    }

    fn differs(&mut self, which: (bool, usize), at: f64) {
        if self.counted.differing != Some(which) {
            self.counted.differing = Some(which);
            self.change.blocks_that_differ += 1;
        }
        if self.change.first_difference_at_s.is_none() {
            self.change.first_difference_at_s = Some(Seconds(at));
        }
    }

    fn both(&mut self, mix: &Piece, master: &Piece, from: f64, to: f64) {
        let (interpolation, properties) = self.same_traits(mix.traits, master.traits);
        let block = master.block;
        if !interpolation && self.counted.interpolation != Some(block) {
            self.counted.interpolation = Some(block);
            self.change.blocks_with_other_interpolation += 1;
        }
        if !properties && self.counted.properties != Some(block) {
            self.counted.properties = Some(block);
            self.change.blocks_with_other_properties += 1;
        }
        let same_time = mix.from == master.from && mix.to == master.to;
        let resting = mix.start == mix.end && master.start == master.end;
        if mix.start == master.start && mix.end == master.end && (same_time || resting) {
            return;
        }
        self.point(mix, master, from, from);
        if to.is_finite() && !resting {
            self.point(mix, master, to, from);
        }
    }

    /// Compares both at one time of the stretch that begins at `from`.
    fn point(&mut self, mix: &Piece, master: &Piece, at: f64, from: f64) {
        let (one, other) = (mix.at(at), master.at(at));
        let small = self.limits.angle_deg;
        let (mut angle, distance) = difference(one.spot, other.spot, small);
        if angle > small {
            // A time that was rounded by a sample, while the object moves fast.
            let rounding = mix.speed().max(master.speed()) * self.period;
            if angle - rounding <= small {
                angle = small;
            }
        }
        let gain = (one.gain - other.gain).abs();
        let sizes = one.size.iter().zip(&other.size);
        let size = sizes
            .map(|(one, other)| (one - other).abs())
            .fold(0.0, f64::max);
        let diffuse = (one.diffuse - other.diffuse).abs();
        let change = &mut self.change;
        if angle > change.largest_angle_deg {
            change.largest_angle_deg = angle;
            change.largest_angle_at_s = Some(Seconds(at));
        }
        if gain > change.largest_gain_difference {
            change.largest_gain_difference = gain;
            change.largest_gain_difference_at_s = Some(Seconds(at));
        }
        let larger = |most: &mut f64, value: f64| *most = most.max(value);
        larger(&mut change.largest_distance_difference, distance);
        larger(&mut change.largest_size_difference, size);
        larger(&mut change.largest_diffuse_difference, diffuse);
        let value = self.limits.value * (1.0 + 1e-9);
        let over = [distance, gain, size, diffuse].iter().any(|&v| v > value);
        if over || angle > small * (1.0 + 1e-9) {
            self.differs((true, master.block), from);
        }
    }

    /// Whether interpolation, and whether all other properties but sizes and diffuseness are
    /// the same.
    fn same_traits(&mut self, mix: u32, master: u32) -> (bool, bool) {
        if let Some((pair, same)) = self.traits
            && pair == (mix, master)
        {
            return same;
        }
        let pair = (
            self.mix_traits.get(mix as usize),
            self.master_traits.get(master as usize),
        );
        let same = match pair {
            (Some(mix), Some(master)) => {
                let length = |traits: &ObjectTraits| {
                    let length = traits.interpolation_length;
                    length.map_or(0.0, AdmTime::seconds)
                };
                let lengths = (length(mix) - length(master)).abs() <= 1.01 * self.period;
                let interpolation =
                    mix.jump_position == master.jump_position && (!mix.jump_position || lengths);
                let alike = ObjectTraits {
                    cartesian: mix.cartesian,
                    width: mix.width,
                    height: mix.height,
                    depth: mix.depth,
                    diffuse: mix.diffuse,
                    jump_position: mix.jump_position,
                    interpolation_length: mix.interpolation_length,
                    ..master.clone()
                };
                (interpolation, alike == *mix)
            }
            // A loudspeaker has none.
            _ => (true, true),
        };
        self.traits = Some(((mix, master), same));
        same
    }
}
