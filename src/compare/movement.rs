//! The paths of two models held against each other over the whole time, in one walk.
//!
//! In: paired channels. Out: a [`Movement`]. Compared is the curve that is heard, not block by
//! block (see `heard`): where blocks lie at other times, or jump where the others glide, a
//! difference counts as far as the travel of one block does not explain it. Stretches of one
//! sample and less are passed over: exporters round times. Knows nothing of samples.

use super::curve::quantile;
use super::heard::{Apart, Listener, hear};
use super::pairing::Pair;
use super::path::{Path, Piece, length_deg};
use super::side::Limits;
use super::types::{Changed, Listed, Movement, ObjectChange, PartKind};
use crate::adm::Model;
use crate::adm::block::{Blocks, ObjectBlock, ObjectBlocks, ObjectTraits};
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
    let allowed = allowed(&mix_channel.blocks, &master_channel.blocks, period);
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
            allowed_s: Seconds(allowed),
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
    let end = models.end - shift.max(0.0);
    hear(
        (mix_path, master_path),
        (end, allowed, 1.01 * period),
        &mut walk,
    );
    let change = walk.change;
    // Another interpolation alone is heard the same, or told by its angle.
    let differs = change.blocks_that_differ > 0
        || change.blocks_with_other_properties > 0
        || change.movement_lost
        || change.kind.is_some()
        || change.start_s.is_some()
        || change.duration_s.is_some()
        || change.mute.is_some();
    Some((change, differs))
}

/// Seconds by which one path may be later or earlier without a difference.
///
/// Nothing but the rounding of times where the blocks begin at the same times and interpolate alike. Where
/// only the times are others, one block, but no more than 100 ms: a delay by more is heard (own
/// choice). On another grid, or as jumps instead of lines, one block of the coarser path, as
/// long as its moving blocks usually are, and no more than a second (own choice).
fn allowed(mix: &Blocks, master: &Blocks, period: f64) -> f64 {
    const SAME_GRID: f64 = 0.1;
    const OTHER_GRID: f64 = 1.0;
    let (Blocks::Objects(mix), Blocks::Objects(master)) = (mix, master) else {
        return period;
    };
    let lengths = [mix, master].map(moving_length);
    let longest = lengths.into_iter().flatten().reduce(f64::max);
    let alike = mix.blocks.len() == master.blocks.len()
        && mix.blocks.iter().zip(&master.blocks).all(|(one, other)| {
            let traits = (mix.traits_of(one), master.traits_of(other));
            same_interpolation(traits.0, traits.1, period)
        });
    if !alike {
        return longest.unwrap_or(SAME_GRID).min(OTHER_GRID);
    }
    let begins = |block: &ObjectBlock| block.time.rtime.map_or(0.0, AdmTime::seconds);
    let both = mix.blocks.iter().zip(&master.blocks);
    let apart = |(one, other): (&ObjectBlock, &ObjectBlock)| (begins(one) - begins(other)).abs();
    let latest = both.map(apart).fold(0.0, f64::max);
    if latest <= 1.01 * period {
        latest
    } else {
        longest.unwrap_or(SAME_GRID).min(SAME_GRID)
    }
}

/// The usual length in seconds of the blocks that move: the median; `None` where none does.
fn moving_length(objects: &ObjectBlocks) -> Option<f64> {
    let begins = |block: &ObjectBlock| block.time.rtime.map(AdmTime::seconds);
    let mut lengths: Vec<f64> = objects
        .blocks
        .windows(2)
        .filter(|blocks| blocks[0].position != blocks[1].position)
        .filter_map(|blocks| {
            let duration = blocks[1].time.duration.map(AdmTime::seconds);
            let before = begins(&blocks[1])? - begins(&blocks[0])?;
            Some(duration.unwrap_or(before))
        })
        .filter(|length| length.is_finite() && *length >= 0.0)
        .collect();
    quantile(&mut lengths, 0.5)
}

/// Whether both jump, over the same length, or both move all the time.
fn same_interpolation(mix: &ObjectTraits, master: &ObjectTraits, period: f64) -> bool {
    let length = |traits: &ObjectTraits| {
        let length = traits.interpolation_length;
        length.map_or(0.0, AdmTime::seconds)
    };
    let lengths = (length(mix) - length(master)).abs() <= 1.01 * period;
    mix.jump_position == master.jump_position && (!mix.jump_position || lengths)
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

impl Listener for Walk<'_> {
    fn matters(&self, apart: &Apart) -> bool {
        let value = self.limits.value * (1.0 + 1e-9);
        let values = [apart.distance, apart.gain, apart.size, apart.diffuse];
        values.iter().any(|&v| v > value) || apart.angle_deg > self.limits.angle_deg * (1.0 + 1e-9)
    }

    /// Only one of the two has a block from `from` to `to`.
    fn one(&mut self, of_master: bool, block: usize, from: f64, to: f64) {
        let length = if to.is_finite() { to - from } else { 0.0 };
        if of_master {
            self.change.only_in_master_s.0 += length;
        } else {
            self.change.only_in_mix_s.0 += length;
        }
        self.differs((of_master, block), from);
    }

    fn both(&mut self, mix: &Piece, master: &Piece, at: f64, apart: &Apart) {
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
        let change = &mut self.change;
        if apart.angle_deg > change.largest_angle_deg {
            change.largest_angle_deg = apart.angle_deg;
            change.largest_angle_at_s = Some(Seconds(at));
        }
        if apart.gain > change.largest_gain_difference {
            change.largest_gain_difference = apart.gain;
            change.largest_gain_difference_at_s = Some(Seconds(at));
        }
        let larger = |most: &mut f64, value: f64| *most = most.max(value);
        larger(&mut change.largest_distance_difference, apart.distance);
        larger(&mut change.largest_size_difference, apart.size);
        larger(&mut change.largest_diffuse_difference, apart.diffuse);
        if self.matters(apart) {
            self.differs((true, block), mix.from.max(master.from));
        }
    }
}

impl Walk<'_> {
    fn differs(&mut self, which: (bool, usize), at: f64) {
        if self.counted.differing != Some(which) {
            self.counted.differing = Some(which);
            self.change.blocks_that_differ += 1;
        }
        if self.change.first_difference_at_s.is_none() {
            self.change.first_difference_at_s = Some(Seconds(at));
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
                let interpolation = same_interpolation(mix, master, self.period);
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
